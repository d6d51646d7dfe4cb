"""What the dairy of an invented world wrote down: the nine tables in their stored form."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd

from tests.simulation import labs, pots, vats
from tests.simulation.weather import Array
from tests.simulation.world import World

COLUMNS: dict[str, tuple[str, ...]] = {
    "milk_tests": (
        "sample_id", "sampled_on", "reported_on", "source", "fat_g_100g", "protein_g_100g", "lactose_g_100g",
        "total_solids_g_100g", "somatic_cells_1000_ml", "plate_count_1000_cfu_ml", "freezing_point_c", "ph", "lab",
        "method", "note",
    ),
    "flock_diary": (
        "flock", "from_date", "to_date", "forage", "supplement_kg_day", "ewes_milked", "lambed_on", "note",
        "milk_kg_day", "dried_on", "written_on",
    ),
    "batches": (
        "batch_id", "made_on", "milk_kg", "milk_age_h", "heat_c", "hold_min", "fill_c", "starter_age_d", "starter_g_kg",
        "incubator_c", "fat_g_100g", "protein_g_100g", "moved_out_min", "end_ph", "pots_filled", "pots_failed", "note",
        "source", "filled_kg", "starter_from", "failed_as", "inhibitor",
    ),
    "set_checks": ("batch_id", "minutes", "state"),
    "ph_readings": ("batch_id", "minutes", "ph"),
    "pot_tests": (
        "sample_id", "batch_id", "made_on", "sampled_on", "reported_on", "pots_in_composite", "fat_g_100g",
        "saturates_g_100g", "carbohydrate_g_100g", "sugars_g_100g", "protein_g_100g", "salt_g_100g",
        "lactic_acid_g_100g", "total_solids_g_100g", "calcium_mg_100g", "ph", "firmness_g", "whey_g_100g", "lab",
        "method", "note", "protein_factor", "carbohydrate_by",
    ),
    "weather": ("date", "t_mean_c", "t_max_c", "rain_mm"),
    "decisions_taken": ("decided_on", "rules", "nutrient", "value", "from_date", "by", "why"),
}  # fmt: skip


def frame(name: str, rows: list[dict[str, object]]) -> pd.DataFrame:
    """Make a table of the stored columns from `rows`."""
    return pd.DataFrame(rows, columns=list(COLUMNS[name]))


def milk_tests(world: World, rng: np.random.Generator, *, sparse: int | None = None) -> pd.DataFrame:
    """Draw the lab results on raw milk; `sparse` keeps only the last so many."""
    plan = world.plan
    sources = [(f, one.id) for f, one in enumerate(plan.flocks)] if plan.kind != "bulk_only" else []
    when: list[tuple[int, str, Array]] = []
    months = world.days.astype("datetime64[M]")
    for month in np.unique(months[world.first : world.last + 1]):
        inside = np.flatnonzero(months == month)
        for f, name in [*sources, (-1, "bulk")]:
            kg = world.herd.bulk_kg[0] if f < 0 else world.herd.kg[0, :, f]
            wanted = plan.bulk_tests_a_month if f < 0 else plan.tests_a_month
            wanted = max(wanted - int(rng.random() < 0.25), 0)
            open_days = inside[kg[inside] > 0]
            if wanted == 0 or open_days.size < 3:
                continue
            # Collection comes about evenly, never quite.
            at = np.clip(
                np.round((np.arange(wanted) + rng.uniform(0.1, 0.9, wanted)) * open_days.size / wanted), 0, None
            )
            for t in np.unique(open_days[np.minimum(at.astype(int), open_days.size - 1)]):
                true = world.herd.bulk[0, t] if f < 0 else world.herd.milk[0, t, f]
                when.append((int(t), name, true))
    when.sort(key=lambda row: (row[0], row[1]))
    if sparse is not None:
        when = when[-sparse:]
    rows: list[dict[str, object]] = []
    run, run_day = rng.standard_normal(3), -1
    late = world.late()
    for number, (t, name, true) in enumerate(when, start=1):
        if t != run_day:
            run, run_day = rng.standard_normal(3), t
        which = world.lab_on(t)
        lab = plan.labs[which]
        value, _ = labs.read(lab, true[None, :], world.calibration[which][0, t][None, :], rng, run)
        fat, protein, lactose = value[0]
        day = pd.Timestamp(world.days[t])
        cells = 10 ** (5.9 + 0.25 * late[t] + rng.normal(0, 0.18)) / 1000
        rows.append(
            {
                "sample_id": f"M{day:%y}-{number:04d}",
                "sampled_on": day.date().isoformat(),
                "reported_on": (day + pd.Timedelta(days=int(rng.integers(2, 7)))).date().isoformat()
                if plan.says_reported
                else None,
                "source": name,
                "fat_g_100g": fat,
                "protein_g_100g": protein,
                "lactose_g_100g": lactose if plan.measures_lactose else np.nan,
                "total_solids_g_100g": round(fat + protein + lactose + 1.05 + rng.normal(0, 0.06), 2),
                "somatic_cells_1000_ml": round(cells),
                "plate_count_1000_cfu_ml": round(float(10 ** rng.normal(1.9, 0.35))),
                # -0.560 +- 0.013 C in 1996 bulk samples (Scatassa et al. 2017); half of that spread is one dairy's own.
                "freezing_point_c": round(-0.565 + rng.normal(0, 0.006), 3),
                "ph": round(6.64 + 0.05 * late[t] + rng.normal(0, 0.03), 2),
                "lab": lab.name,
                "method": lab.method,
                "note": None,
            }
        )
    return frame("milk_tests", rows)


def flock_diary(world: World, rng: np.random.Generator) -> pd.DataFrame:
    """Forage periods of each flock while it is milked; lambing dates are off by a day or two, as written by hand."""
    plan, rows = world.plan, []
    T = world.days.size
    for f, one in enumerate(plan.flocks):
        ewes, kg, word = world.herd.ewes[0, :, f], world.herd.kg[0, :, f], world.herd.word[0, :, f]
        on = kg > 0
        events = np.flatnonzero(world.calendar.event_flock == f)
        lambed = world.calendar.event_day[0, events].astype(int)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            turns = set((begin + 1 + np.flatnonzero(np.diff(word[begin:end]))).tolist())
            # A second group that comes into milk is a new line in the diary.
            turns |= {int(day) + one.wean_age for day in lambed if begin + 20 < day + one.wean_age < end - 20}
            cuts = [int(begin), *sorted(turns), int(end)]
            for k, (a, b) in enumerate(itertools.pairwise(cuts)):
                if b <= world.first or a > world.last or b - a < 3:
                    continue
                running = b - 1 > world.last or b >= T
                seen = slice(a, min(b, world.last + 1))
                before = lambed[lambed <= a]
                born = int(before.max()) if before.size else int(lambed.min())
                dry = k == len(cuts) - 2 and not running
                day = world.days[max(a, 0)]
                rows.append(
                    {
                        "flock": one.id,
                        "from_date": str(day),
                        "to_date": None if running else str(world.days[b - 1]),
                        "forage": plan.words[int(word[a])].word,
                        "supplement_kg_day": round(float(np.clip(rng.normal(0.5, 0.15), 0, 1.2)), 2),
                        "ewes_milked": round(float(ewes[seen].mean())),
                        "lambed_on": str(world.days[0] + born + int(rng.integers(-2, 3))),
                        "note": None,
                        "milk_kg_day": round(float(kg[seen].mean() * rng.normal(1, 0.03)), 1)
                        if plan.milk_known
                        else None,
                        "dried_on": str(world.days[b - 1]) if dry else None,
                        "written_on": None,
                    }
                )
    return frame("flock_diary", sorted(rows, key=lambda row: (row["from_date"], row["flock"])))


def weather_table(world: World, rng: np.random.Generator) -> pd.DataFrame:
    """Write down daily weather with two days in a hundred missing."""
    span = slice(world.first, world.last + 1)
    table = pd.DataFrame(
        {
            "date": world.days[span].astype(str),
            "t_mean_c": np.round(world.weather.t_mean[0, span], 1),
            "t_max_c": np.round(world.weather.t_max[0, span], 1),
            "rain_mm": np.round(world.weather.rain[0, span], 1),
        }
    )
    return table[rng.random(len(table)) > 0.02].reset_index(drop=True)


def vat_tables(world: World, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Make the vats of the records: batches, set_checks and ph_readings."""
    habit = world.plan.culture
    kg = world.herd.bulk_kg[0]
    weekday = ((world.days - np.datetime64("2018-01-01")).astype(int)) % 7
    chosen = np.array([[1, 4], [0, 2, 4], [0, 1, 3, 4], [0, 1, 2, 3, 4]][habit.vats_a_week - 2])
    span = np.arange(world.days.size)
    made = np.flatnonzero(
        (span >= world.first) & (span <= world.last) & np.isin(weekday, chosen) & (kg > 0.06 * kg.max())
    )
    made = made[rng.random(made.size) > 0.05]
    if made.size == 0:
        return {name: frame(name, []) for name in ("batches", "set_checks", "ph_readings")}
    size = made.size
    protein = world.herd.bulk[0, made, 1] / (1 - world.loss[made])
    activity, stall = world.culture.activity[0, made], world.culture.stall[0, made].copy()
    inhibitor = rng.random(size) < 0.003
    stall = np.where(inhibitor, 1.0, stall)
    gap = np.concatenate([[3], np.diff(made)]).astype(float)
    # Most starters are the last vat's; now and then an older pot is taken, three weeks at the most.
    source = np.arange(size) - 1
    for i in np.flatnonzero(rng.random(size) < 0.25):
        older = np.flatnonzero(made <= made[i] - gap[i] - np.round(rng.exponential(habit.age_habit)))
        source[i] = older[-1] if older.size else -1
    age = np.where(source >= 0, made - made[np.maximum(source, 0)], 3).astype(float)
    renewed = world.culture.renewed[0]
    fresh = np.array([s < 0 or renewed[made[s] + 1 : t + 1].any() for s, t in zip(source, made, strict=True)])
    fresh |= age > 21
    age = np.where(fresh, rng.integers(1, 4, size), age).astype(float)
    names = [f"V{pd.Timestamp(world.days[t]):%y%m%d}" for t in made]
    calm = np.zeros(size)
    usual = vats.acidify(
        habit, activity, age, calm + habit.usual_dose, calm + habit.usual_c, calm + habit.usual_c + 1.0, protein,
        calm + habit.gel_ph, calm,
    )[2]  # fmt: skip
    slow = np.clip(np.where(np.isfinite(usual), usual, 300.0) / habit.usual_min - 1, -0.4, 0.8)
    felt = np.concatenate([[0.0], pd.Series(slow).ewm(span=4).mean().to_numpy()[:-1]])
    # A maker who has waited long sets the incubator warmer or gives more starter; now and then tries something.
    whim = rng.random(size)
    incubator = habit.usual_c + np.where(felt > 0.06, np.round(felt * 6) / 2, 0.0)
    incubator += np.where(whim < 0.12, rng.choice([-1.0, -0.5, 0.5, 1.0], size), 0.0)
    incubator = np.clip(incubator, 40.0, 47.5)
    dose = (
        habit.usual_dose * np.where(felt > 0.12, 1.2, 1.0) * np.where(whim > 0.88, rng.choice([0.8, 1.25], size), 1.0)
    )
    dose = np.clip(np.round(dose), 10, 50)
    minutes, ph, set_min = vats.run_vats(habit, activity, stall, age, dose, incubator, protein, rng)
    batches: list[dict[str, object]] = []
    checks: list[dict[str, object]] = []
    readings: list[dict[str, object]] = []
    for i, t in enumerate(made):
        day = pd.Timestamp(world.days[t])
        name = names[i]
        found, moved = _looks(set_min[i], habit.usual_min, habit.looks, rng)
        if rng.random() < habit.check_share:
            checks += [{"batch_id": name, "minutes": m, "state": s} for m, s in found]
        if rng.random() < habit.ph_share:
            shift = rng.normal(0, 0.03)
            for m in np.sort(rng.choice(np.arange(40, max(int(moved), 90)), 4, replace=False)):
                value = float(np.interp(m, minutes, ph[i])) + shift + rng.normal(0, 0.03)
                readings.append({"batch_id": name, "minutes": int(m), "ph": round(value, 2)})
        milk_kg = kg[t] * min(gap[i], 3.0) * rng.normal(1, 0.03)
        filled_kg = milk_kg * (1 - world.loss[t])
        filled = max(int(filled_kg / 0.2 * 0.99), 10)
        failed, way, note = _failures(filled, np.isfinite(set_min[i]), age[i], felt[i], rng)
        tested = rng.random() < 0.15
        batches.append(
            {
                "batch_id": name,
                "made_on": day.date().isoformat(),
                "milk_kg": round(milk_kg, 1),
                "milk_age_h": round(float(np.clip(rng.gamma(4, 7), 2, 70)), 0),
                "heat_c": round(rng.normal(90, 1.0), 1),
                "hold_min": round(rng.normal(60, 5)),
                "fill_c": round(incubator[i] + rng.normal(1.0, 1.0), 1),
                "starter_age_d": age[i],
                "starter_g_kg": dose[i],
                "incubator_c": incubator[i],
                "fat_g_100g": round(world.herd.bulk[0, t, 0] + rng.normal(0, 0.1), 2) if tested else np.nan,
                "protein_g_100g": round(world.herd.bulk[0, t, 1] + rng.normal(0, 0.06), 2) if tested else np.nan,
                "moved_out_min": int(moved),
                "end_ph": round(world.end_ph[t] + rng.normal(0, 0.02), 2) if np.isfinite(set_min[i]) else 5.5,
                "pots_filled": filled,
                "pots_failed": failed,
                "note": note,
                "source": "bulk",
                "filled_kg": round(filled_kg, 1),
                "starter_from": "new" if fresh[i] else names[source[i]],
                "failed_as": way,
                "inhibitor": "positive" if inhibitor[i] else "negative",
            }
        )
    return {
        "batches": frame("batches", batches),
        "set_checks": frame("set_checks", checks),
        "ph_readings": frame("ph_readings", readings),
    }


