"""Make demo_season/: `python -m tests.simulation.make_demo [FOLDER]` writes the same bytes every time.

An invented upland dairy with three flocks, one of them lambing out of season; the records of an invented world, into
which the awkward things of real records are put by hand. No place, person, lab or firm in it exists.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pandas as pd

from tests.simulation import lab_files
from tests.simulation.dairies import SimulatedDairy, simulate
from tests.simulation.kinds import (
    CulturePlan,
    FlockPlan,
    Forage,
    LabPlan,
    Lambing,
    Plan,
    PotPlan,
    _stage_curve,
    _yield_curve,
)
from tests.simulation.weather import Climate

SEED = 41
LAST_MONTH = "2026-10"
OLD_LAB, NEW_LAB, POT_LAB = "Old Mill Milk Room", "Wester Bench", "Three Becks Food Bench"
HERE = Path(__file__).resolve().parents[2] / "demo_season"

DAIRY_TOML = """\
# The demo dairy of pasturepot. All of it is invented: dairy, valley, flocks, labs, people and numbers.

name = "Brackenfold Dairy, Vale of Oskel (invented)"
# Rulebooks to decide the label under; the first is the home one, and [label] below is on its basis.
rules = ["eu", "gb", "us"]
pot_g = 200.0            # net content of the standard pot
serving_g = 170.0        # used only by rulebooks that declare per serving
latitude = 47.5          # the phase of the season; south would be negative

# Three flocks. "bulk" is the mixed milk in the vat and needs no entry.
[[flocks]]
id = "fell"
name = "Fell ewes, lambing late winter"

[[flocks]]
id = "beck"
name = "Beckside ewes, lambing in spring"

[[flocks]]
id = "late_house"
name = "Late House ewes, lambing in autumn, out of season"

# The lab changed in spring 2025; the newer one was checked against the reference method and counts as right.
[labs]
reference_lab = "Wester Bench"

# The practice that advice is given against.
[usual]
incubator_c = 43.5
set_min = 195
starter_g_kg = 25.0

# The maker's own limits; advice stays inside them.
[limits]
incubator_c = [41.0, 46.0]
starter_g_kg = [15.0, 40.0]
target_ph = 4.6

# What the pots say today, per 100 g.
[label]
energy_kj = 417
energy_kcal = 100
fat_g = 6.2
saturates_g = 4.1
carbohydrate_g = 4.0
sugars_g = 4.0
protein_g = 5.7
salt_g = 0.13
claims = ["high protein"]

[risk]
label_ok = 0.95          # wanted probability that a control sample is within tolerance, in the worst month

# Money in the dairy's own currency.
[costs]
milk_test = 12.0
pot_composite = 140.0
print_run = 420.0
failed_label = 3000.0
lab_days = 10
labels_left = 9000
pots_per_week = 2300

# Until the labels were printed anew in autumn 2025 the pots said this, and the vats stood a little cooler.
[[earlier]]
until = 2025-09-30
label = { fat_g = 5.8, saturates_g = 3.8, carbohydrate_g = 4.2, sugars_g = 4.2, protein_g = 5.5, salt_g = 0.14 }
usual = { incubator_c = 43.0, set_min = 200, starter_g_kg = 25.0 }
"""

README = """\
# demo_season: an invented dairy

Everything in this folder is **invented**: the dairy, the Vale of Oskel, its flocks, labs, people, results and weather.
It comes from a seeded generator (`python -m tests.simulation.make_demo`, same bytes every time) whose laws are not
those that pasturepot fits. Levels and spreads are like those published for ewes' milk; nothing is copied from a real
dairy.

Three flocks, November 2023 to October 2026: the fell ewes lamb in late winter, the beckside ewes in spring, the Late
House ewes in autumn, so that there is milk in nearly every month. As in real records, not all is well:

| what | where |
|---|---|
| the lab changes in spring 2025 | `milk_tests.csv` |
| an unmixed sample | `milk_tests.csv`, fell, June 2025 |
| an amended and a withdrawn result | `milk_tests.csv`: a second row under the same lab and sample id |
| two rows under one key that differ, a value ten times too large, an unknown flock | `milk_tests.csv`: set aside |
| seven weeks without a beckside test, ten days without weather, a missing diary period | gaps |
| a drought in summer 2025 | `weather.csv`, and the milk |
| a tray of broken pots, stalled vats | `batches.csv` |
| a vat that sets before it starts | `set_checks.csv`: set aside |

`lab_files/` holds files as labs and spreadsheets send them, with results of November 2026, to try `pasturepot intake`
on a copy of this folder:

{files}

