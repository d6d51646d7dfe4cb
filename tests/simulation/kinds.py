"""The kinds of invented dairies and how one dairy's own constants are drawn.

Levels and spreads follow published composition of ewes' milk: Oravcova et al. 2007 (Czech J Anim Sci 52:189: Tsigai
7.77/5.94, Improved Valachian 7.48/5.82, Lacaune 6.97/5.62 % fat/protein), Pavic et al. 2002 (Czech J Anim Sci 47:80:
7.52/5.90, lactose 4.55), Petrova & Nedelchev 2000 (Bulg J Agric Sci 6:583: 6.41/5.56, lactose 4.37), Sevi et al. 2004
(Comisana bulk 6.7-6.9/5.15-5.39), FAO 2013 table 3.1 (6.4/5.6/5.1). Spreads between flocks, years and days are
judgement built on the flock x month shares of Komprej et al. 2011 and Oravcova 2016. All names are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.simulation.weather import Array, Climate

COMPONENTS = ("fat_g_100g", "protein_g_100g", "lactose_g_100g")
KINDS = (
    "ordinary",
    "other_lactation",
    "southern",
    "drought",
    "lab_change",
    "sparse",
    "no_diary",
    "bulk_only",
    "autumn_lambing",
    "two_lambings",
)
# Level of a whole lactation by kind of ewe: fat, protein, lactose g/100 g, kg a day at the peak, days in milk.
BREEDS = {
    "hill": (7.35, 5.80, 4.65, 0.95, 170),
    "upland": (7.00, 5.60, 4.70, 1.20, 185),
    "lowland": (6.55, 5.40, 4.80, 1.60, 205),
    "dairy cross": (6.25, 5.20, 4.90, 2.00, 220),
}
# Relative spreads (of the level) of fat, protein, lactose; absolute counterparts at 6.7/5.5/4.8 g are 0.40/0.22/0.10
# between flocks, 0.20/0.10/0.04 between years, 0.25/0.12/0.05 between flock-years, 0.35/0.15/0.06 drift (judgement).
FLOCK_SD = np.array([0.058, 0.038, 0.019])
YEAR_SD = np.array([0.030, 0.018, 0.008])
FLOCK_YEAR_SD = np.array([0.036, 0.021, 0.010])
DRIFT_SD = np.array([0.050, 0.026, 0.012])
DAY_SD = np.array([0.021, 0.010, 0.0055])
# Shocks of fat, protein and lactose go together (Muir & Tamime 1993; Kuchtik et al. 2008: sign; size is judgement).
TOGETHER = np.linalg.cholesky(np.array([[1.0, 0.5, -0.35], [0.5, 1.0, -0.3], [-0.35, -0.3, 1.0]]))


@dataclass(frozen=True)
class Forage:
    """One word of the dairy's vocabulary and what it does (log scale of the component; energy relative to need)."""

    word: str
    energy: float
    fat: float
    protein: float
    lactose: float
    leaf: float


@dataclass(frozen=True)
class Lambing:
    """One lambing of a flock that comes back every year: season day (northern count), share of ewes, jitter in days."""

    season_day: float
    share: float
    jitter: float


@dataclass(frozen=True)
class FlockPlan:
    """Constants of one flock. `curve` holds log yield and `stage` log composition by age in days."""

    id: str
    name: str
    ewes: int
    lambings: tuple[Lambing, ...]
    spread: float
    wean_age: int
    length: int
    level: Array
    dilution: Array
    curve: Array
    stage: Array
    forages: tuple[tuple[float, int, float], ...]
    forage_sizes: float


@dataclass(frozen=True)
class LabPlan:
    """One lab: bias (g/100 g), error sd, wander of its calibration and its share of unmixed samples."""

    name: str
    method: str
    bias: Array
    error_sd: Array
    wander_sd: Array
    unmixed: float


@dataclass(frozen=True)
class CulturePlan:
    """Constants of the culture, the vat and the maker's habits."""

    usual_c: float
    usual_dose: float
    usual_min: float
    vigour: float
    renew_days: float
    step_chance: float
    step_size: float
    decline: float
    best_c: float
    worst_c: float
    gel_ph: float
    batch_sd: float
    warmth_sd: float
    age_habit: float
    vats_a_week: int
    looks: int
    check_share: float
    ph_share: float
    phage: float


@dataclass(frozen=True)
class PotPlan:
    """Constants of heating, filling and the pots."""

    loss: float
    full_kg: float
    lid_share: float
    saturates: float
    salt: float
    calcium: float
    acid: float
    galactose_kept: float
    between_pots: dict[str, float] = field(default_factory=dict)
    months_between: float = 2.5
    lab_bias: Array = field(default_factory=lambda: np.zeros(9))
    by_difference: bool = False


