"""Invented ewes: cohorts that lamb on spread days, dry off by and by, eat, tire in heat, and carry it over.

Not the fitted model: composition is multiplicative and diluted by yield, forage answers late and along an S-curve,
body condition carries a hard month into the next, drift is an integrated walk that is pulled back and jumps, year
effects slide in, day noise is Student-t. The bulk curve of a flock is flatter than any ewe's because lambing is spread
and drying-off takes the richest milk away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulation.kinds import DAY_SD, DRIFT_SD, FLOCK_YEAR_SD, TOGETHER, YEAR_SD, Plan
from tests.simulation.weather import Array, Days, WeatherPath, day_length, draw_droughts, season_day

# Five cohorts of a flock: when they lamb in units of the flock's spread (most early, a tail late), and how many ewes.
COHORT_SPREAD = np.array([-1.2, -0.6, -0.05, 0.7, 1.9])
COHORT_SHARE = np.array([0.18, 0.26, 0.26, 0.19, 0.11])
# Below this share of its ewes a flock is no longer milked.
LAST_SHARE = 0.12


@dataclass(frozen=True)
class Calendar:
    """All that comes on dates, for `n` worlds. Days count from the world's first day; E events, K forage changes."""

    event_flock: np.ndarray
    event_share: np.ndarray
    event_day: Array
    event_effect: Array
    cohort_shift: Array
    cohort_length: Array
    forage_day: Array
    forage_word: np.ndarray
    forage_effect: Array
    year_day: Array
    year_effect: Array
    droughts: Array
    first_year: int


@dataclass(frozen=True)
class HerdState:
    """What a flock carries from day to day: all with n in front."""

    feed_a: Array
    feed_b: Array
    condition: Array
    heat: Array
    common: Array
    own: Array
    noise: Array


@dataclass(frozen=True)
class HerdPath:
    """Milk of `n` worlds: kg (n, day, flock), milk (n, day, flock, 3), bulk likewise without flock; states by day."""

    kg: Array
    milk: Array
    bulk_kg: Array
    bulk: Array
    ewes: Array
    feed_a: Array
    feed_b: Array
    condition: Array
    heat: Array
    common: Array
    own: Array
    noise: Array
    word: np.ndarray