Because rows are set aside, a check or a review of this folder ends with status 1: done, with errors named.
"""


def demo_plan() -> Plan:
    """Write down the constants of the demo dairy; curves and feed effects come from a fixed seed."""
    rng = np.random.default_rng(20261)

    def flock(
        code: str,
        name: str,
        ewes: int,
        day: float,
        length: int,
        level: tuple[float, float, float],
        peak: float,
        family: str,
    ) -> FlockPlan:
        stay = (322.0, 0, 6.0), (20.0, 1, 6.0)
        return FlockPlan(
            id=code,
            name=name,
            ewes=ewes,
            lambings=(Lambing(day, 1.0, 5.0),),
            spread=13.0,
            wean_age=32,
            length=length,
            level=np.log(level),
            dilution=np.array([0.20, 0.11, -0.02]),
            curve=_yield_curve(family, peak, length, rng),
            stage=_stage_curve("saturating", length, rng),
            forages=tuple(sorted([(98.0, 2, 6.0), (168.0, 3, 7.0), (232.0, 4, 6.0), (272.0, 2, 6.0), *stay])),
            forage_sizes=1.0,
        )

    flocks = (
        flock("fell", "Fell ewes", 70, 38.0, 205, (7.05, 5.62, 4.72), 1.15, "wilmink"),
        flock("beck", "Beckside ewes", 52, 84.0, 200, (6.75, 5.50, 4.76), 1.30, "dijkstra"),
        flock("late_house", "Late House ewes", 46, 268.0, 205, (6.60, 5.42, 4.80), 1.45, "wilmink"),
    )
    words = (
        Forage("hay", 0.95, 0.035, -0.006, 0.002, 0.0),
        Forage("silage", 1.0, 0.012, 0.004, -0.002, 0.0),
        Forage("meadow", 0.98, -0.012, 0.006, 0.003, 1.0),
        Forage("fellside", 0.90, 0.020, -0.002, -0.003, 0.8),
        Forage("aftermath", 0.93, 0.008, 0.002, 0.0, 0.7),
    )

    def lab(name: str, bias: tuple[float, float, float]) -> LabPlan:
        return LabPlan(
            name, "infrared", np.array(bias), np.array([0.08, 0.05, 0.05]), np.array([0.04, 0.025, 0.025]), 0.012
        )

    return Plan(
        kind="lab_change",
        name="Brackenfold Dairy",
        climate=Climate(latitude=47.5, mean_c=9.4, swing_c=8.6, rain_mm=2.6, drought_chance=0.0),
        flocks=flocks,
        words=words,
        labs=(lab(OLD_LAB, (0.17, -0.09, 0.06)), lab(NEW_LAB, (0.0, 0.0, 0.0))),
        reference_lab=NEW_LAB,
        culture=CulturePlan(
            usual_c=43.5,
            usual_dose=25.0,
            usual_min=195.0,
            vigour=0.16,
            renew_days=75.0,
            step_chance=1 / 55,
            step_size=0.09,
            decline=0.0012,
            best_c=43.8,
            worst_c=51.6,
            gel_ph=5.27,
            batch_sd=0.05,
            warmth_sd=0.35,
            age_habit=3.5,
            vats_a_week=4,
            looks=4,
            check_share=0.9,
            ph_share=0.12,
            phage=0.0015,
        ),
        pots=PotPlan(
            loss=0.034,
            full_kg=0.0,
            lid_share=0.1,
            saturates=0.655,
            salt=0.128,
            calcium=188.0,
            acid=1.0,
            galactose_kept=0.95,
            months_between=1.9,
            lab_bias=np.array([0.05, 0.03, -0.05, -0.04, -0.03, 0.002, 2.0, 0.02, 0.05]),
            by_difference=False,
        ),
        season_size=np.array([0.036, 0.022, -0.008]),
        tests_a_month=3,
        bulk_tests_a_month=2,
        measures_lactose=True,
        says_reported=True,
        diary=True,
        milk_known=True,
        weather=True,
        common_share=0.6,
        calm=0.9,
    )


def demo_dairy() -> SimulatedDairy:
    """Return the demo dairy before the awkward things are put in."""
    return simulate(
        "lab_change", SEED, years=3, last_month=LAST_MONTH, plan=demo_plan(), drought_at=1, lab_change_at=0.47
    )


def awkward(dairy: SimulatedDairy) -> dict[str, pd.DataFrame]:
    """Put into the tables what real records have: slips, gaps, corrections."""
    wrote = {name: table.copy() for name, table in dairy.tables.items()}
    tests = wrote["milk_tests"]
    day = pd.to_datetime(tests["sampled_on"])
    # Seven weeks without a beckside test.
    gone = (tests["source"] == "beck") & (day >= "2024-07-10") & (day <= "2024-08-28")
    tests = tests[~gone].reset_index(drop=True)
    day = pd.to_datetime(tests["sampled_on"])

    def at(source: str, since: str) -> int:
        return int(np.flatnonzero((tests["source"] == source) & (day >= since))[0])

    row = at("fell", "2025-06-09")
    cream = 2.6
    tests.loc[row, "fat_g_100g"] = round(tests.loc[row, "fat_g_100g"] + cream, 2)
    tests.loc[row, "protein_g_100g"] = round(tests.loc[row, "protein_g_100g"] - 0.15, 2)
    tests.loc[row, "total_solids_g_100g"] = round(tests.loc[row, "total_solids_g_100g"] + cream - 0.2, 2)
    values = [c for c in tests.columns if c.endswith(("_g_100g", "_ml", "_c")) or c == "ph"]
    extra = []
    amended = tests.loc[at("beck", "2026-05-01")].copy()
    amended["reported_on"] = (pd.Timestamp(amended["reported_on"]) + pd.Timedelta(days=9)).date().isoformat()
    amended["fat_g_100g"] = round(amended["fat_g_100g"] + 0.31, 2)
    amended["total_solids_g_100g"] = round(amended["total_solids_g_100g"] + 0.31, 2)
    amended["note"] = "amended report: instrument set anew"
    withdrawn = tests.loc[at("late_house", "2026-03-01")].copy()
    withdrawn["reported_on"] = (pd.Timestamp(withdrawn["reported_on"]) + pd.Timedelta(days=12)).date().isoformat()
    withdrawn[values] = np.nan
    withdrawn["note"] = "withdrawn: sample swapped"
    twice = tests.loc[at("bulk", "2024-04-10")].copy()
    twice["fat_g_100g"] = round(twice["fat_g_100g"] - 0.62, 2)
    twice["note"] = "typed again from the telephone"
    ten = tests.loc[at("fell", "2026-06-01")].copy()
    ten["sample_id"] = ten["sample_id"] + "x"
    ten["fat_g_100g"] = round(ten["fat_g_100g"] * 10, 1)
    ten["note"] = "second bottle"
    stray = tests.loc[at("beck", "2025-08-01")].copy()
    stray["sample_id"] = stray["sample_id"] + "x"
    stray["source"] = "lower_paddock"
    extra += [amended, withdrawn, twice, ten, stray]
    tests = pd.concat([tests, pd.DataFrame(extra)])
    order = pd.to_datetime(tests["reported_on"]).to_numpy()
    tests = tests.iloc[np.argsort(order, kind="stable")].reset_index(drop=True)
    for name in ("somatic_cells_1000_ml", "plate_count_1000_cfu_ml"):
        tests[name] = tests[name].astype("Int64")
    wrote["milk_tests"] = tests
    diary = wrote["flock_diary"]
    missing = np.flatnonzero((diary["flock"] == "beck") & (diary["from_date"] >= "2024-08-01"))[0]
    wrote["flock_diary"] = diary.drop(index=missing).reset_index(drop=True)
    seen = wrote["weather"]
    wrote["weather"] = seen[(seen["date"] < "2025-01-11") | (seen["date"] > "2025-01-20")].reset_index(drop=True)
    vats = wrote["batches"]
    tray = int(np.flatnonzero(pd.to_datetime(vats["made_on"]) >= "2026-04-20")[0])
    vats.loc[tray, ["pots_failed", "failed_as", "note"]] = [36, "broken", "tray slid off the rack"]
    checks = wrote["set_checks"]
    slip = int(np.flatnonzero(checks["batch_id"] >= "V260810")[0])
    wrong = pd.DataFrame([{"batch_id": checks.loc[slip, "batch_id"], "minutes": -20, "state": "set"}])
    wrote["set_checks"] = pd.concat([checks.iloc[:slip], wrong, checks.iloc[slip:]]).reset_index(drop=True)
    wrote["pot_tests"]["lab"] = POT_LAB
    wrote["decisions_taken"] = pd.DataFrame(
        [
            ("2025-09-22", "eu", "fat", 6.2, "2025-10-01", "maker and adviser", "summer tests ran above the old 5.8"),
            ("2025-09-22", "eu", "protein", 5.7, "2025-10-01", "maker and adviser", "mean of two years of milk tests"),
            ("2025-09-22", "eu", "saturates", 4.1, "2025-10-01", "maker and adviser", "two thirds of fat"),
            ("2026-05-12", "eu", "claim high protein", None, "2026-05-20", "maker", "asked for by a shop"),
        ],
        columns=["decided_on", "rules", "nutrient", "value", "from_date", "by", "why"],
    )
    return wrote


def make(folder: Path) -> None:
    """Write the whole demo into `folder`; what else lies there is left alone."""
    folder.mkdir(parents=True, exist_ok=True)
    dairy = demo_dairy()
    dataclasses.replace(dairy, tables=awkward(dairy), dairy_toml=DAIRY_TOML).write(folder)
    listing = lab_files.make(dairy, folder / "lab_files")
    text = "\n".join(f"- `{name}`: {words}" for name, words in listing)
    (folder / "README.md").write_text(README.format(files=text), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
