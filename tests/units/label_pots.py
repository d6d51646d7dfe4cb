"""Pots with a known law, to test the label room without the rooms below it."""

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from analysis.records.dairy import Dairy, Flock, Limits, PotLabel, Usual
from analysis.records.findings import Finding
from analysis.records.months import add_months, first_day, last_day

NUTRIENTS = ("fat", "saturates", "carbohydrate", "sugars", "protein", "salt", "calcium", "lactic_acid", "total_solids")


@dataclass(frozen=True)
class Control:
    pot_to_pot_sd: float
    repeat_sd: float
    between_lab_sd: float


@dataclass(frozen=True)
class Basis:
    n_tests: int
    newest: date | None
    basis: str
    factor_unknown: int = 0


CONTROL = {
    "fat": Control(0.10, 0.07, 0.12),
    "saturates": Control(0.08, 0.08, 0.10),
    "carbohydrate": Control(0.03, 0.06, 0.12),
    "sugars": Control(0.03, 0.06, 0.12),
    "protein": Control(0.03, 0.03, 0.06),
    "salt": Control(0.002, 0.005, 0.008),
    "calcium": Control(2.0, 4.0, 6.0),
    "lactic_acid": Control(0.02, 0.03, 0.05),
    "total_solids": Control(0.1, 0.05, 0.05),
}


@dataclass(frozen=True)
class FakePot:
    draws: xr.Dataset
    control: dict[str, Control] = field(default_factory=lambda: dict(CONTROL))
    evidence: dict[str, Basis] = field(
        default_factory=lambda: {name: Basis(12, date(2026, 5, 20), "pot tests") for name in NUTRIENTS}
    )


@dataclass(frozen=True)
class FakeSeason:
    dairy: Dairy
    tables: dict[str, pd.DataFrame]
    month: str = "2026-05"
    folder: Path = Path("a_dairy")
    findings: tuple[Finding, ...] = ()
    set_aside: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["file", "file_row", "code", "text"]))

    @property
    def cutoff(self) -> date:
        return last_day(self.month)


def a_pot(
    *,
    fat: float = 6.9,
    protein: float = 5.7,
    swing_fat: float = 0.6,
    swing_protein: float = 0.35,
    level_sd: float = 0.15,
    day_sd: float = 0.12,
    draws: int = 200,
    month: str = "2026-05",
    dry: tuple[int, ...] = (),
    seed: int = 5,
    **changes: Any,
) -> FakePot:
    """A year of pots: a sine over the year, an unknown level, lots that differ."""
    rng = np.random.default_rng(seed)
    days = pd.date_range(first_day(add_months(month, 1)), last_day(add_months(month, 12)))
    turn = np.sin(2 * np.pi * (days.day_of_year.to_numpy() - 100) / 365.25)
    n = len(days)

    def noise(sd: float) -> np.ndarray:
        return rng.normal(0, sd, (draws, n))

    fat_now = fat + rng.normal(0, level_sd, (draws, 1)) + swing_fat * turn + noise(day_sd)
    protein_now = protein + rng.normal(0, 0.6 * level_sd, (draws, 1)) + swing_protein * turn + noise(0.6 * day_sd)
    sugars = 4.1 + rng.normal(0, 0.1, (draws, 1)) - 0.2 * turn + noise(0.08)
    acid = 1.0 + rng.normal(0, 0.08, (draws, 1)) + noise(0.05)
    parts = {
        "fat": fat_now,
        "saturates": fat_now * (0.655 + rng.normal(0, 0.02, (draws, 1))),
        "carbohydrate": sugars + 0.05,
        "sugars": sugars,
        "protein": protein_now,
        "salt": 0.13 + rng.normal(0, 0.01, (draws, 1)) + noise(0.005),
        "calcium": 195 + rng.normal(0, 8, (draws, 1)) + noise(5.0),
        "lactic_acid": acid,
        "total_solids": fat_now + protein_now + sugars + acid + 1.05,
    }
    pot = np.stack([parts[name] for name in NUTRIENTS], axis=-1)
    kg = np.broadcast_to(100 + 30 * np.cos(2 * np.pi * (days.day_of_year.to_numpy() - 120) / 365.25), (draws, n)).copy()
    kg[:, np.isin(days.month, dry)] = 0.0
    pot[kg == 0] = np.nan
    data = xr.Dataset(
        {"pot": (("draw", "day", "nutrient"), pot), "kg": (("draw", "day"), kg)},
        coords={"draw": np.arange(draws), "day": days, "nutrient": list(NUTRIENTS)},
    )
    return FakePot(data, **changes)


def a_dairy(**changes: Any) -> Dairy:
    known: dict[str, Any] = {
        "name": "Invented dairy",
        "rules": ("eu",),
        "pot_g": 200.0,
        "serving_g": None,
        "latitude": 52.0,
        "flocks": (Flock("north", "North"),),
        "reference_lab": None,
        "usual": Usual(44.0, 180.0, 25.0),
        "limits": Limits((40.0, 48.0), (10.0, 50.0), 4.6),
        "label": PotLabel({"fat_g": 6.9, "protein_g": 5.6}, ()),
        "label_ok": 0.95,
        "costs": {},
        "raw": {},
    }
    return Dairy(**(known | changes))


_TEXT = (
    "sample_id",
    "source",
    "lab",
    "method",
    "note",
    "batch_id",
    "rules",
    "nutrient",
    "by",
    "why",
    "carbohydrate_by",
)
_DAYS = ("sampled_on", "reported_on", "made_on", "decided_on", "from_date")
COLUMNS = {
    name: (*text.split(), "file_row")
    for name, text in {
        "milk_tests": "sample_id sampled_on reported_on source fat_g_100g protein_g_100g lactose_g_100g lab method "
        "note protein_factor",
        "pot_tests": "sample_id batch_id made_on sampled_on reported_on pots_in_composite fat_g_100g saturates_g_100g "
        "carbohydrate_g_100g sugars_g_100g protein_g_100g salt_g_100g lactic_acid_g_100g total_solids_g_100g "
        "calcium_mg_100g lab method note protein_factor carbohydrate_by",
        "decisions_taken": "decided_on rules nutrient value from_date by why",
    }.items()
}


def a_table(name: str, *rows: dict[str, Any]) -> pd.DataFrame:
    """A table as the records room hands it on: text as str, days as datetime64, numbers as float64."""
    frame = pd.DataFrame([{"file_row": i + 2} | row for i, row in enumerate(rows)], columns=list(COLUMNS[name]))
    for column in frame:
        if column in _TEXT:
            frame[column] = frame[column].astype("str")
        elif column in _DAYS:
            frame[column] = pd.to_datetime(frame[column])
        else:
            frame[column] = frame[column].astype("int64" if column == "file_row" else "float64")
    return frame


def a_season(dairy: Dairy | None = None, **tables: pd.DataFrame) -> FakeSeason:
    """A season with empty tables but those given."""
    return FakeSeason(dairy or a_dairy(), {name: a_table(name) for name in COLUMNS} | tables)
