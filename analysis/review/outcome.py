"""The outcome of a month, computed once and read by every notebook.

A notebook opened by itself and one run by the review call the same function; where `out_folder` already holds what was
decided from these very records by this very program it is read, else it is computed and written there.
"""

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.places import place
from analysis.records.findings import CannotDo, nearest
from analysis.records.writing import csv_text, write_text
from analysis.review.inputs import MANIFEST, input_hashes, key_of, manifest_of, read_manifest

if TYPE_CHECKING:
    from analysis.records.season import Season

DECISIONS = "decisions.json"
# Set by a review for its notebooks: the folder into which it has decided.
VOUCHED = "PASTUREPOT_DECIDED_INTO"
# Text columns that look like numbers to a reader.
_TEXT = dict.fromkeys(
    (
        "month",
        "from_month",
        "sample_id",
        "batch_id",
        "source",
        "lab",
        "note",
        "text",
        "row_text",
        "rules",
        "value_text",
    ),
    "str",
)

_INERT = r"^'('*[=+\-@\t\r])"


class Tables(Mapping[str, pd.DataFrame]):
    """The tables of a review folder by name, each read when asked for.

    Parameters
    ----------
    folder
        The folder with the csv files.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._read: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> pd.DataFrame:
        if name not in self._read:
            path = self._folder / f"{name}.csv"
            if not path.is_file():
                near = nearest(name, list(self))
                raise KeyError(f"no table {name!r} was written" + (f"; was {near!r} meant?" if near else ""))
            try:
                self._read[name] = _as_typed(pd.read_csv(path, dtype=_TEXT))
            except pd.errors.EmptyDataError:
                self._read[name] = pd.DataFrame()
        return self._read[name].copy()

    def __iter__(self) -> Iterator[str]:
        return iter(sorted(path.stem for path in self._folder.glob("*.csv")))

    def __len__(self) -> int:
        return len(list(iter(self)))

    def table(self, name: str) -> pd.DataFrame:
        """Return a table, or an empty frame where no room wrote one of that name."""
        return self[name] if name in self else pd.DataFrame()

    def __contains__(self, name: object) -> bool:
        return (self._folder / f"{name}.csv").is_file()


@dataclass(frozen=True)
class StoredOutcome:
    """What was decided for a dairy and a month, as it lies in a folder.

    Attributes
    ----------
    season_folder, month, out_folder
        What it is about and where it lies.
    """

    season_folder: Path
    month: str
    out_folder: Path

    @cached_property
    def decisions(self) -> dict[str, Any]:
        """The content of decisions.json."""
        found: dict[str, Any] = json.loads((self.out_folder / DECISIONS).read_text(encoding="utf-8"))
        return found

    @cached_property
    def tables(self) -> Tables:
        """The tables by name, read when asked for."""
        return Tables(self.out_folder / "tables")

    @cached_property
    def season(self) -> "Season":
        """The records as of the month, read anew; notebooks rarely need them."""
        from analysis.records.season import load_season

        return load_season(self.season_folder, self.month)


def load_or_decide(season_folder: str | Path = "", month: str = "", out_folder: str | Path = "") -> StoredOutcome:
    """Return what was decided for a month, computing it only where it was not yet.

    Parameters
    ----------
    season_folder
        Season folder; the invented demo season if empty.
    month
        Month under review, ``YYYY-MM``; the newest month with records if empty.
    out_folder
        Where decisions.json and the tables are kept; a folder by hand inside the season's reviews if empty.

    Raises
    ------
    CannotDo
        If the folder, the month or the records do not allow it; the message is one line.
    """
    folder = season_path(season_folder)
    asked = month or _newest(folder)
    out = Path(out_folder).expanduser().resolve() if str(out_folder) else folder / "reviews" / "by_hand" / asked
    if not _vouched_for(out) and not fits(folder, asked, out):
        decide_into(folder, asked, out)
    return StoredOutcome(folder, asked, out)


def season_path(season_folder: str | Path = "") -> Path:
    """Return the absolute season folder; the invented demo season where none is named.

    Raises
    ------
    CannotDo
        If there is no such folder, or it is no season folder.
    """
    if not str(season_folder):
        return _demo_season()
    folder = Path(season_folder).expanduser().resolve()
    if not folder.is_dir():
        raise CannotDo(f"{folder} is no folder; give the season folder of a dairy, the one with dairy.toml in it")
    if not (folder / "dairy.toml").is_file():
        raise CannotDo(f"{folder} holds no dairy.toml; give a season folder, or make one by: pasturepot new FOLDER")
    return folder


def fits(folder: Path, month: str, out: Path) -> bool:
    """Say whether a folder holds the outcome of these very records, this month and this program."""
    manifest = read_manifest(out)
    return (
        manifest is not None
        and manifest.get("key") == key_of(input_hashes(folder), month)
        and (out / DECISIONS).is_file()
        and (out / "tables").is_dir()
    )


def _vouched_for(out: Path) -> bool:
    """Say whether the review that runs this notebook has just decided into this folder.

    Records edited while a review runs must not make its notebooks disagree with each other.
    """
    return os.environ.get(VOUCHED, "") == str(out) and (out / DECISIONS).is_file()


def decide_into(folder: Path, month: str, out: Path) -> None:
    """Decide a month and write decisions.json, the tables and, last, the manifest that vouches for them."""
    # The deciding rooms are heavy; a notebook that only reads never loads them.
    from analysis.decide import decide, write_decisions
    from analysis.review.record_tables import record_tables

    manifest = manifest_of(folder, month, datetime.now(UTC).isoformat(timespec="seconds"))
    outcome = decide(folder, month)
    (out / "tables").mkdir(parents=True, exist_ok=True)
    write_text(out / DECISIONS, write_decisions(outcome.decisions))
    for name, table in {**outcome.tables, **record_tables(outcome.season)}.items():
        write_text(out / "tables" / f"{name}.csv", table_text(table))
    write_text(out / MANIFEST, json.dumps(manifest, indent=1, ensure_ascii=False) + "\n")


def table_text(table: pd.DataFrame) -> str:
    """Return a table as the text of its CSV file, numbers to six significant digits."""
    rounded = table.copy()
    for name in rounded.select_dtypes("float").columns:
        rounded[name] = [float(f"{value:.6g}") for value in rounded[name]]
    return csv_text(rounded)


def _as_typed(table: pd.DataFrame) -> pd.DataFrame:
    """Take off the apostrophe that keeps a text cell from being taken for a formula in a spreadsheet."""
    for name in table.columns:
        if pd.api.types.is_string_dtype(table[name]):
            table[name] = table[name].str.replace(_INERT, r"\1", regex=True)
    return table


def _newest(folder: Path) -> str:
    from analysis.records.season import newest_month

    return newest_month(folder)


def _demo_season() -> Path:
    try:
        demo = place("demo_season")
    except FileNotFoundError as error:
        raise CannotDo(
            "the demo season does not travel with this copy; set season_folder to a season folder"
        ) from error
    seasons = [demo, *sorted(path for path in demo.iterdir() if path.is_dir())]
    for folder in seasons:
        if (folder / "dairy.toml").is_file():
            return folder
    raise CannotDo(f"{demo} holds no season folder; set season_folder to one")
