"""The columns of the milk season model: what each flock's milk of a day is expected to depend on.

A feature belongs to a *part* (what the swing is split into), has a prior mean and sd for fat, protein and lactose, and is
computed for a flock and a day. Bulk milk is the mixture of the flocks by weight, so its features are the weighted features.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.milk import priors
from analysis.milk.calendar import Calendar, FlockDays
from analysis.records.season import Season

Array = NDArray[np.float64]

PARTS = ("level", "flock", "lactation", "season", "forage", "weather", "year", "flock_year", "bulk", "lab")
# Which parts share a multiplier of their prior sd: the multipliers are learnt, so that a dairy whose years differ more
# than the published ones gets wider years.
MULTIPLIERS = ("lactation", "lactation of a flock", "season", "forage", "year", "flock_year")
MULTIPLIER_LOG_SD = np.full(len(MULTIPLIERS), 0.5)
LACTATION_KNOTS = np.array([5.0, 20.0, 40.0, 65.0, 95.0, 130.0, 165.0, 200.0, 240.0, 300.0])
LACTATION_SMOOTH_DAYS = 45.0


@dataclass(frozen=True)
class Features:
    """Names, parts and priors of the columns.

    Attributes
    ----------
    names, parts : tuple of str, length q
    multiplier_of : int array, shape (q,)
    mean, sd : array, shape (q, 3)
    forages : tuple of str
    n_years : int
        Production years with a column, the coming ones included.
    year_starts : array
        First day (from the start of the calendar) of each production year.
    lactations : tuple of int
        Columns of lactations of each flock, the coming ones included.
    labs : tuple of (str, str)
        Laboratory and method that differ from the reference by an amount to be learnt.
    weather : _Weather
    """

    names: tuple[str, ...]
    parts: tuple[str, ...]
    multiplier_of: NDArray[np.int64]
    mean: Array
    sd: Array
    forages: tuple[str, ...]
    year_starts: Array
    lactations: tuple[int, ...]
    labs: tuple[tuple[str, str], ...]
    weather: "Weather"
    latitude: float | None

    def columns(self, part: str) -> NDArray[np.int64]:
        """Return the column numbers of a part."""
        return np.flatnonzero(np.array(self.parts) == part)


@dataclass(frozen=True)
class Weather:
    """Weather of the past as three covariates a day, and what is usual by day of year.

    Attributes
    ----------
    past : array, shape (n_past, 3)
        Degrees of the last three days above 22 C; dryness of 60 days; warmth of 30 days (both in sd of the usual).
    by_year : array, shape (n_years, 366, 3)
        The same of each recorded year by day of year, to draw the coming year from.
    known : bool
    """

    past: Array
    by_year: Array
    known: bool

    def ahead(self, days: pd.DatetimeIndex, rng: np.random.Generator) -> Array:
        """Return covariates of a coming year: those of a recorded year drawn at random, shape (n, 3)."""
        if not len(self.by_year):
            return np.zeros((len(days), 3))
        chosen = self.by_year[rng.integers(len(self.by_year))][days.day_of_year - 1]
        # Dryness and warmth of the next weeks still remember the weather of the last ones.
        memory = np.exp(-np.arange(1, len(days) + 1) / 30.0)[:, None]
        out = chosen.copy()
        out[:, 1:] = chosen[:, 1:] * (1.0 - memory) + self.past[-1, 1:] * memory
        return np.asarray(out)


def make_weather(season: Season, calendar: Calendar) -> Weather:
    """Turn weather.csv into covariates; days without a record are taken as usual."""
    table = season.tables["weather"].drop_duplicates("date", keep="last").set_index("date")
    days = calendar.past_days()
    table = table.reindex(days)
    mean, rain = table["t_mean_c"], table["rain_mm"]
    if mean.notna().sum() < 30 and rain.notna().sum() < 30:
        return Weather(np.zeros((len(days), 3)), np.zeros((0, 366, 3)), known=False)
    of_year = np.minimum(np.asarray(days.day_of_year, float), 365.0)
    heat = (mean.rolling(3, min_periods=1).mean() - priors.HEAT_ABOVE_C).clip(lower=0).fillna(0.0)
    dry = -_against_usual(rain.rolling(60, min_periods=30).mean(), of_year)
    warm = _against_usual(mean.rolling(30, min_periods=15).mean(), of_year)
    past = np.stack([np.asarray(heat, float), dry, warm], axis=1)
    by_year = []
    seen = np.asarray(mean.notna() | rain.notna())
    for end in range(len(days) - 1, 364, -365):
        block = slice(end - 364, end + 1)
        if seen[block].mean() > 0.8:
            year = np.zeros((366, 3))
            year[days.day_of_year[block] - 1] = past[block]
            year[365] = year[364]
            by_year.append(year)
    return Weather(past, np.array(by_year).reshape(-1, 366, 3), known=True)


def _against_usual(values: "pd.Series[float]", of_year: Array) -> Array:
    """Departure from the smooth usual of the time of year in units of its spread; 0 where not known."""
    angle = 2 * np.pi * of_year / 365.25
    basis = np.stack([np.ones_like(angle), np.sin(angle), np.cos(angle)], axis=1)
    y = np.asarray(values, float)
    known = np.isfinite(y)
    if known.sum() < 60:
        return np.zeros(len(y))
    # Less than a year of weather cannot tell the usual from the odd: one harmonic held back by a ridge.
    ridge = np.diag([0.0, 1.0, 1.0]) * (40.0 if known.sum() < 400 else 1.0)
    coef = np.linalg.solve(basis[known].T @ basis[known] + ridge, basis[known].T @ y[known])
    left = y - basis @ coef
    spread = np.std(left[known])
    return np.where(known, np.clip(left / max(spread, 1e-9), -3, 3), 0.0)


def make_features(season: Season, calendar: Calendar) -> Features:
    """Decide on the columns for one season.

    Returns
    -------
    Features
    """
    with_diary = any(calendar.known_diary)
    forages = tuple(sorted({str(word) for flock in calendar.past for word in np.unique(flock.forage) if word}))
    weather = make_weather(season, calendar)
    year_starts = _production_years(calendar)
    lactations = tuple(
        len(h.lambings) + 3 if known else len(year_starts)
        for h, known in zip(calendar.habits, calendar.known_diary, strict=True)
    )
    labs = differing_labs(season)
    latitude = season.dairy.latitude
    rows: list[tuple[str, str, Array, Array]] = [("level", "level", priors.LEVEL, priors.LEVEL_SD)]
    none = np.zeros(3)
    rows += [(f"flock {f}", "flock", none, priors.FLOCK_SD) for f in calendar.flocks]
    if with_diary:
        rows.append(("lactation slope", "lactation", none, priors.LACTATION_SLOPE_SD))
        rows += [(f"lactation shape {k}", "lactation", none, priors.LACTATION_SHAPE_SD) for k in range(_N_SHAPES)]
        if len(calendar.flocks) > 1:
            for f in calendar.flocks:
                rows.append((f"lactation slope {f}", "lactation", none, priors.FLOCK_SLOPE_SD))
                rows += [(f"lactation shape {k} {f}", "lactation", none, priors.FLOCK_SHAPE_SD) for k in range(_N_OWN)]
    rows += _season_rows(with_diary, latitude)
    rows += [(f"forage {word}", "forage", none, priors.FORAGE_SD) for word in forages]
    rows.append(("supplement", "forage", priors.SUPPLEMENT_MEAN, priors.SUPPLEMENT_SD))
    if weather.known:
        rows.append(("heat", "weather", priors.HEAT_MEAN, priors.HEAT_SD))
        rows.append(("dryness", "weather", none, priors.DRYNESS_SD))
        rows.append(("warmth", "weather", none, priors.WARMTH_SD))
    rows += [(f"year {k}", "year", none, priors.YEAR_SD) for k in range(len(year_starts))]
    for flock, count in zip(calendar.flocks, lactations, strict=True):
        rows += [(f"{flock} lactation {k}", "flock_year", none, priors.FLOCK_YEAR_SD) for k in range(count)]
    rows.append(("bulk", "bulk", none, priors.BULK_SD))
    rows += [(f"lab {lab} {method}", "lab", none, priors.LAB_SD) for lab, method in labs]
    own = tuple(f" {f}" for f in calendar.flocks)
    return Features(
        names=tuple(r[0] for r in rows),
        parts=tuple(r[1] for r in rows),
        multiplier_of=np.array([_multiplier(part, of_flock=name.endswith(own)) for name, part, _, _ in rows]),
        mean=np.array([r[2] for r in rows]),
        sd=np.array([r[3] for r in rows]),
        forages=forages,
        year_starts=year_starts,
        lactations=lactations,
        labs=labs,
        weather=weather,
        latitude=latitude,
    )


def _multiplier(part: str, *, of_flock: bool) -> int:
    """Return which multiplier scales a column, -1 for none."""
    name = "lactation of a flock" if part == "lactation" and of_flock else part
    return MULTIPLIERS.index(name) if name in MULTIPLIERS else -1


def _season_rows(with_diary: bool, latitude: float | None) -> list[tuple[str, str, Array, Array]]:
    """Harmonics of the year, cosine counted from mid January; the prior mean is rich in the hemisphere's winter."""
    sd = priors.SEASON_SD if with_diary else priors.SEASON_SD_NO_DIARY
    # Seasons fade towards the equator; without a latitude the phase is learnt.
    strength = 0.0 if latitude is None else float(np.clip(latitude / 25.0, -1.0, 1.0))
    mean = priors.SEASON_MEAN * strength * (1.0 if with_diary else 0.5)
    rows = []
    for k, fade in enumerate(priors.SEASON_DECAY, start=1):
        spread = np.sqrt((sd * fade) ** 2 + ((priors.SEASON_MEAN**2 / 2) if latitude is None and k == 1 else 0.0))
        rows.append((f"season cos {k}", "season", mean if k == 1 else np.zeros(3), spread))
        rows.append((f"season sin {k}", "season", np.zeros(3), spread))
    return rows


