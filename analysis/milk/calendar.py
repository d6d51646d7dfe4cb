"""What each flock was doing on each day, and what it is expected to do in the coming year.

The diary gives the past. The future repeats it a year later: lambing, drying off, forage and numbers are carried over from the
same time of earlier years, with the uncertainty of their dates; rows of the diary that were written ahead (plans) are taken
as they stand. Nothing here looks at a lab result but the days on which milk was sampled.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.milk.priors import COLOSTRUM_DAYS, LACTATION_DAYS, LACTATION_DAYS_SD, relative_yield
from analysis.records.season import Season

Array = NDArray[np.float64]
YEAR = 365
# How far dates of one year differ from those of the next where the records do not show it (judgement).
LAMBING_SD_DAYS = 8.0
PLANNED_LAMBING_SD_DAYS = 4.0
FORAGE_SD_DAYS = 9.0
SAMPLED_REACH_DAYS = 24
LONGEST_LACTATION = 340
SAME_LAMBING_DAYS = 45
# The first ewes are milked before the flock's mean lambing day.
EARLY_DAYS = 45
AGAIN_AFTER_DAYS = 270


@dataclass(frozen=True)
class FlockDays:
    """One flock, day by day.

    Attributes
    ----------
    milking : bool array, shape (n,)
    days_in_milk : array, shape (n,)
        Days since the newest lambing; NaN where no lambing date is known.
    lactation : int array, shape (n,)
        Which of the flock's lambings the milk belongs to, counted from 0; -1 where not known.
    forage : object array, shape (n,)
        The diary's word; "" where not known.
    supplement : array, shape (n,)
        kg per ewe and day; NaN where not known.
    kg : array, shape (n,)
        Milk a day, kg or (where only numbers or nothing is known) on a relative scale; 0 where the flock is not milked.
    """

    milking: NDArray[np.bool_]
    days_in_milk: Array
    lactation: NDArray[np.int64]
    forage: NDArray[np.object_]
    supplement: Array
    kg: Array


@dataclass(frozen=True)
class FlockHabits:
    """What is carried from one year to the next.

    Attributes
    ----------
    lambings : tuple of float
        Known lambing days, counted in days from the start of the calendar, ascending.
    planned : frozenset of float
        Those of them that lie ahead and were written down ahead.
    start_after : float
        Days from lambing to the first milk for the vat.
    length, length_sd : float
        Days from lambing to drying off.
    yield_scale : float
        Milk as weighed over what numbers and the curve of an ewe say; 1 where it was not weighed.
    """

    lambings: tuple[float, ...]
    planned: frozenset[float]
    start_after: float
    length: float
    length_sd: float
    yield_scale: float


@dataclass(frozen=True)
class Calendar:
    """All flocks over the past and what is needed to look ahead.

    Attributes
    ----------
    flocks : tuple of str
    start : Timestamp
        Day 0.
    n_past : int
        Days from day 0 to the cut-off day, both included.
    n_ahead : int
        Days from the cut-off day (not included) to the last day of the coming 12 months.
    past : tuple of FlockDays
        Over ``n_past`` days.
    habits : tuple of FlockHabits
    known_diary : tuple of bool
        Whether a flock has diary rows with a lambing date.
    """

    flocks: tuple[str, ...]
    start: pd.Timestamp
    n_past: int
    n_ahead: int
    past: tuple[FlockDays, ...]
    habits: tuple[FlockHabits, ...]
    known_diary: tuple[bool, ...]
    _plans: tuple["_Rows", ...]

    def day_number(self, days: "pd.Series[pd.Timestamp]") -> NDArray[np.int64]:
        """Return whole days from the start of the calendar, shape (n,)."""
        return np.asarray((days - self.start) / pd.Timedelta(days=1)).astype(np.int64)

    def past_days(self) -> pd.DatetimeIndex:
        """Return the days of the past."""
        return pd.date_range(self.start, periods=self.n_past)

    def ahead_days(self) -> pd.DatetimeIndex:
        """Return the days of the coming 12 months."""
        return pd.date_range(self.start + pd.Timedelta(days=self.n_past), periods=self.n_ahead)

    def look_ahead(self, rng: np.random.Generator) -> tuple[FlockDays, ...]:
        """Return one possible coming year, with dates drawn from their uncertainty.

        Returns
        -------
        tuple of FlockDays
            Each over ``n_ahead`` days.
        """
        # Grass and weather move all flocks together; the rest is each flock's own.
        common = rng.normal(0.0, FORAGE_SD_DAYS * 0.7)
        return tuple(
            _ahead(self, index, rng, common + rng.normal(0.0, FORAGE_SD_DAYS * 0.7))
            for index in range(len(self.flocks))
        )


@dataclass(frozen=True)
class _Rows:
    """Diary rows of one flock as arrays; days counted from the start of the calendar, ``end`` NaN while running."""

    start: Array
    end: Array
    forage: NDArray[np.object_]
    supplement: Array
    ewes: Array
    kg: Array
    lambed: Array
    dried: Array


def make_calendar(season: Season, months_ahead: int = 12) -> Calendar:
    """Build the calendar of a season.

    Parameters
    ----------
    season
        Records as of a day.
    months_ahead
        How many months to look ahead.

    Returns
    -------
    Calendar
    """
    flocks = tuple(flock.id for flock in season.dairy.flocks) or ("bulk",)
    diary = season.tables["flock_diary"]
    tests = season.tables["milk_tests"]
    cutoff = pd.Timestamp(season.cutoff)
    batches = season.tables["batches"]
    firsts = [diary["from_date"].min(), tests["sampled_on"].min(), batches["made_on"].min(), diary["lambed_on"].min()]
    firsts.append(season.tables["pot_tests"]["made_on"].min())
    known = [day for day in firsts if pd.notna(day)]
    # A stray date must not make the calendar endless.
    start = max(min([*known, cutoff]), cutoff - pd.Timedelta(days=40 * YEAR)).normalize()
    n_past = int((cutoff - start).days) + 1
    last = (cutoff + pd.Timedelta(days=1)) + pd.DateOffset(months=months_ahead) - pd.Timedelta(days=1)
    n_ahead = int((last - cutoff).days)
    rows = tuple(_diary_rows(diary[diary["flock"] == flock], start) for flock in flocks)
    sampled = _sampled_days(tests, flocks, start, n_past)
    habits = tuple(_habits(r, n_past) for r in rows)
    typical = _typical_start(habits, rows)
    habits = tuple(h if len(h.lambings) else replace(h, start_after=typical) for h in habits)
    past = tuple(_past(r, h, n_past, s) for r, h, s in zip(rows, habits, sampled, strict=True))
    known_diary = tuple(len(h.lambings) > 0 for h in habits)
    return Calendar(flocks, start, n_past, n_ahead, past, habits, known_diary, rows)


def _diary_rows(diary: pd.DataFrame, start: pd.Timestamp) -> _Rows:
    diary = diary.sort_values("from_date")

    def days(column: str) -> Array:
        return np.asarray((diary[column] - start) / pd.Timedelta(days=1), float)

    def numbers(column: str) -> Array:
        return np.asarray(diary[column], float) if column in diary else np.full(len(diary), np.nan)

    return _Rows(
        days("from_date"),
        days("to_date"),
        np.asarray(diary["forage"].fillna("").str.strip().str.lower(), object),
        numbers("supplement_kg_day"),
        numbers("ewes_milked"),
        numbers("milk_kg_day"),
        days("lambed_on"),
        days("dried_on"),
    )


def _sampled_days(tests: pd.DataFrame, flocks: Sequence[str], start: pd.Timestamp, n_past: int) -> list[Array]:
    """Days on which each flock's milk was sampled; a bulk sample counts for all flocks."""
    day = np.asarray((tests["sampled_on"] - start) / pd.Timedelta(days=1), float)
    inside = (day >= 0) & (day < n_past)
    source = np.asarray(tests["source"].fillna("bulk"), object)
    return [np.unique(day[inside & ((source == flock) | (source == "bulk"))]) for flock in flocks]


