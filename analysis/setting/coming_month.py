"""The coming month: when a vat will set, and which settings bring the time back to the usual."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.records.dairy import SAFE_INCUBATOR_C, SAFE_STARTER_G_KG
from analysis.records.months import add_months, days_of
from analysis.setting.failed_pots import FailedPots
from analysis.setting.set_time import COEFFICIENTS, REFERENCE_DOSE_G_KG, SetTime, design
from analysis.setting.vats import PROTEIN_HERE, Vats

Array = NDArray[np.float64]

NEAR_MIN = 5.0  # nearer to the usual than this nothing needs changing: less than the gap between two looks
_STEP_C, _STEP_DOSE = 1.0, 1.25  # one step beyond what was tried, as far as advice goes without a trial vat
_HABIT_VATS = 60  # newest vats that say what starter and milk ages the maker works with


@dataclass(frozen=True)
class ComingMonth:
    """Joint draws of one vat on a random milk day of the month after the one under review, at the usual settings.

    Attributes
    ----------
    month
        ``YYYY-MM``.
    base
        Log minutes without vat noise, without warmth and dose, shape ``(draws,)``.
    set_time
        The posterior behind it.
    to_target
        Log of (minutes to the target pH / minutes to set), ``(draws,)``, or None.
    usual_c, usual_g_kg, usual_min
        The practice that advice is given against.
    range_c, range_g_kg
        The maker's limits within the safe bounds.
    tried_c, tried_g_kg
        Lowest and highest tried, the usual included.
    has_milk
        Whether any draw has milk in that month.
    """

    month: str
    base: Array
    set_time: SetTime
    to_target: Array | None
    usual_c: float
    usual_g_kg: float
    usual_min: float
    range_c: tuple[float, float]
    range_g_kg: tuple[float, float]
    tried_c: tuple[float, float]
    tried_g_kg: tuple[float, float]
    has_milk: bool

    def log_mean(self, warmth_c: Array, dose_g_kg: Array) -> Array:
        """Return log minutes without vat noise, ``(draws, settings)``, for settings of shape ``(settings,)``."""
        dose = self.set_time.beta[:, [COEFFICIENTS.index("starter_g_kg")]]
        return np.asarray(
            self.base[:, None]
            + self.set_time.hyper.slowness(warmth_c)
            + dose * np.log2(np.asarray(dose_g_kg) / REFERENCE_DOSE_G_KG)
        )

    def window(self, warmth_c: Array, dose_g_kg: Array) -> Array:
        """Return minutes at the 10, 50 and 95 % points for one vat, ``(3, settings)``."""
        return self.set_time.window(self.log_mean(warmth_c, dose_g_kg))

    def target_window(self, warmth_c: Array, dose_g_kg: Array) -> Array | None:
        """Return minutes at which the target pH is reached, ``(3, settings)``, or None without pH readings."""
        if self.to_target is None:
            return None
        later = self.log_mean(warmth_c, dose_g_kg) + self.to_target[:, None]
        return self.set_time.window(later)

    def is_trial(self, warmth_c: float, dose_g_kg: float) -> bool:
        """Whether settings lie more than one step (1 C, x 1.25) outside what this dairy has tried."""
        low_c, high_c = self.tried_c
        low_d, high_d = self.tried_g_kg
        return not (
            low_c - _STEP_C - 1e-9 <= warmth_c <= high_c + _STEP_C + 1e-9
            and low_d / _STEP_DOSE - 1e-9 <= dose_g_kg <= high_d * _STEP_DOSE + 1e-9
        )

    def past_best(self) -> float:
        """Return the probability that the usual warmth is more than half a degree past the best."""
        return float(np.mean(self.set_time.hyper.best_c < self.usual_c - 0.5))


def _habits(vats: Vats, count: int, rng: np.random.Generator) -> pd.DataFrame:
    """Starter age, milk age, heat and hold of `count` vats as this maker makes them, drawn from the newest vats."""
    names = ["starter_age_d", "milk_age_h", "heat_c", "hold_min"]
    newest = vats.rows[names].tail(_HABIT_VATS)
    if newest.empty:
        newest = pd.DataFrame({name: [vats.usual[name]] for name in names})
    return newest.iloc[rng.integers(0, len(newest), count)].reset_index(drop=True)


def _day_and_protein(milk: Any, month: str, rng: np.random.Generator) -> tuple[pd.DatetimeIndex, Array, bool]:
    """Draw a random milk day of the month for each draw of the milk, and take the bulk milk's protein on it."""
    days = days_of(month)
    draws = milk.draws["milk"].sizes["draw"]
    coming = milk.draws["milk"].sel(source="bulk", component="protein_g_100g")
    inside = np.isin(coming["day"].to_numpy().astype("datetime64[D]"), days.to_numpy().astype("datetime64[D]"))
    protein = coming.transpose("draw", "day").to_numpy()[:, inside]
    day = pd.DatetimeIndex(coming["day"].to_numpy()[inside])
    has = ~np.isnan(protein)
    if protein.shape[1] == 0 or not has.any():
        return pd.DatetimeIndex(np.repeat(days[len(days) // 2].to_datetime64(), draws)), np.full(draws, np.nan), False
    # A draw without milk that month borrows the draw before it that has some: it is about a vat, so there is milk.
    owner = np.arange(draws)
    with_milk = np.flatnonzero(has.any(axis=1))
    owner = with_milk[np.searchsorted(with_milk, owner, side="right") - 1]
    score = np.where(has[owner], rng.random((draws, protein.shape[1])), -1.0)
    pick = score.argmax(axis=1)
    return day[pick], protein[owner, pick], True


def coming_month(
    season: Any, milk: Any, vats: Vats, set_time: SetTime, rng: np.random.Generator, ahead: int = 1
) -> ComingMonth:
    """Carry the culture and the milk forward to a month.

    Parameters
    ----------
    season, milk
        Season and MilkFit; the draws of the milk and of the set time are used pairwise.
    vats, set_time
        What was fitted.
    rng
        Seeded generator.
    ahead
        Months after the one under review.

    Returns
    -------
    ComingMonth
    """
    month = add_months(season.month, ahead)
    day, protein, has_milk = _day_and_protein(milk, month, rng)
    fitted = len(set_time.beta)
    pair = np.arange(fitted) % len(day)
    day, protein = day[pair], protein[pair]
    known = vats.rows["protein"].tail(_HABIT_VATS)
    stand_in = float(known.mean()) if len(known) else PROTEIN_HERE[0]
    protein = np.where(np.isnan(protein), stand_in, protein)
    habits = _habits(vats, fitted, rng)
    centre = pd.Timestamp(day.to_numpy().astype("datetime64[D]").astype(np.int64).mean().round(), unit="D")
    culture = set_time.culture_at(centre, rng)
    rows = habits.assign(starter_g_kg=REFERENCE_DOSE_G_KG, protein=protein, line_days=0.0)
    base = np.einsum("dj,dj->d", set_time.beta, design(rows)) + culture
    usual = season.dairy.usual
    limits = season.dairy.limits
    return ComingMonth(
        month=month,
        base=base,
        set_time=set_time,
        to_target=set_time.to_target(float(limits.target_ph), rng),
        usual_c=float(usual.incubator_c),
        usual_g_kg=float(usual.starter_g_kg),
        usual_min=float(usual.set_min),
        range_c=_inside(limits.incubator_c, SAFE_INCUBATOR_C),
        range_g_kg=_inside(limits.starter_g_kg, SAFE_STARTER_G_KG),
        tried_c=_with(vats.tried_c, float(usual.incubator_c)),
        tried_g_kg=_with(vats.tried_g_kg, float(usual.starter_g_kg)),
        has_milk=has_milk,
    )


def _inside(limits: tuple[float, float], safe: tuple[float, float]) -> tuple[float, float]:
    return max(float(limits[0]), safe[0]), min(float(limits[1]), safe[1])


def _with(tried: tuple[float, float] | None, usual: float) -> tuple[float, float]:
    return (usual, usual) if tried is None else (min(tried[0], usual), max(tried[1], usual))


def _candidates(coming: ComingMonth) -> tuple[Array, Array]:
    """Warmths in half degrees and doses in whole grams that advice may name; the usual ones are not among them."""
    low_c, high_c = coming.range_c
    low_d, high_d = coming.range_g_kg
    warmth = np.arange(np.ceil(low_c * 2.0), np.floor(high_c * 2.0) + 1.0) / 2.0
    dose = np.arange(np.ceil(low_d), np.floor(high_d) + 1.0)
    return warmth[np.abs(warmth - coming.usual_c) > 0.05], dose[np.abs(dose / coming.usual_g_kg - 1.0) > 0.02]


def _best_of(coming: ComingMonth, warmth: Array, dose: Array) -> tuple[float, float] | None:
    """Return the settings that bring the median nearest to the usual time, small changes preferred."""
    if len(warmth) == 0:
        return None
    now = float(np.exp(np.median(coming.log_mean(np.array([coming.usual_c]), np.array([coming.usual_g_kg])))))
    # Each part of the change must help by itself, and nothing is slowed by heating past the best warmth: that only
    # coarsens the gel (Lee & Lucey 2004, J. Dairy Sci. 87:3153: more whey at 46 than at 40 C).
    wanted = np.sign(coming.usual_min - now)
    warm_alone = np.median(coming.log_mean(warmth, np.full(len(warmth), coming.usual_g_kg)), axis=0) - np.log(now)
    helps = ((np.sign(warm_alone) == wanted) | (warmth == coming.usual_c)) & ~((wanted > 0) & (warmth > coming.usual_c))
    helps &= (np.sign(coming.usual_g_kg - dose) == wanted) | (dose == coming.usual_g_kg)
    warmth, dose = warmth[helps], dose[helps]
    if len(warmth) == 0:
        return None
    middle = np.exp(np.median(coming.log_mean(warmth, dose), axis=0))
    off = np.abs(middle - coming.usual_min)
    # A minute of the usual time is worth a tenth of a step: of two settings as good, the smaller change (and, through
    # the absolute value on either side of the optimum, the one nearer to the usual warmth) wins.
    change = np.abs(warmth - coming.usual_c) / _STEP_C + np.abs(np.log(dose / coming.usual_g_kg)) / np.log(_STEP_DOSE)
    trial = np.array([coming.is_trial(c, d) for c, d in zip(warmth, dose, strict=True)])
    score = off + 0.5 * change
    inside = np.flatnonzero(~trial)
    best_inside = inside[np.argmin(score[inside])] if len(inside) else None
    best = int(np.argmin(score + 1.0 * trial))
    # Beyond what was tried only where it brings the time clearly nearer.
    if best_inside is not None and (off[best_inside] <= NEAR_MIN or off[best] > off[best_inside] - 3.0):
        best = int(best_inside)
    return (float(warmth[best]), float(dose[best])) if off[best] < abs(now - coming.usual_min) - 2.0 else None


def advise(coming: ComingMonth, failed: FailedPots) -> list[dict[str, Any]]:
    """Return the ``set_time`` rows: the usual settings, then those that bring the time back to the usual.

    Parameters
    ----------
    coming
        Draws for the month.
    failed
        The failed-pots model, for the risk beside each setting.

    Returns
    -------
    list of dict
        Keys of the contract, and ``what``, ``trial_vat_first``, ``failed_share``.
    """
    chosen = [("usual", coming.usual_c, coming.usual_g_kg)]
    start = float(coming.window(np.array([coming.usual_c]), np.array([coming.usual_g_kg]))[1, 0])
    if abs(start - coming.usual_min) >= NEAR_MIN:
        warmth, dose = _candidates(coming)
        pairs = np.array([(c, d) for c in warmth for d in dose]).reshape(-1, 2)
        tries = {
            "incubator": (warmth, np.full(len(warmth), coming.usual_g_kg)),
            "starter": (np.full(len(dose), coming.usual_c), dose),
            "incubator and starter": (pairs[:, 0], pairs[:, 1]),
        }
        for what, (c, d) in tries.items():
            found = _best_of(coming, c, d)
            if found is not None:
                chosen.append((what, *found))
    c = np.array([row[1] for row in chosen])
    d = np.array([row[2] for row in chosen])
    window = coming.window(c, d)
    target = coming.target_window(c, d)
    share = failed.share(_settings(failed, c, d))[0]
    out = []
    for i, (what, warmth_c, dose_g_kg) in enumerate(chosen):
        first, expected, latest = (float(round(v)) for v in window[:, i])
        row: dict[str, Any] = {
            "month": coming.month,
            "incubator_c": warmth_c,
            "starter_g_kg": dose_g_kg,
            "first_check_min": first,
            "expected_min": expected,
            "latest_min": latest,
            "change_vs_usual_min": expected - coming.usual_min,
            "what": what,
            "trial_vat_first": what != "usual" and coming.is_trial(warmth_c, dose_g_kg),
            "failed_share": float(share[i]),
        }
        for j, name in enumerate(("first", "expected", "latest")):
            row[f"target_ph_{name}_min"] = None if target is None else float(round(target[j, i]))
        out.append(row)
    return out


def _settings(failed: FailedPots, warmth_c: Array, dose_g_kg: Array) -> pd.DataFrame:
    rows = pd.DataFrame({name: np.full(len(warmth_c), value) for name, value in failed.usual.items()})
    return rows.assign(incubator_c=warmth_c, starter_g_kg=dose_g_kg)


def settings_grid(coming: ComingMonth, failed: FailedPots) -> pd.DataFrame:
    """Return the table of settings for the wall: incubator by starter, with the window and the failed share.

    Columns ``incubator_c, starter_g_kg, first_check_min, expected_min, latest_min, change_vs_usual_min, failed_share,
    usual, trial_vat_first``.
    """
    low_c, high_c = coming.range_c
    low_d, high_d = coming.range_g_kg
    warmth, dose = np.array([coming.usual_c]), np.array([coming.usual_g_kg])
    if low_c <= high_c:
        warmth = np.unique(np.r_[np.arange(np.ceil(low_c), np.floor(high_c) + 1.0), np.clip(warmth, low_c, high_c)])
    if low_d <= high_d:
        steps = np.clip(np.round(coming.usual_g_kg * 1.25 ** np.arange(-4, 5)), low_d, high_d)
        dose = np.unique(np.r_[steps, np.clip(dose, low_d, high_d)])
    c, d = (part.ravel() for part in np.meshgrid(warmth, dose, indexing="ij"))
    window = np.round(coming.window(c, d))
    return pd.DataFrame(
        {
            "incubator_c": c,
            "starter_g_kg": d,
            "first_check_min": window[0],
            "expected_min": window[1],
            "latest_min": window[2],
            "change_vs_usual_min": window[1] - coming.usual_min,
            "failed_share": failed.share(_settings(failed, c, d))[0],
            "usual": (c == coming.usual_c) & (d == coming.usual_g_kg),
            "trial_vat_first": [coming.is_trial(one_c, one_d) for one_c, one_d in zip(c, d, strict=True)],
        }
    )


def _interval(drawn: Array) -> tuple[float, float, float]:
    return float(np.median(drawn)), float(np.quantile(drawn, 0.05)), float(np.quantile(drawn, 0.95))


def what_changes_are_worth(coming: ComingMonth, prior: ComingMonth | None) -> pd.DataFrame:
    """Return what each driver does to the set time here, in % and in minutes at the usual settings.

    Parameters
    ----------
    coming
        Draws from the posterior.
    prior
        The same from the prior alone; the share that comes from own records is 1 - posterior variance / prior
        variance. None: no vat told anything, the share is 0.

    Returns
    -------
    DataFrame
        ``driver, change, effect, lo90, hi90, unit, minutes, minutes_lo90, minutes_hi90, from_records``.
    """
    middle = float(np.exp(np.median(coming.log_mean(np.array([coming.usual_c]), np.array([coming.usual_g_kg])))))
    here, before = _effects(coming), None if prior is None else _effects(prior)
    words = {
        "incubator_c": ("+1 C", "% per C"),
        "starter_g_kg": ("starter doubled", "% per doubling"),
        "starter_age_d": ("starter a day older", "% per day"),
        "milk_age_h": ("milk a day older", "% per 24 h"),
        "protein_g_100g": ("+1 g/100 g protein", "% per g/100 g"),
        "heat_c": ("a tenth more of the whey protein left native", "% per tenth native"),
        "hold_min": ("hold doubled", "% per doubling"),
        "line_days": ("30 days more since the starter was new", "% per 30 d"),
    }
    out = []
    for driver, (change, unit) in words.items():
        mid, low, high = _interval(here[driver])
        own = 0.0 if before is None else float(np.clip(1.0 - here[driver].var() / before[driver].var(), 0.0, 1.0))
        share = [100.0 * np.expm1(value) for value in (mid, low, high)]
        minutes = [middle * np.expm1(value) for value in (mid, low, high)]
        out.append((driver, change, *share, unit, *minutes, own))
    columns = [
        "driver",
        "change",
        "effect",
        "lo90",
        "hi90",
        "unit",
        "minutes",
        "minutes_lo90",
        "minutes_hi90",
        "from_records",
    ]
    return pd.DataFrame(out, columns=columns)


def _effects(coming: ComingMonth) -> dict[str, Array]:
    """Log effect of one unit of each driver, draws; warmth is one degree up from the usual."""
    beta = {name: coming.set_time.beta[:, j] for j, name in enumerate(COEFFICIENTS)}
    warm = coming.set_time.hyper.slowness(np.array([coming.usual_c, coming.usual_c + 1.0]))
    return {
        "incubator_c": warm[:, 1] - warm[:, 0],
        **{
            name: beta[name]
            for name in ("starter_g_kg", "starter_age_d", "milk_age_h", "protein_g_100g", "hold_min", "line_days")
        },
        "heat_c": 0.1 * beta["heat_c"],
    }