def differing_labs(season: Season) -> tuple[tuple[str, str], ...]:
    """Return laboratory and method of all results but the reference, which is taken as right.

    The reference is the dairy's ``reference_lab``; without it the laboratory that uses the reference method; else the one
    with most results.
    """
    tests = season.tables["milk_tests"]
    if not len(tests):
        return ()
    lab = tests["lab"].fillna("").astype(str)
    method = tests["method"].fillna("").astype(str)
    counts = pd.Series(1, index=pd.MultiIndex.from_arrays([lab, method])).groupby(level=[0, 1]).sum()
    pairs = sorted(counts.index, key=lambda pair: (-counts[pair], pair))
    named = [p for p in pairs if season.dairy.reference_lab is not None and p[0] == season.dairy.reference_lab]
    by_method = [p for p in pairs if p[1] == "reference"]
    reference = (named or by_method or pairs)[0]
    return tuple(p for p in pairs if p != reference)


def _production_years(calendar: Calendar) -> Array:
    """First days of production years: they turn at the time of the year with the least milk."""
    milk = np.sum([flock.kg for flock in calendar.past], axis=0)
    days = calendar.past_days()
    total = np.bincount(days.day_of_year - 1, weights=milk, minlength=366)
    count = np.bincount(days.day_of_year - 1, minlength=366)
    usual = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    if np.isnan(usual).all() or not milk.any():
        turn = 0
    else:
        filled = np.where(np.isnan(usual), np.nanmean(usual), usual)
        around = np.convolve(np.concatenate([filled[-30:], filled, filled[:30]]), np.ones(61) / 61, "valid")
        turn = int(np.argmin(np.round(around, 6)))
    last = calendar.n_past + calendar.n_ahead
    first_day = calendar.start.day_of_year - 1
    offset = (turn - first_day) % 365
    starts = np.arange(offset - 365, last, 365.25)
    return np.asarray(starts[np.append(starts[1:] > 0, True)])