def _lambings(rows: _Rows) -> Array:
    """Return distinct lambing days; dates less than 45 days apart are one lambing, their median stands.

    Milk written down long after the newest lambing shows that a flock has lambed again, although the diary does not say when.
    """
    written = np.sort(rows.lambed[np.isfinite(rows.lambed)])
    if not len(written):
        return written
    groups = np.split(written, np.flatnonzero(np.diff(written) > SAME_LAMBING_DAYS) + 1)
    days = [float(np.median(group)) for group in groups]
    for start in rows.start[rows.ewes > 0]:
        before = [d for d in days if d <= start]
        near = [d for d in days if -60 <= d - start <= 90]
        if before and not near and start - max(before) > AGAIN_AFTER_DAYS:
            days = sorted([*days, float(start) + 10.0])
    return np.array(days)


def _habits(rows: _Rows, n_past: int) -> FlockHabits:
    days = _lambings(rows)
    planned = frozenset(float(d) for d in days if d >= n_past)
    starts, lengths = [], []
    milked = (rows.ewes > 0) | ((rows.kg > 0) & np.isnan(rows.ewes))
    for i, lambed in enumerate(days):
        until = days[i + 1] - EARLY_DAYS if i + 1 < len(days) else np.inf
        if lambed >= n_past:
            continue
        mine = milked & (rows.start >= lambed - EARLY_DAYS) & (rows.start < until)
        if mine.any():
            starts.append(float(np.clip(rows.start[mine].min() - lambed, -EARLY_DAYS, 70)))
        dried = rows.dried[(rows.dried > lambed) & (rows.dried < until) & (rows.dried < n_past)]
        if len(dried):
            lengths.append(float(dried.min() - lambed))
        elif np.isfinite(until) and mine.any():
            # An end counts only if no milk follows at once: a flock milked through has no end to learn from.
            end = np.nanmax(rows.end[mine], initial=-np.inf)
            follows = rows.start[milked & (rows.start > rows.start[mine].max())]
            if np.isfinite(end) and len(follows) and follows.min() - end > 20:
                lengths.append(float(end - lambed))
    # A normal mean with the published length as its prior: one seen lactation already counts for more than the book.
    weight = 1.0 / LACTATION_DAYS_SD**2
    spread = 10.0
    seen = [x for x in lengths if 60 < x < LONGEST_LACTATION]
    precision = weight + len(seen) / spread**2
    length = (weight * LACTATION_DAYS + sum(seen) / spread**2) / precision
    return FlockHabits(
        tuple(float(d) for d in days),
        planned,
        float(np.median(starts)) if starts else COLOSTRUM_DAYS,
        length,
        float(np.sqrt(1.0 / precision + spread**2)),
        _yield_scale(rows, days),
    )


