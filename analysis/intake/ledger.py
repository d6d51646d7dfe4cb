"""The ledger: every file ever brought in, unchanged, when it came, and what became of each of its rows."""

import csv
import datetime as dt
import hashlib
import io
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.intake import compare, samples
from analysis.intake.labs import Kept, Lab, as_toml, file_of, read_labs
from analysis.intake.plan import FilePlan, Standing
from analysis.intake.samples import first_rules
from analysis.intake.stored import without
from analysis.records.findings import CannotDo
from analysis.records.schema import table as described_table
from analysis.records.together import write_together
from analysis.records.writing import inert

FILE = "intake/ledger.csv"
_FIELDS = (
    "id",
    "came_at",
    "file",
    "sha256",
    "bytes",
    "lab",
    "rows",
    "new",
    "corrected",
    "known",
    "set_aside",
    "without_result",
    "state",
)
_ROW_FIELDS = ("sheet", "place", "fate", "table", "sample", "why", "stored", "cells", "before")
_IN = "in"


@dataclass(frozen=True)
class Entry:
    """One line of the ledger, by its fields."""

    values: Mapping[str, str]

    @property
    def id(self) -> str:
        """Return the intake's id, such as ``I0007``."""
        return self.values["id"]

    @property
    def is_in(self) -> bool:
        """Whether the intake has not been taken back."""
        return self.values["state"] == _IN


def read_ledger(folder: Path) -> list[Entry]:
    """Return the entries of a season folder's ledger, oldest first.

    Raises
    ------
    CannotDo
        If the ledger cannot be read.
    """
    path = folder / FILE
    if not path.is_file():
        return []
    try:
        rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))
        return [Entry({key: (row[key] or "") for key in _FIELDS}) for row in rows]
    except (UnicodeDecodeError, csv.Error, KeyError) as bad:
        raise CannotDo(
            f"{FILE} cannot be read ({bad!r}); put it back from a copy: it says what every intake did"
        ) from None


def already_in(entries: Sequence[Entry], sha256: str) -> Entry | None:
    """Return the entry that brought this very file in and was not taken back, or None."""
    return next((e for e in entries if e.is_in and e.values["sha256"] == sha256), None)


def _csv(fields: Sequence[str], rows: Sequence[Mapping[str, str]]) -> bytes:
    out = io.StringIO()
    writer = csv.DictWriter(out, fields, lineterminator="\n")
    writer.writeheader()
    writer.writerows(
        [{k: v if k in ("stored", "cells", "before") else inert(v) for k, v in row.items()} for row in rows]
    )
    return out.getvalue().encode("utf-8")


def _safe(name: str) -> str:
    kept = re.sub(r"[^\w.+ ()-]", "_", name).lstrip(".")[-120:].strip()
    return kept or "file"


def next_id(entries: Sequence[Entry]) -> str:
    """Return the id of the next intake."""
    numbers = [int(found[1]) for e in entries if (found := re.fullmatch(r"I(\d+)", e.id))]
    return f"I{max(numbers, default=0) + 1:04d}"


def put(
    plans: Sequence[FilePlan],
    standing: Standing,
    entries: list[Entry],
    now: dt.datetime,
    labs_before: Mapping[str, Lab],
) -> list[Entry]:
    """Write what the plans say: tables, ledger, kept files and habits, all as one. Called under the folder's lock.

    Parameters
    ----------
    plans
        One a file, worked out on ``standing`` in this order.
    standing
        The season folder with the rows added.
    entries
        The ledger so far.
    now
        When the files came.
    labs_before
        What was kept of laboratories before these files.

    Returns
    -------
    list of Entry
        The entries written.
    """
    contents: dict[str, bytes] = {}
    written: list[Entry] = []
    labs = dict(labs_before)
    added_columns = _added_columns(standing)
    for plan in plans:
        entry = _entry(plan, next_id([*entries, *written]), now)
        home = f"intake/{entry.id}"
        data = plan.path.read_bytes()
        if hashlib.sha256(data).hexdigest() != plan.sha256:
            raise CannotDo(f"{plan.path.name} was changed while it was read; bring it in again")
        contents[f"{home}/{_safe(plan.path.name)}"] = data
        rows = _rows(plan)
        contents[f"{home}/rows.csv"] = _csv(_ROW_FIELDS, rows)
        changed = sorted({f.candidate.table for f in plan.fates if f.fate in compare.STORED})
        about = {
            "id": entry.id,
            "tables": {
                name: {"made": not standing.stored[name].is_there, "columns": added_columns.get(name, [])}
                for name in changed
            },
        }
        contents[f"{home}/intake.json"] = (json.dumps(about, indent=1) + "\n").encode()
        written.append(entry)
        habits = _confirmed(plan.lab, labs.get(plan.lab.name, Lab(plan.lab.name)), entry.id)
        if habits != labs.get(plan.lab.name) and (plan.lab.name or habits.columns):
            labs[plan.lab.name] = habits
            contents[file_of(plan.lab.name)] = as_toml(habits).encode("utf-8")
    if not (standing.folder / samples.FILE).exists():
        contents[samples.FILE] = samples.as_toml(first_rules(standing.flocks)).encode("utf-8")
    contents[FILE] = _csv(_FIELDS, [e.values for e in (*entries, *written)])
    for stored in standing.stored.values():
        if stored.added:
            contents[stored.table.file] = stored.as_bytes()
    write_together(standing.folder, contents)
    return written