def _looks(set_min: float, usual: float, wanted: int, rng: np.random.Generator) -> tuple[list[tuple[int, str]], float]:
    """Look at a vat now and then; near the moment one look in eight is written down wrong."""
    at = usual * rng.uniform(0.62, 0.95)
    found: list[tuple[int, str]] = []
    for _ in range(wanted + 5):
        is_set = set_min <= at
        if abs(set_min - at) < 10 and rng.random() < 0.12:
            is_set = not is_set
        found.append((round(at), "set" if is_set else "liquid"))
        if is_set or at > 420:
            break
        at += rng.gamma(6.0, 16.0 / 6.0) if len(found) >= wanted - 1 else rng.gamma(6.0, 26.0 / 6.0)
    return found, found[-1][0] + rng.gamma(3.0, 4.0) + 2


def _failures(
    filled: int, sets: bool, age: float, slow: float, rng: np.random.Generator
) -> tuple[int, str | None, str | None]:
    """Failed pots of a vat: rare and clustered in sound vats, most of the vat in a stalled one."""
    if not sets:
        return int(rng.binomial(filled, rng.uniform(0.7, 1.0))), "not set", "stalled, slow all day"
    cold = rng.random() < 0.025
    mean = 1 / (1 + np.exp(-(-5.4 + 0.09 * (age - 4) + 1.5 * max(slow, 0.0))))
    share = rng.beta(mean / 0.06, (1 - mean) / 0.06) + (rng.uniform(0.03, 0.10) if cold else 0.0)
    failed = int(rng.binomial(filled, min(share, 1.0)))
    broken = rng.random() < 0.03
    if broken:
        failed += int(rng.integers(1, 9))
    if not failed:
        return 0, None, None
    if broken:
        return min(failed, filled), "broken", "tray dropped"
    if cold:
        return min(failed, filled), "not set", "door side"
    return min(failed, filled), str(rng.choice(["whey", "not set", "taint"], p=[0.6, 0.3, 0.1])), None