def _yield_scale(rows: _Rows, lambings: Array) -> float:
    """How much this flock gives against the curve of an ewe times its numbers, where milk was weighed."""
    weighed = (rows.kg > 0) & (rows.ewes > 0)
    if not weighed.any() or not len(lambings):
        return 1.0
    middle = 0.5 * (rows.start + np.where(np.isfinite(rows.end), rows.end, rows.start + 30))[weighed]
    since = middle - lambings[np.clip(np.searchsorted(lambings, middle, side="right") - 1, 0, None)]
    usable = (since > 0) & (since < LONGEST_LACTATION)
    ratio = rows.kg[weighed] / (rows.ewes[weighed] * relative_yield(since))
    return float(np.median(ratio[usable])) if usable.any() else 1.0


def _typical_start(habits: Sequence[FlockHabits], rows: Sequence[_Rows]) -> float:
    known = [h.start_after for h, r in zip(habits, rows, strict=True) if len(h.lambings) and len(r.start)]
    return float(np.median(known)) if known else COLOSTRUM_DAYS


def _since_lambing(n: int, first_day: int, lambings: Array) -> tuple[Array, NDArray[np.int64]]:
    """Days since lambing and its number for days ``first_day … first_day + n - 1``.

    The weeks before a flock's mean lambing day belong to it already (negative days), if the one before is long past.
    """
    day = np.arange(first_day, first_day + n, dtype=float)
    if not len(lambings):
        return np.full(n, np.nan), np.full(n, -1)
    index = np.searchsorted(lambings, day, side="right") - 1
    coming = np.minimum(index + 1, len(lambings) - 1)
    before = np.where(index >= 0, day - lambings[np.clip(index, 0, None)], np.inf)
    early = (lambings[coming] - day <= EARLY_DAYS) & (lambings[coming] > day) & (before > 200)
    index = np.where(early, coming, index)
    since = np.where(index >= 0, day - lambings[np.clip(index, 0, None)], np.nan)
    lost = ~(since <= LONGEST_LACTATION)
    return np.where(lost, np.nan, since), np.where(lost, -1, index).astype(np.int64)


def _past(rows: _Rows, habits: FlockHabits, n: int, sampled: Array) -> FlockDays:
    day = np.arange(n, dtype=float)
    since, lactation = _since_lambing(n, 0, np.array(habits.lambings))
    forage = np.full(n, "", object)
    supplement, ewes, kg = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    covered = np.zeros(n, bool)
    for i in range(len(rows.start)):
        end = rows.end[i] if np.isfinite(rows.end[i]) else _next_start(rows, i, n)
        inside = (day >= rows.start[i]) & (day <= end)
        covered |= inside
        if rows.forage[i]:
            forage[inside] = rows.forage[i]
        for values, column in ((supplement, rows.supplement), (ewes, rows.ewes), (kg, rows.kg)):
            values[inside] = column[i]
    dried = _dried(day, rows, np.array(habits.lambings))
    by_diary = covered & ((ewes > 0) | (kg > 0) | (np.isnan(ewes) & np.isnan(kg) & (since <= habits.length)))
    by_length = ~covered & (since >= habits.start_after) & (since <= habits.length)
    if len(habits.lambings):
        milking = (by_diary | by_length) & ~dried
    elif covered.any():
        milking = by_diary | (~covered & _near(day, sampled))
    else:
        milking = _near(day, sampled)
    near = _near(day, sampled, reach=3)
    milking = milking | (near & ~dried)
    return FlockDays(
        milking, since, lactation, forage, supplement, _kilos(kg, ewes, since, milking, habits.yield_scale)
    )


