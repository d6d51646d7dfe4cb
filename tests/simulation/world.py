"""One invented world: weather, ewes, culture and pots run together, and what is kept of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.simulation import herd, labs, pots, vats, weather
from tests.simulation.kinds import Plan
from tests.simulation.weather import Array, Days

# Days that a world lives before the first record, so that nothing starts from nought.
WARM_UP = 430
# Days after the last record.
AFTER = 405


@dataclass(frozen=True)
class World:
    """The truth of one dairy on every day from `days[0]`; `first` and `last` are the day numbers of the records."""

    plan: Plan
    days: Days
    first: int
    last: int
    calendar: herd.Calendar
    weather: weather.WeatherPath
    herd: herd.HerdPath
    culture: vats.CulturePath
    calibration: tuple[Array, ...]
    pot: Array
    loss: Array
    end_ph: Array
    lab_from: tuple[int, ...]

    def number(self, day: object) -> int:
        """Day number of a date."""
        return int((np.datetime64(pd.Timestamp(day), "D") - self.days[0]).astype(int))

    def lab_on(self, t: int) -> int:
        """Which lab the dairy uses on day number `t`."""
        return max(k for k, begin in enumerate(self.lab_from) if t >= begin or k == 0)

    def late(self) -> Array:
        """Share of the bulk's way from first milk to drying-off: 0 fresh, 1 at the end (by ewes still milked)."""
        ewes = self.herd.ewes[0].sum(axis=1)
        return 1 - ewes / max(ewes.max(), 1.0)


def make_world(
    plan: Plan,
    first_month: str,
    months: int,
    rng: np.random.Generator,
    *,
    drought_at: float | None = None,
    lab_change_at: float | None = None,
) -> World:
    """Run one world whose records span `months` months from `first_month`.

    `drought_at` forces a dry summer in that season year counted back from the last (0 the last one);
    `lab_change_at` is the share of the records after which the second lab takes over.
    """
    start = np.datetime64(first_month, "D") - WARM_UP
    records_end = (np.datetime64(first_month, "M") + months).astype("datetime64[D]") - 1
    days = np.arange(start, records_end + AFTER + 1)
    T, first = days.size, WARM_UP
    last = int((records_end - start).astype(int))
    calendar = herd.draw_calendar(plan, start, T, 1, rng)
    if drought_at is not None:
        row = herd.season_year(records_end, plan.climate.latitude < 0) - calendar.first_year - int(drought_at)
        season_now = float(weather.season_day(np.array([records_end]), plan.climate.latitude < 0)[0])
        row -= int(season_now < 200)
        calendar.droughts[0, row] = (rng.uniform(140, 170), rng.uniform(80, 110))
    path = weather.run_weather(plan.climate, days, calendar.droughts, calendar.first_year, weather.first_state(1), rng)
    ewes = herd.run_herd(plan, calendar, days, path, herd.first_state(1, len(plan.flocks)), 0, rng)
    zero = np.zeros(1)
    culture = vats.run_culture(plan.culture, T, (zero, zero, zero, zero), rng)
    calibration = tuple(labs.run_calibration(lab, np.zeros((1, 3)), T, rng) for lab in plan.labs)
    change = first + int((last - first) * (lab_change_at if lab_change_at is not None else 2.0))
    size = ewes.ewes[0].sum(axis=1)
    late = 1 - size / max(size.max(), 1.0)
    pot, loss, end_ph = pots.run_pots(
        plan.pots, ewes.bulk[0], ewes.bulk_kg[0], path.leaf[0], late, plan.culture.usual_dose, rng
    )
    return World(
        plan=plan,
        days=days,
        first=first,
        last=last,
        calendar=calendar,
        weather=path,
        herd=ewes,
        culture=culture,
        calibration=calibration,
        pot=pot,
        loss=loss,
        end_ph=end_ph,
        lab_from=tuple([0, change][: len(plan.labs)]),
    )