@dataclass(frozen=True)
class Plan:
    """Every constant of one dairy: what the oracle knows."""

    kind: str
    name: str
    climate: Climate
    flocks: tuple[FlockPlan, ...]
    words: tuple[Forage, ...]
    labs: tuple[LabPlan, ...]
    reference_lab: str | None
    culture: CulturePlan
    pots: PotPlan
    season_size: Array
    tests_a_month: int
    bulk_tests_a_month: int
    measures_lactose: bool
    says_reported: bool
    diary: bool
    milk_known: bool
    weather: bool
    common_share: float
    calm: float


def _yield_curve(family: str, peak: float, length: int, rng: np.random.Generator) -> Array:
    """Log kg a day by age 0..499, one of four published families; parameters invented around a peak in week 3-5.

    Dijkstra et al. 1997, Wilmink 1987, a broken stick, and a cubic in Legendre polynomials of scaled age.
    """
    age = np.arange(500, dtype=float)
    x = np.clip(2 * age / (length + 40) - 1, -1, 1.6)
    if family == "dijkstra":
        rise, slow, fall = rng.uniform(0.018, 0.035), rng.uniform(0.06, 0.10), rng.uniform(0.0033, 0.0055)
        log_y = rise * (1 - np.exp(-slow * age)) / slow - fall * age
    elif family == "wilmink":
        fall = rng.uniform(0.0031, 0.0043)
        y = 1 - fall * age - rng.uniform(0.3, 0.5) * np.exp(-0.07 * age)
        log_y = np.log(np.maximum(y, 0.08))
    elif family == "stick":
        knee, flat = rng.uniform(70, 120), rng.uniform(0.0005, 0.002)
        log_y = -flat * age - rng.uniform(0.004, 0.009) * np.maximum(age - knee, 0)
    else:
        p1, p2, p3 = x, (3 * x**2 - 1) / 2, (5 * x**3 - 3 * x) / 2
        log_y = rng.uniform(-0.55, -0.3) * p1 + rng.uniform(-0.22, -0.08) * p2 + rng.uniform(-0.08, 0.08) * p3
    return log_y - log_y[:300].max() + np.log(peak)


def _stage_curve(family: str, length: int, rng: np.random.Generator) -> Array:
    """Log composition by age over and above dilution, (500, 3), zero at day 100.

    Sizes aim, with dilution, at +0.30 fat, +0.20 protein and -0.08 lactose per 30 days from day 30 on (judgement from
    the published shapes of Fuertes et al. 1998 and Othmane et al. 2002: minimum in week 3-4, then a rise).
    """
    age = np.arange(500, dtype=float)
    size = rng.lognormal(0, 0.3, 3)
    if family == "late":  # flat, then a steep end
        knee = rng.uniform(100, 130)
        shape = np.maximum(age - knee, 0) / 60 + 0.1 * np.exp(-age / 12)
        top = np.array([0.100, 0.075, -0.040])
    elif family == "early":  # most of the rise at once, then a plateau
        shape = 1 / (1 + np.exp(-(age - rng.uniform(60, 90)) / 18)) + 0.35 * np.exp(-age / 10)
        top = np.array([0.14, 0.12, -0.055])
    elif family == "hollow":  # a wide hollow: falls to day 60-80, then a square-law rise
        low = rng.uniform(60, 85)
        shape = ((age - low) / 90) ** 2
        top = np.array([0.075, 0.065, -0.03])
    else:  # saturating rise after a dip in week 3
        shape = (age / (age + 140)) * 1.9 + 0.25 * np.exp(-age / 9)
        top = np.array([0.15, 0.14, -0.075])
    curve = np.minimum(shape, 3.0)[:, None] * top * size
    return curve - curve[100]


def _words(rng: np.random.Generator) -> tuple[Forage, ...]:
    """Draw what each forage word does (judgement; sd of one word about 0.30 g fat, 0.15 g protein).

    Leafy grass lowers fat by some 0.4 g and lifts protein a little against hay (judgement); `leaf` says how far a word
    hangs on the leafiness of the grass.
    """

    def draw(word: str, energy: float, fat: float, protein: float, leaf: float) -> Forage:
        return Forage(
            word,
            energy + rng.normal(0, 0.06),
            fat + rng.normal(0, 0.030),
            protein + rng.normal(0, 0.016),
            rng.normal(0, 0.008),
            leaf * rng.uniform(0.6, 1.4),
        )

    return (
        draw("hay", 0.95, 0.03, -0.005, 0.0),
        draw("silage", 1.0, 0.01, 0.0, 0.0),
        draw("pasture", 0.95, -0.01, 0.005, 1.0),
        draw("hillgrass", 0.9, 0.02, 0.0, 0.8),
        draw("stubble", 0.85, 0.04, -0.01, 0.3),
    )