def _next_start(rows: _Rows, i: int, n: int) -> float:
    """Return where a running row ends: where the flock's next row starts."""
    later = rows.start[rows.start > rows.start[i]]
    return float(later.min()) - 1.0 if len(later) else float(n - 1)


def _dried(day: Array, rows: _Rows, lambings: Array) -> NDArray[np.bool_]:
    out = np.zeros(len(day), bool)
    for dried in np.unique(rows.dried[np.isfinite(rows.dried)]):
        later = lambings[lambings > dried] if len(lambings) else np.array([])
        out |= (day >= dried) & (day < (later.min() if len(later) else np.inf))
    return out


def _near(day: Array, sampled: Array, reach: int = SAMPLED_REACH_DAYS) -> NDArray[np.bool_]:
    if not len(sampled):
        return np.zeros(len(day), bool)
    index = np.clip(np.searchsorted(sampled, day), 1, max(len(sampled) - 1, 1))
    left = np.abs(day - sampled[np.clip(index - 1, 0, len(sampled) - 1)])
    right = np.abs(day - sampled[np.clip(index, 0, len(sampled) - 1)])
    return np.asarray(np.minimum(left, right) <= reach)


def _kilos(kg: Array, ewes: Array, since: Array, milking: NDArray[np.bool_], scale: float) -> Array:
    """Milk a day: as written, else ewes times an ewe's curve, else the curve alone."""
    curve = np.where(np.isfinite(since), relative_yield(np.nan_to_num(since, nan=60.0)), 1.0)
    known = ewes[ewes > 0]
    heads = np.where(ewes > 0, ewes, np.median(known) if len(known) else 50.0)
    return np.where(milking, np.where(kg > 0, kg, scale * heads * curve), 0.0)


def _ahead(calendar: Calendar, index: int, rng: np.random.Generator, shift: float) -> FlockDays:
    """One possible coming year of one flock."""
    past, habits, rows = calendar.past[index], calendar.habits[index], calendar._plans[index]
    n_past, n = calendar.n_past, calendar.n_ahead
    source = _year_before(n_past, n, shift)
    forage = _carried(past.forage, source, [other.forage for other in calendar.past])
    supplement = np.where(source >= 0, past.supplement[np.clip(source, 0, None)], np.nan)
    planned_forage, planned_supplement, planned_ewes = _plan_rows(rows, n_past, n)
    forage = np.where(planned_forage != "", planned_forage, forage)
    supplement = np.where(np.isfinite(planned_supplement), planned_supplement, supplement)
    if not len(habits.lambings):
        milking = _milking_again(past.milking, n_past, n)
        heads = float(np.mean(past.kg[past.milking])) if past.milking.any() else 1.0
        return FlockDays(milking, np.full(n, np.nan), np.full(n, -1), forage, supplement, np.where(milking, heads, 0.0))
    lambings, number = _coming_lambings(habits, n_past, n, rng)
    since, at = _since_lambing(n, n_past, lambings)
    lactation = np.where(at >= 0, number[np.clip(at, 0, None)], -1)
    day = np.arange(n_past, n_past + n, dtype=float)
    # A lactation's length is one number for the whole of it.
    length = habits.length + habits.length_sd * rng.standard_normal(len(lambings))
    current = np.searchsorted(lambings, n_past - 1, side="right") - 1
    if current >= 0 and past.milking[-1]:
        run_on = n_past - lambings[current] + rng.uniform(5.0, 30.0)
        length[current] = max(length[current], run_on)
    milking = (at >= 0) & (since >= habits.start_after) & (since <= length[np.clip(at, 0, None)])
    if current >= 0 and not past.milking[-1]:
        still = at == current
        # Dry at the cut-off in the course of a lactation: it stays dry unless it has not started yet.
        milking &= ~(still & (n_past - 1 - lambings[current] > habits.start_after + 10))
    milking &= ~_dried(day, rows, lambings)
    milking = np.where(np.isfinite(planned_ewes), planned_ewes > 0, milking)
    counted = _heads_again(rows, day, n_past)
    kg = _kilos(np.full(n, np.nan), counted, since, milking, habits.yield_scale)
    return FlockDays(milking, since, lactation, forage, supplement, kg)


