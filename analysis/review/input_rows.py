"""The inputs of a review, kept with it, and how the inputs of two reviews differ.

A copy of the records lies in the review folder (``inputs/``), so that a later review can say which rows are new,
which were
corrected, and can decide again with the earlier ones.
"""

import csv
import io
import shutil
import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.records.months import last_day
from analysis.review.inputs import INPUT_FILES, input_files, read_manifest
from analysis.review.words import count_of, listing, month_words

INPUTS = "inputs"
# The columns that say which thing a row is about; a row with the same key and other values is a correction.
KEYS = {
    "milk_tests.csv": ("lab", "sample_id"),
    "pot_tests.csv": ("lab", "sample_id"),
    "batches.csv": ("batch_id",),
    "flock_diary.csv": ("flock", "from_date"),
    "set_checks.csv": ("batch_id", "minutes"),
    "ph_readings.csv": ("batch_id", "minutes"),
    "weather.csv": ("date",),
    "decisions_taken.csv": ("decided_on", "rules", "nutrient"),
}
# What dates a row, the latest knowledge first.
_DAYS = ("reported_on", "written_on", "sampled_on", "made_on", "date", "decided_on", "from_date")
_SETTINGS = "dairy.toml"
_SHOWN = 12


@dataclass(frozen=True)
class Cause:
    """Something that differs between the inputs of two reviews.

    Attributes
    ----------
    cause
        ``a month has passed``, ``new results``, ``corrections``, ``settings``, ``rulebook`` or ``program``.
    what
        The difference in words.
    rows
        The rows behind it, by file: keys as text; at most a dozen a file.
    """

    cause: str
    what: str
    rows: dict[str, list[str]]


def keep_inputs(season_folder: Path, out_folder: Path) -> None:
    """Copy the records of a season folder into a review folder."""
    for name, path in input_files(season_folder).items():
        target = out_folder / INPUTS / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, target)


def causes_between(before: Path, now: Path) -> list[Cause]:
    """Return what differs between the inputs of two review folders, in the order of the contract."""
    old, new = read_manifest(before) or {}, read_manifest(now) or {}
    causes = []
    months = [said.get("parameters", {}).get("month") for said in (old, new)]
    if months[0] != months[1]:
        causes.append(Cause("a month has passed", f"from {month_words(months[0])} to {month_words(months[1])}", {}))
    added, corrected, gone = row_differences(before / INPUTS, now / INPUTS, months[1])
    if added:
        causes.append(Cause("new results", _row_words(added, "new row"), _few(added)))
    if corrected or gone:
        words = [
            *([_row_words(corrected, "corrected row")] if corrected else []),
            *([_row_words(gone, "removed row")] if gone else []),
        ]
        causes.append(Cause("corrections", listing(words), _few({**gone, **corrected})))
    settings = setting_differences(before / INPUTS / _SETTINGS, now / INPUTS / _SETTINGS)
    if settings:
        causes.append(Cause("settings", f"dairy.toml: {listing(settings)}", {_SETTINGS: settings}))
    books = [name for name in _changed(old, new) if name not in INPUT_FILES]
    if books:
        causes.append(Cause("rulebook", listing(books), {}))
    if old.get("program") != new.get("program"):
        versions = [said.get("program", {}).get("version") for said in (old, new)]
        words_ = f"version {versions[0]} to {versions[1]}" if versions[0] != versions[1] else f"a changed {versions[1]}"
        causes.append(Cause("program", words_, {}))
    return causes


def row_differences(
    before: Path, now: Path, month: str | None = None
) -> tuple[dict[str, list[str]], dict[str, list[str]], dict[str, list[str]]]:
    """Return the rows that are new, corrected and gone, by file, as their keys in words."""
    added: dict[str, list[str]] = {}
    corrected: dict[str, list[str]] = {}
    gone: dict[str, list[str]] = {}
    for name, key in KEYS.items():
        old, new = (known_by(rows_of_file(folder / name), month) for folder in (before, now))
        old_rows, new_rows = Counter(_frozen(row) for row in old), Counter(_frozen(row) for row in new)
        if old_rows == new_rows:
            continue
        old_keys = {key_of_row(row, key) for row in old}
        new_keys = {key_of_row(row, key) for row in new}
        for frozen in new_rows - old_rows:
            kind = corrected if key_of_row(dict(frozen), key) in old_keys else added
            kind.setdefault(name, []).append(key_of_row(dict(frozen), key))
        for frozen in old_rows - new_rows:
            if key_of_row(dict(frozen), key) not in new_keys:
                gone.setdefault(name, []).append(key_of_row(dict(frozen), key))
    return added, corrected, gone


def setting_differences(before: Path, now: Path) -> list[str]:
    """Return the settings that differ between two dairy.toml, by their names."""
    old, new = _toml(before), _toml(now)
    return sorted(key for key in old.keys() | new.keys() if old.get(key) != new.get(key))


def known_by(rows: list[dict[str, str]], month: str | None) -> list[dict[str, str]]:
    """Return the rows that are dated no later than the month's last day; rows without a day stay."""
    if month is None:
        return rows
    end = last_day(month).isoformat()
    return [row for row in rows if next((row[day] for day in _DAYS if day in row), "") <= end]


def rows_of_file(path: Path) -> list[dict[str, str]]:
    """Return the rows of a CSV file without their empty cells; none where there is no such file."""
    try:
        text = path.read_text(encoding="utf-8-sig", errors="replace")
    except OSError:
        return []
    return [
        {str(k).strip(): str(v).strip() for k, v in row.items() if k and v is not None and str(v).strip()}
        for row in csv.DictReader(io.StringIO(text))
    ]


def _frozen(row: Mapping[str, str]) -> frozenset[tuple[str, str]]:
    return frozenset(row.items())


def key_of_row(row: Mapping[str, str], columns: tuple[str, ...]) -> str:
    """Return which thing a row is about, as text."""
    return " ".join(row.get(column, "") for column in columns).strip()


def _toml(path: Path) -> dict[str, Any]:
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return {}
    flat: dict[str, Any] = {}
    for name, value in said.items():
        if isinstance(value, dict):
            flat |= {f"{name}.{inner}": item for inner, item in value.items()}
        else:
            flat[name] = value
    return flat


def _changed(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    first, second = old.get("inputs", {}), new.get("inputs", {})
    return sorted(name for name in first.keys() | second.keys() if first.get(name) != second.get(name))


def _row_words(rows: Mapping[str, list[str]], one: str) -> str:
    return listing(f"{count_of(len(keys), one)} in {name}" for name, keys in rows.items())


def _few(rows: Mapping[str, list[str]]) -> dict[str, list[str]]:
    return {name: sorted(keys)[:_SHOWN] for name, keys in rows.items()}
