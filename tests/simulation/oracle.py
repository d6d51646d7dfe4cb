"""The forecast of one who knows every constant and the state on the last day, but not the future's shocks.

The generator's own future is run again, hundreds of times, from the state at the cut-off with fresh weather, drift,
lambing and feeding dates, year characters and lab wander. No forecast from records can be expected to do better; it is
the yardstick against which the fitted model is held.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.simulation import herd, labs, vats, weather
from tests.simulation.dairies import COMPONENTS, KINDS, SimulatedDairy, starter_ages
from tests.simulation.weather import Array, Days

LEAST_DAYS = 10


def _cutoff(dairy: SimulatedDairy, month: str) -> int:
    last = (np.datetime64(month, "M") + 1).astype("datetime64[D]") - 1
    t = dairy.world.number(last)
    if not dairy.world.first <= t <= dairy.world.last:
        msg = f"cut-off {month} lies outside the records of this dairy, which end in {dairy.month}"
        raise ValueError(msg)
    return t


def futures(
    dairy: SimulatedDairy, month: str, days: int, n: int, rng: np.random.Generator
) -> tuple[Days, herd.HerdPath]:
    """Run `n` futures of the herd over the `days` days after `month`."""
    world, t0 = dairy.world, _cutoff(dairy, month)
    plan, span = world.plan, world.days[t0 + 1 : t0 + 1 + days]
    southern = plan.climate.latitude < 0
    today = world.days[t0 : t0 + 1]
    fresh = herd.draw_calendar(plan, world.days[0], world.days.size, n, rng)
    calendar = herd.known_by(
        world.calendar,
        fresh,
        t0,
        float(weather.season_day(today, southern)[0]),
        herd.season_year(today[0], southern),
    )
    sky = weather.run_weather(
        plan.climate, span, calendar.droughts, calendar.first_year, weather.state_after(world.weather, t0, n), rng
    )
    return span, herd.run_herd(plan, calendar, span, sky, herd.state_after(world.herd, t0, n), t0 + 1, rng)


def oracle_months(dairy: SimulatedDairy, month: str, *, n: int = 240, seed: int = 0) -> pd.DataFrame:
    """Forecast the twelve months after `month`.

    Returns
    -------
    DataFrame
        month, source, component, mean, lo90, hi90 (mean true composition over milk days), one_lo90, one_hi90 (one new
        result of the lab in use at the cut-off), milk_chance; months in which at least ten milk days are likelier than
        not.
    """
    world, plan = dairy.world, dairy.world.plan
    rng = np.random.default_rng([dairy.seed, KINDS.index(dairy.kind), int(month.replace("-", "")), seed, 5])
    end = (np.datetime64(month, "M") + 13).astype("datetime64[D]")
    t0 = _cutoff(dairy, month)
    days = int((end - world.days[t0]).astype(int)) - 1
    span, path = futures(dairy, month, days, n, rng)
    which = world.lab_on(t0)
    lab = plan.labs[which]
    start = np.repeat(world.calibration[which][:1, t0], n, axis=0)
    calibration = labs.run_calibration(lab, start, days, rng)
    milk = np.concatenate([path.milk, path.bulk[:, :, None]], axis=2)
    kg = np.concatenate([path.kg, path.bulk_kg[:, :, None]], axis=2)
    months = span.astype("datetime64[M]")
    rows = []
    for m in np.unique(months):
        inside = np.flatnonzero(months == m)
        for s, source in enumerate([one.id for one in plan.flocks] + ["bulk"]):
            on = kg[:, inside, s] > 0
            count = on.sum(axis=1)
            chance = float((count >= LEAST_DAYS).mean())
            if chance <= 0.5:
                continue
            keep = count >= LEAST_DAYS
            value = np.where(on[..., None], milk[:, inside, s], 0.0).sum(axis=1)[keep] / count[keep, None]
            world_row, day_row = _random_days(on[keep], 4, rng)
            true = milk[keep][world_row, inside[day_row], s]
            shared = calibration[keep][world_row, inside[day_row]]
            read, _ = labs.read(lab, true, shared, rng, rng.standard_normal(true.shape))
            lo, hi = np.quantile(value, [0.05, 0.95], axis=0)
            one_lo, one_hi = np.quantile(read, [0.05, 0.95], axis=0)
            mean = value.mean(axis=0)
            rows += [
                (str(m), source, name, mean[c], lo[c], hi[c], one_lo[c], one_hi[c], chance)
                for c, name in enumerate(COMPONENTS)
            ]
    columns = ["month", "source", "component", "mean", "lo90", "hi90", "one_lo90", "one_hi90", "milk_chance"]
    return pd.DataFrame(rows, columns=columns)


def _random_days(on: np.ndarray, times: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Draw `times` milk days of each world: (row of world, day within the month)."""
    score = np.where(on[:, None, :], rng.random((on.shape[0], times, on.shape[1])), -1.0)
    day = score.argmax(axis=2)
    return np.repeat(np.arange(on.shape[0]), times), day.ravel()


def oracle_set_time(
    dairy: SimulatedDairy,
    month: str,
    incubator_c: float,
    starter_g_kg: float,
    *,
    cutoff: str | None = None,
    n: int = 240,
    seed: int = 0,
) -> pd.Series:
    """Quantiles (index 0.05, 0.1, 0.5, 0.9, 0.95) of the set minutes of one vat on a random milk day of `month`.

    The culture's state at the end of `cutoff` (the month before `month` when left out) is known, its future is not.
    NaN where there is no milk; infinite where so many vats stall.
    """
    world, habit = dairy.world, dairy.world.plan.culture
    cutoff = cutoff or str(np.datetime64(month, "M") - 1)
    t0 = _cutoff(dairy, cutoff)
    rng = np.random.default_rng([dairy.seed, KINDS.index(dairy.kind), int(month.replace("-", "")), seed, 13])
    end = (np.datetime64(month, "M") + 1).astype("datetime64[D]")
    days = int((end - world.days[t0]).astype(int)) - 1
    span, path = futures(dairy, cutoff, days, n, rng)
    now = world.culture
    start: tuple[Array, Array, Array, Array] = tuple(  # type: ignore[assignment]
        np.repeat(x[:1, t0], n) for x in (now.loss, now.quality, now.wobble, now.stall)
    )
    culture = vats.run_culture(habit, days, start, rng)
    inside = np.flatnonzero(span.astype("datetime64[M]") == np.datetime64(month, "M"))
    on = path.bulk_kg[:, inside] > 0
    keep = np.flatnonzero(on.any(axis=1))
    levels = [0.05, 0.1, 0.5, 0.9, 0.95]
    if keep.size < n / 2:
        return pd.Series(np.nan, index=levels)
    row, day = _random_days(on[keep], 6, rng)
    row = keep[row]
    at = inside[day]
    flat = np.zeros(row.size)
    loss = float(np.nanmedian(world.loss[world.first : t0 + 1]))
    minutes = vats.run_vats(
        habit,
        culture.activity[row, at],
        culture.stall[row, at],
        starter_ages(habit.age_habit, habit.vats_a_week, row.size, rng),
        flat + starter_g_kg,
        flat + incubator_c,
        path.bulk[row, at, 1] / (1 - loss),
        rng,
    )[2]
    return pd.Series(np.quantile(minutes, levels, method="inverted_cdf"), index=levels)