def _year_before(n_past: int, n: int, shift: float) -> NDArray[np.int64]:
    """Index of the same time a year before (two years, where that is not yet over); -1 where the records do not reach."""
    day = np.arange(n_past, n_past + n)
    source = np.round(day - YEAR + shift).astype(int)
    source = np.where(source >= n_past, source - YEAR, source)
    return np.where(source < 0, -1, source)


def _carried(
    words: NDArray[np.object_], source: NDArray[np.int64], others: list[NDArray[np.object_]]
) -> NDArray[np.object_]:
    """Forage of the same time of the year before; else another flock's; else today's word."""
    out = np.full(len(source), "", object)
    for candidate in [words, *others]:
        found = np.where(source >= 0, candidate[np.clip(source, 0, None)], "")
        out = np.where(out == "", found, out)
    return np.where(out == "", words[-1], out)


def _plan_rows(rows: _Rows, n_past: int, n: int) -> tuple[NDArray[np.object_], Array, Array]:
    """Forage, supplement and ewes milked as written ahead for the coming days; "" and NaN where nothing is written."""
    day = np.arange(n_past, n_past + n, dtype=float)
    forage = np.full(n, "", object)
    supplement, ewes = np.full(n, np.nan), np.full(n, np.nan)
    for i in range(len(rows.start)):
        if rows.start[i] >= n_past or (np.isfinite(rows.end[i]) and rows.end[i] >= n_past):
            inside = (day >= rows.start[i]) & (day <= (rows.end[i] if np.isfinite(rows.end[i]) else rows.start[i] + 60))
            forage[inside] = rows.forage[i]
            supplement[inside] = rows.supplement[i]
            ewes[inside] = rows.ewes[i]
    return forage, supplement, ewes


def _coming_lambings(
    habits: FlockHabits, n_past: int, n: int, rng: np.random.Generator
) -> tuple[Array, NDArray[np.int64]]:
    """Known and expected lambing days and which lambing each is; the expected ones are numbered after the known."""
    known = [d for d in habits.lambings if d < n_past]
    planned = sorted(habits.planned)
    out = [(d, i) for i, d in enumerate(known)]
    out += [(d + rng.normal(0, PLANNED_LAMBING_SD_DAYS), len(known) + i) for i, d in enumerate(planned)]
    shift = rng.normal(0.0, LAMBING_SD_DAYS)
    recent = [d for d in known if d > n_past - 1.25 * YEAR]
    expected = sorted(d + k * YEAR for d in recent for k in (1, 2))
    for d in expected:
        day = d + shift
        if any(abs(day - x) < 0.3 * YEAR for x, _ in out):
            continue
        if day < n_past:
            # Expected already but not in the diary: late by some days, or not coming at all.
            if n_past - day > 60:
                continue
            day = n_past + rng.uniform(0.0, 25.0)
        if day < n_past + n:
            out.append((day, len(out)))
    out.sort()
    number = np.array([i for _, i in out], dtype=np.int64)
    return np.array([d for d, _ in out]), number


def _heads_again(rows: _Rows, day: Array, n_past: int) -> Array:
    """Ewes milked at the same time of the year before; the last count where that is not known."""
    out = np.full(len(day), np.nan)
    counted = np.flatnonzero((rows.ewes > 0) & (rows.start < n_past))
    if not len(counted):
        return out
    out[:] = rows.ewes[counted[-1]]
    for i in counted:
        until = rows.end[i] if np.isfinite(rows.end[i]) else _next_start(rows, int(i), n_past)
        for k in (1, 2):
            inside = (day >= rows.start[i] + k * YEAR) & (day <= until + k * YEAR)
            out[inside] = rows.ewes[i]
    return out


def _milking_again(milking: NDArray[np.bool_], n_past: int, n: int) -> NDArray[np.bool_]:
    """Without lambing dates: milk when there was milk at the same time of an earlier year; unknown seasons count as milk."""
    day = np.arange(n_past, n_past + n)
    seen = np.zeros(n, bool)
    any_milk = np.zeros(n, bool)
    for k in range(1, n_past // YEAR + 2):
        at = day - k * YEAR
        inside = (at >= 0) & (at < n_past)
        seen |= inside
        any_milk |= inside & milking[np.clip(at, 0, n_past - 1)]
    return np.where(seen, any_milk, True)