def _added_columns(standing: Standing) -> dict[str, list[str]]:
    """Return the columns that a table gains, by table."""
    return {
        name: [c for c in stored.table.names if c not in stored.header and any(v.get(c) for v in stored.added)]
        for name, stored in standing.stored.items()
        if stored.added and stored.header
    }


def _confirmed(new: Lab, old: Lab, identity: str) -> Lab:
    columns = {
        k: kept if k in old.columns and old.columns[k] == kept else replace(kept, intake=identity)
        for k, kept in new.columns.items()
    }
    return replace(new, columns={**old.columns, **columns})


def _entry(plan: FilePlan, identity: str, now: dt.datetime) -> Entry:
    counts = {
        "rows": len(plan.fates),
        "new": plan.count(compare.NEW),
        "corrected": plan.count(compare.CORRECTED, compare.COMPLETED, compare.WITHDRAWN, compare.EARLIER),
        "known": plan.count(compare.KNOWN),
        "set_aside": plan.count(compare.ASIDE),
        "without_result": len(plan.other),
    }
    return Entry(
        {
            "id": identity,
            "came_at": now.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "file": _safe(plan.path.name),
            "sha256": plan.sha256,
            "bytes": str(plan.size),
            "lab": plan.lab.name,
            **{key: str(value) for key, value in counts.items()},
            "state": _IN,
        }
    )


def _rows(plan: FilePlan) -> list[dict[str, str]]:
    rows = []
    for fate in plan.fates:
        c = fate.candidate
        stored = fate.values if fate.fate in compare.STORED else c.values if fate.fate == compare.KNOWN else None
        rows.append(
            {
                "sheet": c.sheet,
                "place": c.place,
                "fate": fate.fate,
                "table": c.table,
                "sample": c.values.get("sample_id", "") or c.values.get("batch_id", ""),
                "why": fate.why,
                "stored": _json({k: v for k, v in stored.items() if v}) if stored else "",
                "cells": _json(c.cells) if c.cells else "",
                "before": _json(c.before) if c.before else "",
            }
        )
    for sheet, place, what, text in plan.other:
        rows.append(
            {
                "sheet": sheet,
                "place": place,
                "fate": f"no result: {what}",
                "table": "",
                "sample": "",
                "why": text,
                "stored": "",
                "cells": "",
                "before": "",
            }
        )
    return rows


def _json(values: Mapping[str, str]) -> str:
    return json.dumps(dict(values), ensure_ascii=False, sort_keys=True)


@dataclass(frozen=True)
class TakenBack:
    """What taking an intake back did: rows taken out by table, rows that stay and why."""

    entry: Entry
    out: Mapping[str, int]
    stay: tuple[str, ...]


def read_rows_of(folder: Path, identity: str) -> list[dict[str, str]]:
    """Return what became of each row of an intake.

    Raises
    ------
    CannotDo
        If that part of the ledger is missing or cannot be read.
    """
    path = folder / "intake" / identity / "rows.csv"
    try:
        return [dict(row) for row in csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline=""))]
    except (OSError, UnicodeDecodeError, csv.Error) as bad:
        raise CannotDo(
            f"intake/{identity}/rows.csv cannot be read ({bad}); without it the intake cannot be taken back"
        ) from None