_SHAPE_COV = np.exp(-0.5 * ((LACTATION_KNOTS[:, None] - LACTATION_KNOTS) / LACTATION_SMOOTH_DAYS) ** 2)


def _shape_basis() -> Array:
    """Smooth departures from the published curve as independent unit-variance features: leading eigenvectors at the knots."""
    values, vectors = np.linalg.eigh(_SHAPE_COV)
    keep = np.argsort(values)[::-1][:5]
    basis = vectors[:, keep] * np.sqrt(values[keep])
    return np.asarray(basis * np.sign(basis[np.argmax(np.abs(basis), axis=0), np.arange(basis.shape[1])]))


_SHAPES = _shape_basis()
_N_SHAPES = _SHAPES.shape[1]
# Of these a flock has the first few of its own.
_N_OWN = 3


def lactation_features(days_in_milk: Array) -> Array:
    """Slope per 30 days and the smooth shapes, shape (n, 1 + 5); zero where the day of lactation is not known."""
    known = np.isfinite(days_in_milk)
    t = np.clip(np.where(known, days_in_milk, priors.REFERENCE_DAY), 4.0, 300.0)
    slope = (t - priors.REFERENCE_DAY) / priors.SLOPE_PER_DAYS
    shapes = np.stack([np.interp(t, LACTATION_KNOTS, column) for column in _SHAPES.T], axis=1)
    return np.where(known[:, None], np.concatenate([slope[:, None], shapes], axis=1), 0.0)


