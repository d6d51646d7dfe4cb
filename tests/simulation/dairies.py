"""Invented dairies: `simulate(kind, seed)` gives the records, the truth behind them, and a world that runs on.

Nothing here is the fitted model (see `herd`, `vats`, `pots`): a study that scores forecasts against these truths tells
how the model does on dairies that it was not written for. Everything is invented.
"""

from __future__ import annotations

import dataclasses
import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from tests.simulation import labs, pots, tables, vats
from tests.simulation.kinds import COMPONENTS, KINDS, Plan, draw_plan
from tests.simulation.weather import Array
from tests.simulation.world import World, make_world

__all__ = [
    "COMPONENTS",
    "KINDS",
    "SimulatedDairy",
    "control_samples",
    "simulate",
    "single_results",
    "true_months",
    "true_set_time",
]


@dataclass(frozen=True)
class SimulatedDairy:
    """Records and truth of one invented dairy.

    Attributes
    ----------
    tables : the nine tables in their stored form, by name without .csv
    dairy_toml : text of dairy.toml
    truth_milk : Dataset `milk` (day, source, component), `kg` (day, source), from the first day of the records to
        more than twelve months after the last; NaN and 0 where no milk is
    truth_pot : DataArray (day, nutrient) for the same days, content of a whole pot per 100 g (calcium in mg)
    month : the newest month of the records
    world : everything else that is true, for the oracle
    """

    kind: str
    seed: int
    tables: dict[str, pd.DataFrame]
    dairy_toml: str
    truth_milk: xr.Dataset
    truth_pot: xr.DataArray
    month: str
    world: World

    def write(self, folder: Path | str) -> Path:
        """Write the season folder and return its path."""
        place = Path(folder)
        place.mkdir(parents=True, exist_ok=True)
        (place / "dairy.toml").write_text(self.dairy_toml, encoding="utf-8", newline="\n")
        for name, table in self.tables.items():
            table.to_csv(place / f"{name}.csv", index=False, lineterminator="\n")
        return place

    @property
    def settings(self) -> dict[str, object]:
        """dairy.toml, read."""
        return tomllib.loads(self.dairy_toml)


def simulate(
    kind: str,
    seed: int,
    *,
    years: float | None = 3,
    last_month: str | None = None,
    plan: Plan | None = None,
    drought_at: float | None = None,
    lab_change_at: float | None = None,
) -> SimulatedDairy:
    """Make one invented dairy.

    Parameters
    ----------
    kind
        One of KINDS.
    seed
        Any whole number; the same kind, seed and arguments give the same tables.
    years
        Length of the records; None draws 0.5 to 4 years.
    last_month
        Newest month of the records, YYYY-MM; drawn when left out.
    plan
        Constants to use in place of drawn ones.
    drought_at, lab_change_at
        Which past summer was dry (0 the last), and after which share of the records the lab changed; drawn for the
        kinds that have them.

    Returns
    -------
    SimulatedDairy

    Raises
    ------
    ValueError
        If the kind is unknown or the length is not between a month and 12 years.
    """
    rng = np.random.default_rng([KINDS.index(kind) if kind in KINDS else 99, seed, 20260])
    if plan is None:
        plan = draw_plan(kind, rng)
        habit = dataclasses.replace(plan.culture, usual_min=vats.usual_minutes(plan.culture))
        plan = dataclasses.replace(plan, culture=habit)
    length = float(rng.uniform(0.5, 4.0)) if years is None else float(years)
    if kind == "sparse":
        length = min(length, float(rng.uniform(0.35, 0.6)))
    if not 1 / 12 <= length <= 12:
        msg = f"records of {length:g} years asked for; expected between one month and 12 years"
        raise ValueError(msg)
    months = max(round(length * 12), 1)
    end = last_month or str(np.datetime64("2021-01", "M") + int(rng.integers(0, 60)))
    first_month = str(np.datetime64(end, "M") - months + 1)
    if kind == "drought" and drought_at is None:
        drought_at = float(rng.integers(0, max(int(length), 1)))
    if kind == "lab_change" and lab_change_at is None:
        lab_change_at = float(rng.uniform(0.3, 0.8))
    world = make_world(plan, first_month, months, rng, drought_at=drought_at, lab_change_at=lab_change_at)
    if kind == "sparse" and last_month is None:
        # A new client comes while there is milk: move the window, not the world's law.
        for _ in range(40):
            if world.herd.bulk_kg[0, world.last - 60 : world.last].min() > 0:
                break
            end = str(np.datetime64(end, "M") + 1)
            first_month = str(np.datetime64(end, "M") - months + 1)
            world = make_world(plan, first_month, months, rng)
    wrote: dict[str, pd.DataFrame] = {}
    wrote["milk_tests"] = tables.milk_tests(world, rng, sparse=int(rng.integers(8, 13)) if kind == "sparse" else None)
    diary = tables.flock_diary(world, rng)
    wrote["flock_diary"] = diary if plan.diary else diary.iloc[:0]
    wrote.update(tables.vat_tables(world, rng))
    wrote["pot_tests"] = tables.pot_tests(world, wrote["batches"], rng)
    seen = tables.weather_table(world, rng)
    wrote["weather"] = seen if plan.weather else seen.iloc[:0]
    wrote["decisions_taken"] = tables.frame("decisions_taken", [])
    span = slice(world.first, world.days.size)
    days = world.days[span].astype("datetime64[ns]")
    names = [one.id for one in plan.flocks] + ["bulk"]
    milk = np.concatenate([world.herd.milk[0, span], world.herd.bulk[0, span][:, None]], axis=1)
    kg = np.concatenate([world.herd.kg[0, span], world.herd.bulk_kg[0, span][:, None]], axis=1)
    milk = np.where(kg[..., None] > 0, milk, np.nan)
    truth = xr.Dataset(
        {"milk": (("day", "source", "component"), milk), "kg": (("day", "source"), kg)},
        coords={"day": days, "source": names, "component": list(COMPONENTS)},
    )
    pot = xr.DataArray(
        world.pot[span],
        dims=("day", "nutrient"),
        coords={"day": days, "nutrient": list(pots.NUTRIENTS)},
        name="pot",
    )
    return SimulatedDairy(kind, seed, wrote, _toml(plan, rng), truth, pot, end, world)