def take_back(folder: Path, identity: str, today: dt.date, *, write: bool) -> TakenBack:
    """Take an intake back whole: its rows leave the tables, what it taught about the laboratory's columns is forgotten.

    A row that a later intake brought as well stays, and belongs to that one from then on. The file and the ledger's
    account of it are kept, marked as taken back. To be called under the folder's lock where ``write``.

    Parameters
    ----------
    folder
        The season folder.
    identity
        Id of the intake.
    today
        Day that the ledger names.
    write
        False only says what would happen.

    Raises
    ------
    CannotDo
        If there is no such intake, it was taken back before, or one of its rows has been changed by hand since.
    """
    entries = read_ledger(folder)
    entry = next((e for e in entries if e.id.casefold() == identity.casefold()), None)
    if entry is None:
        listed = ", ".join(e.id for e in entries if e.is_in) or "none"
        raise CannotDo(f'there is no intake "{identity}"; those that can be taken back: {listed}')
    if not entry.is_in:
        raise CannotDo(f"{entry.id} has been {entry.values['state']} already")
    contents: dict[str, bytes] = {}
    stay: list[str] = []
    inherited = _inherit(folder, entry, entries, contents, stay)
    gone: dict[str, list[dict[str, str]]] = {}
    for row in read_rows_of(folder, entry.id):
        if row["fate"] in compare.STORED and row["stored"] and (row["table"], row["stored"]) not in inherited:
            gone.setdefault(row["table"], []).append(json.loads(row["stored"]))
    about = json.loads((folder / "intake" / entry.id / "intake.json").read_text(encoding="utf-8"))
    for name, rows in gone.items():
        table = described_table(name)
        path = folder / table.file
        data, lost = without(
            path.read_bytes() if path.exists() else b"", table, rows, about["tables"].get(name, {}).get("columns", [])
        )
        if lost:
            who = lost[0].get("sample_id") or lost[0].get("batch_id", "")
            raise CannotDo(
                f"{len(lost)} rows of {entry.id} do not stand in {table.file} any more as they were brought "
                f"in (first: {who}); "
                "put them back as they were, or take them out by hand"
            )
        contents[table.file] = data
    _forget(folder, entry, contents)
    marked = Entry({**entry.values, "state": f"taken back on {today.isoformat()}"})
    contents[FILE] = _csv(_FIELDS, [(marked if e is entry else e).values for e in entries])
    if write:
        write_together(folder, contents)
    return TakenBack(marked, {name: len(rows) for name, rows in gone.items()}, tuple(stay))


def _inherit(
    folder: Path, entry: Entry, entries: Sequence[Entry], contents: dict[str, bytes], stay: list[str]
) -> set[tuple[str, str]]:
    """Return the rows (table, stored) that a later intake brought too, and hand them over to it."""
    own = {
        (r["table"], r["stored"]) for r in read_rows_of(folder, entry.id) if r["fate"] in compare.STORED and r["stored"]
    }
    keys = {(table, _key(stored)): stored for table, stored in own}
    handed: set[tuple[str, str]] = set()
    for other in entries:
        if not other.is_in or other.id == entry.id:
            continue
        rows = read_rows_of(folder, other.id)
        changed = False
        for row in rows:
            if row["fate"] != compare.KNOWN or not row["stored"]:
                continue
            stored = keys.get((row["table"], _key(row["stored"])))
            if stored is None or (row["table"], stored) in handed or not _agree(stored, row["stored"]):
                continue
            handed.add((row["table"], stored))
            row.update(fate=compare.NEW, stored=stored, why=f"brought by {entry.id} before, which was taken back")
            changed = True
            stay.append(f"{row['sample']} stays: {other.id} brought it too")
        if changed:
            contents[f"intake/{other.id}/rows.csv"] = _csv(_ROW_FIELDS, rows)
    return handed


def _key(stored: str) -> tuple[str, ...]:
    values = json.loads(stored)
    return tuple(values.get(k, "") for k in ("lab", "sample_id", "batch_id", "minutes"))


def _agree(one: str, other: str) -> bool:
    a, b = json.loads(one), json.loads(other)
    return all(a.get(k, "") == v or not k.endswith(("_100g", "_ml", "_c", "ph")) for k, v in b.items())


def _forget(folder: Path, entry: Entry, contents: dict[str, bytes]) -> None:
    for lab in read_labs(folder).values():
        kept: dict[str, Kept] = {key: column for key, column in lab.columns.items() if column.intake != entry.id}
        if len(kept) < len(lab.columns):
            rest = replace(lab, columns=kept) if kept else Lab(lab.name)
            contents[file_of(lab.name)] = as_toml(rest).encode("utf-8")