def season_features(days: pd.DatetimeIndex) -> Array:
    """Cosines and sines of three harmonics of the year from mid January, shape (n, 6)."""
    angle = 2 * np.pi * (np.asarray(days.day_of_year, float) - priors.SEASON_PEAK_DAY_NORTH) / 365.25
    return np.stack([f(k * angle) for k in (1, 2, 3) for f in (np.cos, np.sin)], axis=1)


def flock_features(
    features: Features,
    calendar: Calendar,
    index: int,
    flock: FlockDays,
    first_day: int,
    weather: Array,
    carried: Array | None = None,
) -> tuple[Array, Array]:
    """Columns and known mean of one flock over consecutive days.

    Parameters
    ----------
    features, calendar
    index
        Which flock.
    flock
        Its days.
    first_day
        Number of the first of these days from the start of the calendar.
    weather : array, shape (n, 3)
    carried : array, shape (number of forages,), optional
        How far each forage shows on the day before the first one.

    Returns
    -------
    columns : array, shape (n, q)
    mean : array, shape (n, 3)
        What does not depend on a coefficient: the published lactation curve.
    """
    n = len(flock.milking)
    days = pd.date_range(calendar.start + pd.Timedelta(days=first_day), periods=n)
    out = np.zeros((n, len(features.names)))
    out[:, 0] = 1.0
    at = {name: i for i, name in enumerate(features.names)}
    out[:, at[f"flock {calendar.flocks[index]}"]] = 1.0
    mean = np.zeros((n, 3))
    if "lactation slope" in at:
        lactation = lactation_features(flock.days_in_milk)
        first = at["lactation slope"]
        out[:, first : first + 1 + _N_SHAPES] = lactation
        first_own = at.get(f"lactation slope {calendar.flocks[index]}")
        if first_own is not None:
            out[:, first_own : first_own + 1 + _N_OWN] = lactation[:, : 1 + _N_OWN]
        known = np.isfinite(flock.days_in_milk)
        mean[known] = priors.lactation_mean(flock.days_in_milk[known])
    first = at["season cos 1"]
    out[:, first : first + 6] = season_features(days)
    if features.forages:
        first = at[f"forage {features.forages[0]}"]
        out[:, first : first + len(features.forages)] = forage_shown(flock.forage, features.forages, carried)
    out[:, at["supplement"]] = np.nan_to_num(flock.supplement, nan=0.0)
    if features.weather.known:
        out[:, at["heat"] : at["heat"] + 3] = weather
    number = np.arange(first_day, first_day + n)
    year = np.clip(np.searchsorted(features.year_starts, number, side="right") - 1, 0, len(features.year_starts) - 1)
    out[np.arange(n), at["year 0"] + year] = 1.0
    first = at[f"{calendar.flocks[index]} lactation 0"]
    own = flock.lactation if calendar.known_diary[index] else year
    has = own >= 0
    out[np.flatnonzero(has), first + np.minimum(own[has], features.lactations[index] - 1)] = 1.0
    return out, mean


def forage_shown(words: Sequence[str] | NDArray[np.object_], forages: Sequence[str], carried: Array | None) -> Array:
    """How far each forage shows in the milk: a change comes in exponentially over some days.

    Returns
    -------
    array, shape (n, number of forages)
        Between 0 and 1.
    """
    words = np.asarray(words, object)
    target = np.stack([(words == forage).astype(float) for forage in forages], axis=1)
    keep = np.exp(-1.0 / priors.FORAGE_DAYS)
    out = np.empty_like(target)
    state = target[0] if carried is None else carried
    for i in range(len(words)):
        state = keep * state + (1.0 - keep) * target[i]
        out[i] = state
    return out