def draw_calendar(plan: Plan, first_day: np.datetime64, T: int, n: int, rng: np.random.Generator) -> Calendar:
    """Draw lambing days, forage changes, year effects and droughts of `n` worlds over `T` days and the year before."""
    southern = plan.climate.latitude < 0
    years = np.arange(-1, T // 365 + 2)
    start = float(season_day(np.array([first_day]), southern)[0])
    flock, share, base, jitter, spread, length = [], [], [], [], [], []
    for f, one in enumerate(plan.flocks):
        for lambing in one.lambings:
            for y in years:
                flock.append(f)
                share.append(lambing.share)
                base.append(y * 365.25 + lambing.season_day - start)
                jitter.append(lambing.jitter)
                spread.append(one.spread)
                length.append(one.length)
    E = len(flock)
    day = np.round(np.array(base) + rng.standard_normal((n, E)) * np.array(jitter))
    shift = np.array(spread)[:, None] * (COHORT_SPREAD + rng.normal(0, 0.25, (n, E, 5)))
    F, per_year = len(plan.flocks), max(len(one.forages) for one in plan.flocks)
    K = per_year * years.size
    forage_day, word = np.full((n, F, K), np.inf), np.zeros((F, K), dtype=np.int64)
    for f, one in enumerate(plan.flocks):
        for j, (when, which, wobble) in enumerate(one.forages):
            at = np.arange(years.size) * len(one.forages) + j
            forage_day[:, f, at] = np.round(years * 365.25 + when - start + rng.normal(0, wobble, (n, years.size)))
            word[f, at] = which
    forage_effect = rng.standard_normal((n, F, K, 3)) * np.array([0.015, 0.008, 0.004])
    # A year of its own character begins in November (May in the south) and slides in over a month.
    year_day = years * 365.25 + 305 - start
    return Calendar(
        event_flock=np.array(flock),
        event_share=np.array(share),
        event_day=day,
        event_effect=np.concatenate(
            [
                rng.standard_normal((n, E, 3)) @ TOGETHER.T * FLOCK_YEAR_SD * plan.calm,
                rng.normal(0, 0.10, (n, E, 1)),
            ],
            axis=-1,
        ),
        cohort_shift=shift,
        cohort_length=np.array(length)[:, None] * rng.normal(1, 0.05, (n, E, 5)),
        forage_day=forage_day,
        forage_word=word,
        forage_effect=forage_effect,
        year_day=year_day,
        year_effect=rng.standard_normal((n, years.size, 3)) @ TOGETHER.T * YEAR_SD * plan.calm,
        droughts=draw_droughts(plan.climate, years, n, rng),
        first_year=season_year(first_day, southern) - 1,
    )


def season_year(day: np.datetime64, southern: bool) -> int:
    """Year in which a season year that holds `day` has its summer."""
    moved = day + np.timedelta64(182 if southern else 0, "D")
    return int(moved.astype("datetime64[Y]").astype(int)) + 1970


def known_by(truth: Calendar, fresh: Calendar, t: int, season_now: float, year_now: int) -> Calendar:
    """Keep of `truth` (one world) what has happened by day number `t`; take the rest from the worlds of `fresh`."""

    def pick(happened: np.ndarray, old: Array, new: Array) -> Array:
        extra = (1,) * (old.ndim - happened.ndim)
        return np.where(happened.reshape(happened.shape + extra), old, new)

    lambed = truth.event_day <= t
    fed = truth.forage_day <= t
    begun = truth.year_day[None, :] <= t
    rows = np.arange(truth.droughts.shape[1]) + truth.first_year
    start = truth.droughts[..., 0]
    past = (rows < year_now) | ((rows == year_now) & (np.nan_to_num(start, nan=np.inf) <= season_now))
    droughts = pick(past, truth.droughts, fresh.droughts).copy()
    # A drought of this summer that the fresh draw lets begin before today did not come.
    gone = (rows == year_now) & ~past & (droughts[..., 0] <= season_now)
    droughts[..., 0] = np.where(gone, np.nan, droughts[..., 0])
    return Calendar(
        event_flock=truth.event_flock,
        event_share=truth.event_share,
        event_day=pick(lambed, truth.event_day, np.maximum(fresh.event_day, t + 1)),
        event_effect=pick(lambed, truth.event_effect, fresh.event_effect),
        cohort_shift=pick(lambed, truth.cohort_shift, fresh.cohort_shift),
        cohort_length=pick(lambed, truth.cohort_length, fresh.cohort_length),
        forage_day=pick(fed, truth.forage_day, np.maximum(fresh.forage_day, t + 1)),
        forage_word=truth.forage_word,
        forage_effect=pick(fed, truth.forage_effect, fresh.forage_effect),
        year_day=truth.year_day,
        year_effect=pick(begun, truth.year_effect, fresh.year_effect),
        droughts=droughts,
        first_year=truth.first_year,
    )


def first_state(n: int, flocks: int) -> HerdState:
    """Start neither fat nor thin, with no drift."""
    return HerdState(
        feed_a=np.zeros((n, flocks, 4)),
        feed_b=np.zeros((n, flocks, 4)),
        condition=np.zeros((n, flocks)),
        heat=np.zeros(n),
        common=np.zeros((n, 3, 3)),
        own=np.zeros((n, flocks, 3, 3)),
        noise=np.zeros((n, flocks, 3)),
    )


def state_after(path: HerdPath, t: int, n: int) -> HerdState:
    """Return the state after day number `t` of the first world, repeated for `n` worlds."""
    names = ("feed_a", "feed_b", "condition", "heat", "common", "own", "noise")
    return HerdState(**{k: np.repeat(getattr(path, k)[:1, t], n, axis=0) for k in names})


def _lactations(plan: Plan, calendar: Calendar, T: int, offset: int) -> tuple[Array, Array, Array, Array]:
    """Mix the cohorts: kg, log composition, ewes and mean age by (n, day, flock) before anything of the day acts."""
    n, F = calendar.event_day.shape[0], len(plan.flocks)
    kg, ewes, aged = np.zeros((n, T, F)), np.zeros((n, T, F)), np.zeros((n, T, F))
    parts = np.zeros((n, T, F, 3))
    now = np.arange(offset, offset + T)
    for e, f in enumerate(calendar.event_flock):
        one = plan.flocks[f]
        low, high = calendar.event_day[:, e].min(), calendar.event_day[:, e].max()
        first = int(max(low + calendar.cohort_shift[:, e].min() + one.wean_age - 1, offset))
        last = int(min(high + calendar.cohort_shift[:, e].max() + one.length * 1.2 + 60, offset + T))
        if last <= first:
            continue
        window = slice(first - offset, last - offset)
        rich = one.level + one.stage - one.dilution * (one.curve - one.curve[:300].max())[:, None]
        table = np.concatenate([np.exp(one.curve)[:, None], np.exp(rich)], axis=1)
        effect = np.exp(calendar.event_effect[:, e])
        for c in range(5):
            age = now[window] - (calendar.event_day[:, e] + np.round(calendar.cohort_shift[:, e, c]))[:, None]
            heads = one.ewes * calendar.event_share[e] * COHORT_SHARE[c]
            milked = heads / (1 + np.exp(np.clip((age - calendar.cohort_length[:, e, c, None]) / 6.0, -30, 30)))
            milked = np.where(age >= one.wean_age, milked, 0.0)
            row = table[np.clip(age, 0, 499).astype(np.int64)]
            given = milked * row[..., 0] * effect[:, 3, None]
            kg[:, window, f] += given
            ewes[:, window, f] += milked
            aged[:, window, f] += milked * age
            parts[:, window, f] += given[..., None] * row[..., 1:] * effect[:, None, :3]
    size = np.array([one.ewes for one in plan.flocks])
    share = np.array([max(lamb.share for lamb in one.lambings) for one in plan.flocks])
    kg = np.where(ewes >= LAST_SHARE * size * share, kg, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        rich = np.log(parts / np.where(kg > 0, kg, np.nan)[..., None])
        age = aged / ewes
    return kg, rich, ewes, age


def _drift_gain() -> float:
    """Return the sd of the pulled, integrated walk for unit shocks, from its impulse answer."""
    v = x = 0.0
    total = 0.0
    for step in range(1500):
        v = 0.90 * v + (1.0 if step == 0 else 0.0)
        x = 0.975 * x + v
        total += x * x
    return float(np.sqrt(total))


_GAIN = _drift_gain()
_STEP_CHANCE = 1 / 110.0
_STEP_HOLD = 0.992


def run_herd(
    plan: Plan,
    calendar: Calendar,
    days: Days,
    weather: WeatherPath,
    state: HerdState,
    offset: int,
    rng: np.random.Generator,
) -> HerdPath:
    """Run the ewes of `n` worlds over `days`, the first of which is day number `offset` of the calendar."""
    n, T, F = calendar.event_day.shape[0], days.size, len(plan.flocks)
    kg, rich, ewes, age = _lactations(plan, calendar, T, offset)
    now = np.arange(offset, offset + T)
    word = np.zeros((n, T, F), dtype=np.int64)
    own_effect = np.zeros((n, T, F, 3))
    for f in range(F):
        order = np.argsort(np.nan_to_num(calendar.forage_day[0, f], posinf=1e9))
        for k in order:
            begin = calendar.forage_day[:, f, k]
            if not np.isfinite(begin).all() or begin.min() >= offset + T or begin.max() < offset - 500:
                continue
            on = now[None, :] >= begin[:, None]
            word[:, :, f] = np.where(on, calendar.forage_word[f, k], word[:, :, f])
            own_effect[:, :, f] = np.where(on[..., None], calendar.forage_effect[:, f, k, None], own_effect[:, :, f])
    energy = np.array([w.energy for w in plan.words])
    effect = np.array([[w.fat, w.protein, w.lactose] for w in plan.words])
    hang = np.array([w.leaf for w in plan.words])
    size = np.array([one.forage_sizes for one in plan.flocks])
    dilution = np.stack([one.dilution for one in plan.flocks])
    leaf = weather.leaf[:, :, None] * hang[word]
    # Leafy grass: less fat, a little more protein; bare grass gives less milk.
    target = np.concatenate(
        [
            size[:, None] * effect[word]
            + own_effect
            + (leaf - 0.35 * hang[word])[..., None] * np.array([-0.09, 0.025, 0.008]),
            (energy[word] - 0.95 + 0.45 * (weather.grass[:, :, None] - 0.45) * hang[word])[..., None],
        ],
        axis=-1,
    )
    peak = np.array([np.exp(one.curve.max()) * one.ewes for one in plan.flocks])
    need = np.clip(kg / peak, 0, 1.2)
    light = day_length(days, plan.climate.latitude)
    dark = (12.0 - light) / 5.0
    # Short days make rich milk, with a steeper fall in spring than rise in autumn.
    dark = np.tanh(1.4 * dark) + 0.15 * np.tanh(np.gradient(light) * 12)
    year = np.zeros((n, T, 3))
    for y, begin in enumerate(calendar.year_day):
        before = calendar.year_effect[:, y - 1] if y else np.zeros((n, 3))
        slide = 1 / (1 + np.exp(-np.clip((now - begin) / 9.0, -30, 30)))
        year += slide[None, :, None] * (calendar.year_effect[:, y] - before)[:, None, :]
    heat_now = np.maximum(weather.t_mean - 23.0, 0) + 0.35 * np.maximum(weather.t_max - 31.0, 0)
    common_sd = DRIFT_SD * np.sqrt(plan.common_share) * 0.85 * plan.calm
    own_sd = DRIFT_SD * np.sqrt(1 - plan.common_share) * 0.85 * plan.calm
    small = np.sqrt(100.0 / np.array([one.ewes for one in plan.flocks]))[:, None] * 0.6 + 0.4

    def shocks(*shape: int) -> Array:
        return rng.standard_t(5, (*shape, 3)) / np.sqrt(5 / 3) @ TOGETHER.T

    def steps(*shape: int) -> Array:
        comes = rng.random((*shape, 1)) < _STEP_CHANCE
        return np.where(comes, rng.laplace(0, 0.55, (*shape, 3)) @ TOGETHER.T, 0.0)

    common_shock, own_shock, day_shock = shocks(T, n), shocks(T, n, F), shocks(T, n, F)
    common_step, own_step = steps(T, n), steps(T, n, F)
    fa, fb, bc, heat = (x.copy() for x in (state.feed_a, state.feed_b, state.condition, state.heat))
    common, own, noise = state.common.copy(), state.own.copy(), state.noise.copy()
    # Only the truth's own states are needed again, and one world holds them cheaply; futures keep the sums.
    whole = n == 1
    kept = {
        "feed_a": np.empty((T, n, F, 4) if whole else (0, n, F, 4)),
        "feed_b": np.empty((T, n, F, 4)),
        "condition": np.empty((T, n, F)),
        "heat": np.empty((T, n)),
        "common": np.empty((T, n, 3, 3) if whole else (0, n, 3, 3)),
        "own": np.empty((T, n, F, 3, 3) if whole else (0, n, F, 3, 3)),
        "noise": np.empty((T, n, F, 3)),
    }
    drift = np.empty((T, n, F, 3))
    for t in range(T):
        fa = fa + (target[:, t] - fa) / 5.0
        fb = fb + (fa - fb) / 5.0
        bc = bc + 0.030 * (fb[..., 3] + 0.22 - 0.45 * need[:, t]) - 0.012 * bc
        heat = 0.55 * heat + 0.45 * heat_now[:, t]
        for walk, shock, step, sd in (
            (common, common_shock[t], common_step[t], common_sd),
            (own, own_shock[t], own_step[t], own_sd),
        ):
            walk[..., 0, :] = 0.90 * walk[..., 0, :] + shock
            walk[..., 1, :] = 0.975 * walk[..., 1, :] + walk[..., 0, :] * sd / _GAIN
            walk[..., 2, :] = _STEP_HOLD * walk[..., 2, :] + step * sd
        noise = 0.25 * noise + 0.968 * day_shock[t]
        drift[t] = own[..., 1, :] + own[..., 2, :] + (common[:, 1] + common[:, 2])[:, None]
        kept["feed_b"][t], kept["condition"][t], kept["heat"][t], kept["noise"][t] = fb, bc, heat, noise
        if whole:
            kept["feed_a"][t], kept["common"][t], kept["own"][t] = fa, common, own
    kept = {name: np.moveaxis(values, 0, 1) for name, values in kept.items()}
    bc, hot = kept["condition"], kept["heat"][:, :, None]
    yield_shift = 0.5 * kept["feed_b"][..., 3] + 0.10 * bc - 0.010 * hot
    # Heat lifts fat early in the year and lowers it late (Marras et al. 2025: sign), protein always falls a little.
    late = np.tanh((np.nan_to_num(age, nan=100.0) - 110) / 40)
    by_heat = hot[..., None] * np.stack(
        [-0.0035 * late, np.full_like(late, -0.0025), np.full_like(late, -0.0008)], axis=-1
    )
    log_milk = (
        rich
        + kept["feed_b"][..., :3]
        - dilution * yield_shift[..., None]
        + bc[..., None] * np.array([-0.025, 0.012, 0.004])
        + by_heat
        + dark[:, None, None] * plan.season_size
        + year[:, :, None]
        + np.moveaxis(drift, 0, 1)
        + kept["noise"] * DAY_SD * small
    )
    milk = np.exp(log_milk)
    kg = kg * np.exp(yield_shift)
    sent = kg * np.exp(0.05 * rng.standard_normal(kg.shape))
    bulk_kg = kg.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        bulk = np.nansum(sent[..., None] * np.where(np.isfinite(milk), milk, 0.0), axis=2) / sent.sum(axis=2)[..., None]
    return HerdPath(kg=kg, milk=milk, bulk_kg=bulk_kg, bulk=bulk, ewes=ewes, word=word, **kept)