def _flock(kind: str, number: int, breed: str, lambing: float, rng: np.random.Generator) -> FlockPlan:
    fat, protein, lactose, peak, length = BREEDS[breed]
    level = np.log([fat, protein, lactose]) + TOGETHER @ rng.standard_normal(3) * FLOCK_SD
    length = int(length + rng.normal(0, 12))
    if kind == "other_lactation":
        curve = _yield_curve(str(rng.choice(["stick", "legendre"])), peak, length, rng)
        stage = _stage_curve(str(rng.choice(["late", "early", "hollow"])), length, rng)
    else:
        curve = _yield_curve(str(rng.choice(["dijkstra", "wilmink"])), peak, length, rng)
        stage = _stage_curve("saturating", length, rng)
    lambings = (Lambing(lambing, 1.0, rng.uniform(3, 8)),)
    if kind == "two_lambings":
        first = rng.uniform(0.45, 0.65)
        gap = rng.uniform(140, 195)
        lambings = (
            Lambing(lambing, first, rng.uniform(3, 7)),
            Lambing((lambing + gap) % 365, 1 - first, rng.uniform(4, 9)),
        )
    # Forage year: house feeding, turn-out, hill or stubble, autumn grass, house again (northern season days).
    turn_out = rng.normal(95, 10)
    year = [(turn_out, 2, 6.0), (rng.normal(165, 12), int(rng.choice([2, 3, 3])), 9.0)]
    year += [(rng.normal(225, 12), int(rng.choice([2, 3, 4])), 8.0), (rng.normal(270, 10), 2, 7.0)]
    year += [(rng.normal(322, 10), int(rng.choice([0, 1])), 7.0), (rng.normal(20, 12), int(rng.choice([0, 1])), 6.0)]
    return FlockPlan(
        id=f"flock_{'abcde'[number]}",
        name=f"Flock {'ABCDE'[number]} ({breed} ewes)",
        ewes=int(rng.integers(40, 220)),
        lambings=lambings,
        spread=rng.uniform(9, 19),
        wean_age=int(rng.choice([3, 28, 35, 42], p=[0.25, 0.25, 0.3, 0.2])),
        length=length,
        level=level,
        dilution=np.array([rng.uniform(0.10, 0.24), rng.uniform(0.06, 0.15), rng.uniform(-0.05, 0.0)]),
        curve=curve,
        stage=stage,
        forages=tuple(sorted(year)),
        forage_sizes=rng.uniform(0.8, 1.3),
    )


def _labs(kind: str, rng: np.random.Generator) -> tuple[tuple[LabPlan, ...], str | None]:
    """Draw the labs; the one that the dairy takes as right has no lasting bias, by the contract's own words.

    Within-lab error 0.08/0.05/0.05 and lab-to-lab bias 0.12/0.08/0.08 g (judgement from the precision of mid-infrared
    on cows' milk times 1.5, and the two-lab comparisons of Biggs 1978).
    """

    def lab(name: str, bias: Array) -> LabPlan:
        return LabPlan(
            name=name,
            method="infrared",
            bias=bias,
            error_sd=np.array([0.075, 0.045, 0.045]) * rng.uniform(0.7, 1.4),
            wander_sd=np.array([0.045, 0.030, 0.030]) * rng.uniform(0.5, 1.3),
            unmixed=rng.uniform(0.01, 0.05),
        )

    first = lab("First Invented Lab", np.zeros(3))
    if kind != "lab_change":
        return (first,), None
    far = np.array([0.14, 0.085, 0.08]) * rng.standard_normal(3) * 1.2
    second = lab("Second Invented Lab", np.zeros(3))
    if rng.random() < 0.5:
        return (first, lab("Second Invented Lab", far)), first.name
    return (lab("First Invented Lab", far), second), second.name