def _toml(plan: Plan, rng: np.random.Generator) -> str:
    lines = [
        "# Invented by a seeded generator: no such dairy exists.",
        f'name = "{plan.name}"',
        'rules = ["eu", "us"]',
        "pot_g = 200.0",
        f"latitude = {plan.climate.latitude:.1f}",
        "",
    ]
    for one in plan.flocks:
        lines += ["[[flocks]]", f'id = "{one.id}"', f'name = "{one.name}"', ""]
    if plan.reference_lab:
        lines += ["[labs]", f'reference_lab = "{plan.reference_lab}"', ""]
    habit = plan.culture
    lines += [
        "[usual]",
        f"incubator_c = {habit.usual_c:.1f}",
        f"set_min = {habit.usual_min:.0f}",
        f"starter_g_kg = {habit.usual_dose:.1f}",
        "",
        "[limits]",
        "incubator_c = [40.0, 48.0]",
        "starter_g_kg = [10.0, 50.0]",
        "target_ph = 4.6",
        "",
        "[label]",
        f"fat_g = {np.exp(np.mean([one.level[0] for one in plan.flocks])) * 1.03 + rng.normal(0, 0.3):.1f}",
        f"protein_g = {np.exp(np.mean([one.level[1] for one in plan.flocks])) + rng.normal(0, 0.2):.1f}",
        "",
        "[risk]",
        "label_ok = 0.95",
        "",
    ]
    return "\n".join(lines)


def _month_days(dairy: SimulatedDairy, month: str) -> np.ndarray:
    """Day numbers of a month."""
    inside = np.flatnonzero(dairy.world.days.astype("datetime64[M]") == np.datetime64(month, "M"))
    if inside.size < 28:
        first, last = dairy.world.days[[0, -1]]
        msg = f"month {month} is not whole in this world, which runs from {first} to {last}"
        raise ValueError(msg)
    return inside


def true_months(dairy: SimulatedDairy) -> pd.DataFrame:
    """Mean true composition of each month: month, source, component, mean, milk_days (plain mean of milk days)."""
    truth = dairy.truth_milk
    month = truth["day"].dt.strftime("%Y-%m").to_numpy()
    milk, kg = truth["milk"].to_numpy(), truth["kg"].to_numpy()
    names = [str(s) for s in truth["source"].to_numpy()]
    rows = []
    for m in np.unique(month):
        at = month == m
        if at.sum() < 28:
            continue
        for s, source in enumerate(names):
            on = at & (kg[:, s] > 0)
            if on.any():
                for c, component in enumerate(COMPONENTS):
                    rows.append((m, source, component, float(milk[on, s, c].mean()), int(on.sum())))
    return pd.DataFrame(rows, columns=["month", "source", "component", "mean", "milk_days"])


