"""Pot tests beside the vat, and the milk, that they came from."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from analysis.pot.figures import COLUMN, KJELDAHL_MILK, MILK_COMPONENTS

BULK = "bulk"
_BY_DIFFERENCE_GAP = 0.45
"""Carbohydrate that exceeds the sugars of the same test by this much g holds the acid (about 1 g): by difference."""


class Milk(Protocol):
    """What the pot model needs of the milk model: joint draws of the days to come, and of days past."""

    @property
    def draws(self) -> xr.Dataset:
        """Joint draws of the twelve months to come."""
        ...

    def on_days(self, days: Sequence[pd.Timestamp] | pd.DatetimeIndex, sources: Sequence[str]) -> xr.DataArray:
        """Return draws (draw, row, component) of the true milk on days past."""
        ...


@dataclass(frozen=True)
class Lots:
    """Pot tests with what is known of their lots; frames share one row order each.

    Attributes
    ----------
    tests : DataFrame
        One row a pot test: ``file_row, lot`` (row of ``lots``), ``lab, sampled_on, pots``, the nutrients as measured
        (protein as N x 6.38), ``ph``, ``holds_acid`` (share of the acid in the carbohydrate result: 1 by difference,
        0 by sum, 0.5 unknown).
    lots : DataFrame
        One row a lot: ``batch_id, made_on, source, hold_min, milk_kg, filled_kg, fat, protein`` of the vat.
    unpaired : DataFrame
        Tests with neither a known batch nor a day of making: ``file_row, batch_id``.
    factor_unknown : int
        Tests with protein and no nitrogen factor, taken as 6.38.
    convention_unknown : int
        Tests whose carbohydrate may be by sum or by difference.
    """

    tests: pd.DataFrame
    lots: pd.DataFrame
    unpaired: pd.DataFrame
    factor_unknown: int
    convention_unknown: int


def column(frame: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """Return a number column as float64, all missing where the frame has no such column."""
    if name not in frame:
        return np.full(len(frame), np.nan)
    return np.asarray(pd.to_numeric(frame[name], errors="coerce"), dtype=np.float64)


def words(frame: pd.DataFrame, name: str) -> pd.Series:
    """Return a text column with "" for missing, whether or not the frame has it."""
    if name not in frame:
        return pd.Series([""] * len(frame), index=frame.index, dtype="str")
    return frame[name].astype("str").fillna("").str.strip()


def dates(frame: pd.DataFrame, name: str) -> pd.Series:
    """Return a date column, all missing where the frame has no such column."""
    if name not in frame:
        return pd.Series(pd.NaT, index=frame.index, dtype="datetime64[ns]")
    return pd.to_datetime(frame[name])


def acid_held(tests: pd.DataFrame, labs: pd.Series) -> NDArray[np.float64]:
    """Say how much of the lactic acid each carbohydrate result holds: 1 by difference, 0 by sum, 0.5 not known.

    What a row says in ``carbohydrate_by`` counts. An empty one is taken as that lab's other rows say; else as the
    results say where the lab measured sugars too (by difference lies about 1 g above them, by sum at them).
    """
    said = words(tests, "carbohydrate_by").map({"difference": 1.0, "sum": 0.0}).to_numpy(dtype=np.float64)
    gap = column(tests, COLUMN["carbohydrate"]) - column(tests, COLUMN["sugars"])
    out = said.copy()
    for lab in labs.unique():
        of_lab = (labs == lab).to_numpy()
        known = said[of_lab & ~np.isnan(said)]
        gaps = gap[of_lab & ~np.isnan(gap)]
        if known.size and np.all(known == known[0]):
            guess = float(known[0])
        elif gaps.size:
            guess = float(np.median(gaps) >= _BY_DIFFERENCE_GAP)
        else:
            guess = 0.5
        out[of_lab & np.isnan(said)] = guess
    return np.asarray(out, dtype=np.float64)


def pair(pot_tests: pd.DataFrame, batches: pd.DataFrame) -> Lots:
    """Put each pot test beside its vat: by ``batch_id``, else by ``made_on`` where one vat alone was made that day.

    Parameters
    ----------
    pot_tests, batches
        Tables of a Season.

    Returns
    -------
    Lots
        Tests whose day of making is known one way or the other; those of one vat (or, without a vat, of one day) share
        a lot.
    """
    batch_id = words(batches, "batch_id")
    batch_day = dates(batches, "made_on").dt.normalize()
    by_id = {b: i for i, b in enumerate(batch_id) if b}
    per_day = batch_day.reset_index(drop=True).groupby(batch_day.to_numpy()).groups
    test_day = dates(pot_tests, "made_on").dt.normalize()
    rows: list[int] = []
    keys: list[tuple[int, pd.Timestamp]] = []
    lost: list[int] = []
    for i, (wanted, day) in enumerate(zip(words(pot_tests, "batch_id"), test_day, strict=True)):
        vat = by_id.get(wanted, -1)
        if vat < 0 and not pd.isna(day):
            same_day = per_day.get(day, [])
            vat = int(same_day[0]) if len(same_day) == 1 and not wanted else -1
        made = batch_day.iloc[vat] if vat >= 0 and not pd.isna(batch_day.iloc[vat]) else day
        if pd.isna(made):
            lost.append(i)
        else:
            rows.append(i)
            keys.append((vat, pd.Timestamp(made)))
    unique = sorted(set(keys), key=lambda k: (k[1], k[0]))
    place = {k: i for i, k in enumerate(unique)}
    used = pot_tests.iloc[rows].reset_index(drop=True)
    labs = words(used, "lab")
    factor = column(used, "protein_factor")
    pots = column(used, "pots_in_composite")
    tests = pd.DataFrame(
        {
            "file_row": column(used, "file_row").astype(np.int64),
            "lot": np.asarray([place[k] for k in keys], dtype=np.int64),
            "lab": labs,
            "sampled_on": dates(used, "sampled_on"),
            "pots": np.where(np.isnan(pots) | (pots < 1), 1.0, pots),
            "ph": column(used, "ph"),
            "holds_acid": acid_held(used, labs),
            "firmness_g": column(used, "firmness_g"),
            "whey_g_100g": column(used, "whey_g_100g"),
            **{n: column(used, c) for n, c in COLUMN.items()},
        }
    )
    tests["protein"] = tests["protein"] * KJELDAHL_MILK / np.where(factor > 0, factor, KJELDAHL_MILK)
    has_carbohydrate = tests["carbohydrate"].notna()
    vats = np.asarray([k[0] for k in unique], dtype=np.int64)
    return Lots(
        tests=tests,
        lots=_lots(vats, [k[1] for k in unique], batches),
        unpaired=pd.DataFrame(
            {
                "file_row": column(pot_tests.iloc[lost], "file_row").astype(np.int64),
                "batch_id": words(pot_tests.iloc[lost], "batch_id").to_numpy(),
            }
        ),
        factor_unknown=int((tests["protein"].notna() & np.isnan(factor)).sum()),
        convention_unknown=int((has_carbohydrate & (tests["holds_acid"] == 0.5)).sum()),
    )


def _lots(vats: NDArray[np.int64], made_on: list[pd.Timestamp], batches: pd.DataFrame) -> pd.DataFrame:
    """Return what the batch table knows of each lot; lots without a vat are bulk milk, nothing measured."""
    known = vats >= 0

    def take(values: NDArray[np.float64]) -> NDArray[np.float64]:
        out = np.full(len(vats), np.nan)
        out[known] = values[vats[known]]
        return np.asarray(out, dtype=np.float64)

    sources = words(batches, "source").to_numpy(dtype=object)
    ids = words(batches, "batch_id").to_numpy(dtype=object)
    return pd.DataFrame(
        {
            "batch_row": vats,
            "batch_id": [str(ids[v]) if v >= 0 else "" for v in vats],
            "made_on": pd.to_datetime(pd.Series(made_on, dtype="datetime64[ns]")),
            "source": [(str(sources[v]) or BULK) if v >= 0 else BULK for v in vats],
            "hold_min": take(column(batches, "hold_min")),
            "milk_kg": take(column(batches, "milk_kg")),
            "filled_kg": take(column(batches, "filled_kg")),
            "fat": take(column(batches, "fat_g_100g")),
            "protein": take(column(batches, "protein_g_100g")),
        }
    )


def milk_of(milk: Milk, lots: pd.DataFrame) -> NDArray[np.float64]:
    """Return draws (draw, lot, component) of the milk that went into each lot: fat, protein, lactose, g per 100 g."""
    drawn = milk.on_days(pd.DatetimeIndex(lots["made_on"]), [str(s) for s in lots["source"]])
    ordered = drawn.transpose("draw", "row", "component").sel(component=list(MILK_COMPONENTS))
    return np.asarray(ordered.values, dtype=np.float64)
