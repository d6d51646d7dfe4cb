"""A small invented dairy whose truth is known, for the tests of the pot room."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from analysis.pot.balance import Lot, pot_of
from analysis.pot.figures import COLUMN, CONTROL, MILK_COMPONENTS
from analysis.records.dairy import Dairy, Flock, Limits, PotLabel, Usual
from analysis.records.season import Season

DRAWS = 400
MEAN = np.asarray([6.7, 5.5, 4.8])
START = pd.Timestamp("2024-01-01")


def true_milk(days: pd.DatetimeIndex) -> np.ndarray:
    """Milk with a seasonal course (n, 3)."""
    angle = 2 * np.pi * days.day_of_year.to_numpy() / 365.25
    return MEAN + np.column_stack([0.5 * np.cos(angle), 0.25 * np.cos(angle), -0.1 * np.cos(angle)])


@dataclass
class FakeMilk:
    """Milk draws about the true course: a level error common to all days, and each day's own noise."""

    month: str = "2026-05"
    n: int = DRAWS
    level_sd: tuple[float, float, float] = (0.10, 0.06, 0.05)
    day_sd: tuple[float, float, float] = (0.15, 0.06, 0.03)
    level_off: tuple[float, float, float] = (0.0, 0.0, 0.0)
    dry: tuple[str, ...] = ()
    level: np.ndarray = field(init=False)
    draws: xr.Dataset = field(init=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(5)
        self.level = rng.standard_normal((self.n, 3)) * np.asarray(self.level_sd) + np.asarray(self.level_off)
        first = pd.Timestamp(self.month + "-01") + pd.offsets.MonthBegin(1)
        days = pd.date_range(first, first + pd.DateOffset(years=1) - pd.Timedelta(days=1))
        milk = self._drawn(days, 6)
        kg = np.full((self.n, len(days)), 120.0)
        out = days.strftime("%m").isin(self.dry)
        milk[:, out] = np.nan
        kg[:, out] = 0.0
        self.draws = xr.Dataset(
            {
                "milk": (("draw", "day", "source", "component"), np.stack([milk, milk], axis=2)),
                "kg": (("draw", "day", "source"), np.stack([kg, kg], axis=2)),
            },
            coords={
                "draw": np.arange(self.n),
                "day": days,
                "source": ["hill", "bulk"],
                "component": list(MILK_COMPONENTS),
            },
        )

    def _drawn(self, days: pd.DatetimeIndex, seed: int) -> np.ndarray:
        noise = np.random.default_rng(seed).standard_normal((self.n, len(days), 3)) * np.asarray(self.day_sd)
        return true_milk(days) + self.level[:, None, :] + noise

    def on_days(self, days: Sequence[pd.Timestamp] | pd.DatetimeIndex, sources: Sequence[str]) -> xr.DataArray:
        index = pd.DatetimeIndex(days)
        assert len(index) == len(sources)
        return xr.DataArray(
            self._drawn(index, 7),
            dims=("draw", "row", "component"),
            coords={"draw": np.arange(self.n), "component": list(MILK_COMPONENTS)},
        )


@dataclass(frozen=True)
class Truth:
    """What is so in the invented dairy."""

    loss: float = 0.055
    acid: float = 1.08
    share: float = 0.64
    salt: float = 0.15
    calcium: float = 200.0
    minerals: float = 1.10
    lot_loss_sd: float = 0.008


def empty_tables() -> dict[str, pd.DataFrame]:
    """The nine tables of a Season without a row."""
    text, day, number = "str", "datetime64[us]", "float64"
    kinds: dict[str, dict[str, str]] = {
        "milk_tests": {
            "sample_id": text,
            "sampled_on": day,
            "reported_on": day,
            "source": text,
            **dict.fromkeys(MILK_COMPONENTS, number),
            "total_solids_g_100g": number,
            "somatic_cells_1000_ml": number,
            "plate_count_1000_cfu_ml": number,
            "lab": text,
            "method": text,
        },
        "batches": {
            "batch_id": text,
            "made_on": day,
            **dict.fromkeys(
                [
                    "milk_kg",
                    "milk_age_h",
                    "heat_c",
                    "hold_min",
                    "fill_c",
                    "starter_age_d",
                    "starter_g_kg",
                    "incubator_c",
                    "fat_g_100g",
                    "protein_g_100g",
                    "moved_out_min",
                    "end_ph",
                    "pots_filled",
                    "pots_failed",
                    "filled_kg",
                ],
                number,
            ),
            "source": text,
        },
        "pot_tests": {
            "sample_id": text,
            "batch_id": text,
            "made_on": day,
            "sampled_on": day,
            "pots_in_composite": number,
            **dict.fromkeys(COLUMN.values(), number),
            "ph": number,
            "firmness_g": number,
            "whey_g_100g": number,
            "lab": text,
            "method": text,
            "protein_factor": number,
            "carbohydrate_by": text,
        },
    }
    names = ("flock_diary", "set_checks", "ph_readings", "weather", "decisions_taken")
    tables = {
        name: pd.DataFrame({c: pd.Series(dtype=kind) for c, kind in {**columns, "file_row": "int64"}.items()})
        for name, columns in kinds.items()
    }
    return {**tables, **{name: pd.DataFrame({"file_row": pd.Series(dtype="int64")}) for name in names}}


def season(tables: dict[str, pd.DataFrame] | None = None, month: str = "2026-05", **dairy: Any) -> Season:
    """A Season of the invented dairy; ``tables`` replaces some of the empty ones."""
    plain = Dairy(
        name="Invented Dairy",
        rules=("eu",),
        pot_g=200.0,
        serving_g=None,
        latitude=50.0,
        flocks=(Flock("hill", "Hill"),),
        reference_lab=None,
        usual=Usual(44.0, 180.0, 25.0),
        limits=Limits((40.0, 48.0), (10.0, 50.0), 4.6),
        label=PotLabel({}, ()),
        label_ok=0.95,
        costs={},
        raw={},
    )
    end = (pd.Timestamp(month + "-01") + pd.offsets.MonthEnd(1)).date()
    return Season(
        folder=Path("invented"),
        month=month,
        cutoff=end if isinstance(end, date) else end.date(),
        dairy=replace(plain, **dairy),
        tables={**empty_tables(), **(tables or {})},
        findings=(),
        set_aside=pd.DataFrame(columns=["file", "file_row", "code", "text"]),
        records=None,  # type: ignore[arg-type]
    )


def _framed(name: str, columns: dict[str, Any]) -> pd.DataFrame:
    """Fill the columns of a table; the rest stays not measured."""
    shape = empty_tables()[name]
    n = len(next(iter(columns.values())))
    out = {}
    for c in shape:
        if c in columns:
            out[c] = pd.Series(columns[c]).astype(shape[c].dtype)
        elif c == "file_row":
            out[c] = pd.Series(np.arange(2, n + 2))
        else:
            out[c] = pd.Series([None] * n, dtype=shape[c].dtype)
    return pd.DataFrame(out)


def made(
    n: int,
    truth: Truth | None = None,
    *,
    seed: int = 1,
    vat_tests: bool = False,
    weighed: bool = False,
    by: str = "sum",
    factor: float = 6.38,
    noise: float = 1.0,
    measured: Sequence[str] = tuple(COLUMN),
) -> dict[str, pd.DataFrame]:
    """``n`` pots tested every 20 days or so, each of its own vat, from the true milk of that day and a known truth."""
    truth = truth or Truth()
    rng = np.random.default_rng(seed)
    days = pd.DatetimeIndex(START + pd.to_timedelta(np.sort(rng.integers(0, 850, n)), unit="D"))
    milk = true_milk(days) + rng.standard_normal((n, 3)) * [0.15, 0.06, 0.03]
    loss = truth.loss + truth.lot_loss_sd * rng.standard_normal(n)
    one = np.ones(n)
    lot = Lot(
        fat=milk[:, 0],
        protein=milk[:, 1],
        lactose=milk[:, 2],
        loss=loss,
        acid=truth.acid * np.exp(0.08 * rng.standard_normal(n)),
        saturates_share=truth.share + 0.008 * rng.standard_normal(n),
        salt=truth.salt * one,
        calcium=truth.calcium * one,
        minerals=truth.minerals * one,
        other_carbohydrate=0.05 * one,
        fat_recovery=0.0 * one,
        protein_recovery=0.0 * one,
        sugars_offset=0.0 * one,
    )
    pots = pot_of(lot)
    read: dict[str, Any] = {}
    for nutrient in measured:
        control = CONTROL[nutrient]
        sd = np.hypot(control.pot_to_pot_sd / np.sqrt(6), control.repeat_sd) * noise
        value = pots["by_difference"] if nutrient == "carbohydrate" and by == "difference" else pots[nutrient]
        read[COLUMN[nutrient]] = value + sd * rng.standard_normal(n)
    if COLUMN["protein"] in read and np.isfinite(factor):
        read[COLUMN["protein"]] = read[COLUMN["protein"]] * factor / 6.38
    ids = [f"B{i:03d}" for i in range(n)]
    tests = _framed(
        "pot_tests",
        {
            "sample_id": [f"P{i:03d}" for i in range(n)],
            "batch_id": ids,
            "made_on": days,
            "sampled_on": days + pd.Timedelta(days=2),
            "pots_in_composite": [6.0] * n,
            "lab": ["Lab A"] * n,
            "carbohydrate_by": [by] * n,
            "protein_factor": [factor] * n,
            **read,
        },
    )
    vats: dict[str, Any] = {
        "batch_id": ids,
        "made_on": days,
        "hold_min": [60.0] * n,
        "milk_kg": [120.0] * n,
        "source": ["bulk"] * n,
    }
    if vat_tests:
        vats["fat_g_100g"] = milk[:, 0] + 0.08 * rng.standard_normal(n)
        vats["protein_g_100g"] = milk[:, 1] + 0.05 * rng.standard_normal(n)
    if weighed:
        vats["filled_kg"] = 120.0 * (1 - loss - 0.007 * rng.standard_normal(n))
    return {"pot_tests": tests, "batches": _framed("batches", vats)}