def single_results(
    dairy: SimulatedDairy, month: str, n: int = 20, seed: int = 0, *, lab_as_of: str | None = None
) -> pd.DataFrame:
    """Draw new results that the dairy's lab would report on random milk days of `month`, unmixed samples and all.

    The lab is the one last used in the records, or in the month `lab_as_of`.

    Returns
    -------
    DataFrame
        sampled_on, source, component, value; `n` samples a source that has milk that month.
    """
    world = dairy.world
    rng = np.random.default_rng([dairy.seed, KINDS.index(dairy.kind), int(month.replace("-", "")), seed, 7])
    which = world.lab_on(world.last if lab_as_of is None else int(_month_days(dairy, lab_as_of)[-1]))
    rows = []
    for s, source in enumerate([one.id for one in world.plan.flocks] + ["bulk"]):
        bulk = s == len(world.plan.flocks)
        kg = world.herd.bulk_kg[0] if bulk else world.herd.kg[0, :, s]
        milk = world.herd.bulk[0] if bulk else world.herd.milk[0, :, s]
        inside = _month_days(dairy, month)
        inside = inside[kg[inside] > 0]
        if inside.size == 0:
            continue
        at = rng.choice(inside, n)
        lab = world.plan.labs[which]
        value, _ = labs.read(lab, milk[at], world.calibration[which][0, at], rng, rng.standard_normal((n, 3)))
        for i in range(n):
            for c, component in enumerate(COMPONENTS):
                rows.append((pd.Timestamp(world.days[at[i]]), source, component, value[i, c]))
    return pd.DataFrame(rows, columns=["sampled_on", "source", "component", "value"])


def control_samples(
    dairy: SimulatedDairy, month: str, n: int = 200, number_of_pots: int = 6, seed: int = 0
) -> pd.DataFrame:
    """Draw `n` control samples of one lot each, made on random milk days of `month`, read by other competent labs.

    Returns
    -------
    DataFrame
        made_on and one column a nutrient of NUTRIENTS (g/100 g, calcium mg/100 g; protein N x 6.38).
    """
    world = dairy.world
    rng = np.random.default_rng([dairy.seed, KINDS.index(dairy.kind), int(month.replace("-", "")), seed, 11])
    inside = _month_days(dairy, month)
    inside = inside[world.herd.bulk_kg[0, inside] > 0]
    if inside.size == 0:
        return pd.DataFrame(columns=["made_on", *pots.NUTRIENTS])
    at = rng.choice(inside, n)
    bias: Array = rng.standard_normal((n, 9)) * pots.BETWEEN_SD
    value = pots.composite(world.pot[at], np.full(n, number_of_pots), bias, rng)
    table = pd.DataFrame(value, columns=list(pots.NUTRIENTS))
    table.insert(0, "made_on", world.days[at].astype("datetime64[ns]"))
    return table


def true_set_time(
    dairy: SimulatedDairy,
    month: str,
    incubator_c: float,
    starter_g_kg: float,
    rng: np.random.Generator,
    n: int = 300,
) -> Array:
    """True set minutes of `n` vats on random milk days of `month` at the given settings (stalled vats: infinite)."""
    world = dairy.world
    inside = _month_days(dairy, month)
    inside = inside[world.herd.bulk_kg[0, inside] > 0]
    if inside.size == 0:
        return np.empty(0)
    at = rng.choice(inside, n)
    habit = world.plan.culture
    protein = world.herd.bulk[0, at, 1] / (1 - world.loss[at])
    age = starter_ages(habit.age_habit, habit.vats_a_week, n, rng)
    flat = np.zeros(n)
    return vats.run_vats(
        habit,
        world.culture.activity[0, at],
        world.culture.stall[0, at],
        age,
        flat + starter_g_kg,
        flat + incubator_c,
        protein,
        rng,
    )[2]


def starter_ages(habit: float, vats_a_week: int, n: int, rng: np.random.Generator) -> Array:
    """Draw the age in days of the starter that the maker takes."""
    gap = np.round(rng.uniform(1, 14 / vats_a_week - 1, n))
    return np.clip(np.where(rng.random(n) < 0.75, gap, gap + np.round(rng.exponential(habit, n))), 1, 21)
