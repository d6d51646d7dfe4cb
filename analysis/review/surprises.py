"""New results that fell outside the interval that the review before had forecast for them."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.records.months import last_day
from analysis.review.input_rows import INPUTS
from analysis.review.inputs import read_manifest
from analysis.review.words import missing, month_words, number, plain

_COMPONENTS = ("fat_g_100g", "protein_g_100g", "lactose_g_100g")


def surprises(earlier: Mapping[str, Any], before: Path, now: Path) -> list[dict[str, Any]]:
    """Return the new milk results outside their own forecast interval, farthest out first.

    Parameters
    ----------
    earlier
        Decisions of the review before.
    before, now
        Folders of both reviews with their inputs and tables.

    Returns
    -------
    list of dict
        ``sample_id, source, sampled_on, component, value, lo90, hi90, beyond`` (distance outside in half-widths) and
        ``text``.
        One in ten results falls outside by chance alone; the text of the page says so.
    """
    seen = _sample_keys(before)
    new = _results(now)
    end = last_day(str((read_manifest(now) or {})["parameters"]["month"])).isoformat()
    new = new[new["known_on"].fillna("") <= end]
    new = new[[key not in seen for key in zip(new["lab"].astype(str), new["sample_id"].astype(str), strict=True)]]
    by = {(row["month"], row["source"], row["component"]): row for row in earlier.get("milk_forecast") or []}
    found = []
    for row in _records(new):
        forecast = by.get((str(row["sampled_on"])[:7], row["source"], row["component"]))
        if forecast is None or missing(forecast.get("one_lo90")) or missing(row["value"]):
            continue
        low, high, value = float(forecast["one_lo90"]), float(forecast["one_hi90"]), float(row["value"])
        beyond = max(low - value, value - high) / max((high - low) / 2, 1e-9)
        if beyond > 0:
            found.append((beyond, row, low, high))
    return [_said(*item) for item in sorted(found, key=lambda item: -item[0])]


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _said(beyond: float, row: Mapping[str, Any], low: float, high: float) -> dict[str, Any]:
    side = "above" if float(row["value"]) > high else "below"
    return {
        "sample_id": str(row["sample_id"]),
        "source": row["source"],
        "sampled_on": str(row["sampled_on"])[:10],
        "component": row["component"],
        "value": float(row["value"]),
        "lo90": low,
        "hi90": high,
        "beyond": round(beyond, 2),
        "text": (
            f"{plain(str(row['component'])).capitalize()} of {row['source']} on {str(row['sampled_on'])[:10]} (sample "
            f"{row['sample_id']}) came in at {number(row['value'])} g/100 g, {side} the {number(low, 1)} to "
            f"{number(high, 1)} that was "
            f"forecast for a single result in {month_words(str(row['sampled_on'])[:7])}."
        ),
    }


def _results(folder: Path) -> pd.DataFrame:
    """Return the milk results of a review in long form, from its copy of the records."""
    path = folder / INPUTS / "milk_tests.csv"
    empty = pd.DataFrame(columns=["lab", "sample_id", "source", "sampled_on", "known_on", "component", "value"])
    if not path.is_file():
        return empty
    try:
        table = pd.read_csv(path, dtype="str", encoding="utf-8-sig")
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError):
        return empty
    if not {"lab", "sample_id", "source", "sampled_on"} <= set(table.columns):
        return empty
    there = [name for name in _COMPONENTS if name in table.columns]
    table["known_on"] = table["sampled_on"]
    if "reported_on" in table.columns:
        table["known_on"] = table["reported_on"].fillna(table["sampled_on"])
    kept = ["lab", "sample_id", "source", "sampled_on", "known_on"]
    long = table.melt(kept, there, "component", "value")
    long["value"] = pd.to_numeric(long["value"], errors="coerce")
    return long.dropna(subset=["value"])


def _sample_keys(folder: Path) -> set[tuple[str, str]]:
    table = _results(folder)
    return set(zip(table["lab"].astype(str), table["sample_id"].astype(str), strict=True))