def pot_tests(world: World, batches: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Composites of finished pots every two or three months, by a lab with a bias of its own."""
    plan, rows = world.plan.pots, []
    if batches.empty:
        return frame("pot_tests", [])
    day, end = world.first + int(rng.integers(10, 60)), world.last - 14
    made = {world.number(d): b for d, b in zip(batches["made_on"], batches["batch_id"], strict=True)}
    number = 0
    while day <= end:
        near = min(made, key=lambda t: abs(t - day))
        if abs(near - day) <= 12 and np.isfinite(world.pot[near]).all():
            number += 1
            pots_in = int(rng.choice([1, 3, 6, 6]))
            value = pots.composite(world.pot[near][None, :], np.array([pots_in]), plan.lab_bias, rng)[0]
            fat, saturates, carbohydrate, sugars, protein, salt, calcium, acid, solids = value
            if plan.by_difference:  # the rest of the solids, acid and all
                carbohydrate = solids - fat - protein - 0.98
            milk = world.herd.bulk[0, near]
            firm = 176 * np.exp(0.2 * (milk[1] - 5.55) - 0.7 * (world.end_ph[near] - 4.5)) * rng.lognormal(0, 0.1)
            whey = max(2.0 - 0.45 * (milk[1] - 5.5) + rng.gamma(2, 0.35) - 0.7, 0.1)
            made_on = pd.Timestamp(world.days[near])
            sampled = made_on + pd.Timedelta(days=int(rng.integers(1, 6)))
            rows.append(
                {
                    "sample_id": f"P{made_on:%y}-{number:03d}",
                    "batch_id": made[near],
                    "made_on": made_on.date().isoformat(),
                    "sampled_on": sampled.date().isoformat(),
                    "reported_on": (sampled + pd.Timedelta(days=int(rng.integers(5, 13)))).date().isoformat(),
                    "pots_in_composite": pots_in,
                    "fat_g_100g": round(fat, 2),
                    "saturates_g_100g": round(saturates, 2),
                    "carbohydrate_g_100g": round(carbohydrate, 2),
                    "sugars_g_100g": round(sugars, 2),
                    "protein_g_100g": round(protein, 2),
                    "salt_g_100g": round(salt, 3),
                    "lactic_acid_g_100g": round(acid, 2),
                    "total_solids_g_100g": round(solids, 2),
                    "calcium_mg_100g": round(calcium),
                    "ph": round(world.end_ph[near] + rng.normal(-0.08, 0.03), 2),
                    "firmness_g": round(firm),
                    "whey_g_100g": round(whey, 1),
                    "lab": "Invented Pot Lab",
                    "method": "reference",
                    "note": None,
                    "protein_factor": 6.38,
                    "carbohydrate_by": "difference" if plan.by_difference else "sum",
                }
            )
        day += int(plan.months_between * 30.4 * rng.uniform(0.7, 1.3))
    table = frame("pot_tests", rows)
    reported = pd.to_datetime(table["reported_on"]) <= pd.Timestamp(world.days[world.last])
    return table[reported].reset_index(drop=True)