def draw_plan(kind: str, rng: np.random.Generator) -> Plan:
    """Draw all constants of one dairy of `kind`.

    Raises
    ------
    ValueError
        If `kind` is not one of KINDS.
    """
    if kind not in KINDS:
        msg = f"unknown kind of dairy {kind!r}; expected one of {', '.join(KINDS)}"
        raise ValueError(msg)
    southern = kind == "southern"
    latitude = float(rng.uniform(36, 56))
    climate = Climate(
        latitude=-latitude * 0.85 if southern else latitude,
        mean_c=float(24 - 0.30 * latitude + rng.normal(0, 1)),
        swing_c=float(rng.uniform(6.5, 9.5)),
        rain_mm=float(rng.uniform(1.6, 3.2)),
        drought_chance=0.45 if kind == "drought" else 0.12,
    )
    count = int(rng.choice([1, 2, 3, 4, 5], p=[0.2, 0.3, 0.25, 0.15, 0.1]))
    if kind == "bulk_only":
        count = max(count, 2)
    breed = str(rng.choice(list(BREEDS)))
    first_lambing = float(rng.uniform(275, 320) if kind == "autumn_lambing" else rng.uniform(15, 85))
    flocks = []
    for number in range(count):
        own = str(rng.choice(list(BREEDS))) if rng.random() < 0.3 else breed
        day = first_lambing + rng.normal(0, 16)
        if number and rng.random() < 0.2:  # a flock that lambs out of season
            day += rng.choice([-120, 150])
        flocks.append(_flock(kind, number, own, day % 365, rng))
    labs, reference = _labs(kind, rng)
    usual_c = float(np.round(rng.normal(43.6, 1.0) * 2) / 2)
    culture = CulturePlan(
        usual_c=usual_c,
        usual_dose=float(rng.choice([20.0, 25.0, 25.0, 30.0])),
        usual_min=180.0,
        vigour=float(rng.normal(0, 0.14)),
        renew_days=float(rng.uniform(35, 120)),
        step_chance=float(rng.uniform(1 / 90, 1 / 40)),
        step_size=float(rng.uniform(0.05, 0.14)),
        decline=float(rng.uniform(0.0003, 0.002)),
        best_c=float(rng.normal(43.5, 0.9)),
        worst_c=float(rng.normal(51.5, 0.8)),
        gel_ph=float(rng.normal(5.28, 0.08)),
        batch_sd=float(rng.uniform(0.03, 0.08)),
        warmth_sd=float(rng.uniform(0.2, 0.6)),
        age_habit=float(rng.uniform(2.5, 6.5)),
        vats_a_week=int(rng.integers(2, 6)),
        looks=int(rng.integers(2, 5)),
        check_share=float(rng.uniform(0.5, 0.95)),
        ph_share=float(rng.choice([0.0, 0.1, 0.3])),
        phage=float(rng.uniform(0.0003, 0.002)),
    )
    pots = PotPlan(
        loss=float(np.clip(rng.normal(0.04, 0.018), 0.008, 0.10)),
        full_kg=0.0,
        lid_share=float(rng.choice([0.0, 0.1, 0.9])),
        saturates=float(rng.normal(0.655, 0.02)),
        salt=float(np.clip(rng.normal(0.13, 0.02), 0.08, 0.2)),
        calcium=float(rng.normal(190, 12)),
        acid=float(rng.normal(1.0, 0.10)),
        galactose_kept=float(rng.uniform(0.90, 0.99)),
        months_between=float(rng.uniform(1.5, 3.5)),
        # Order of pots.NUTRIENTS; between-lab spreads of fat 0.10-0.20, sugars 0.10-0.15 g (trade memory).
        lab_bias=rng.standard_normal(9) * np.array([0.08, 0.08, 0.1, 0.1, 0.045, 0.006, 4.0, 0.04, 0.1]),
        by_difference=bool(rng.random() < 0.3),
    )
    return Plan(
        kind=kind,
        name=f"Invented dairy of the kind {kind}",
        climate=climate,
        flocks=tuple(flocks),
        words=_words(rng),
        labs=labs,
        reference_lab=reference,
        culture=culture,
        pots=pots,
        season_size=np.array([0.034, 0.022, -0.008]) * rng.lognormal(0, 0.5, 3),
        tests_a_month=int(rng.integers(1, 5)),
        bulk_tests_a_month=int(rng.integers(1, 5)) if kind == "bulk_only" else int(rng.integers(0, 4)),
        measures_lactose=bool(rng.random() < 0.85),
        says_reported=bool(rng.random() < 0.7),
        diary=kind != "no_diary",
        milk_known=bool(rng.random() < 0.5),
        weather=bool(rng.random() < 0.85),
        common_share=float(rng.uniform(0.4, 0.75)),
        # Some dairies are steadier than others.
        calm=float(rng.uniform(0.5, 1.2)),
    )
