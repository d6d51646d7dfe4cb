"""A table of a season folder from its CSV file into typed columns; what cannot be read is said by row and column."""

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.records.findings import CannotDo, Finding, did_you_mean, error, nearest, note, warning
from analysis.records.schema import Column, Table

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?")
_ISO_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
# A text that a spreadsheet would take for a formula is stored with one apostrophe more; reading takes it off again.
_MADE_INERT = re.compile(r"'+[=+\-@\t\r]")
_FIRST_DAY, _LAST_DAY = date(1980, 1, 1), date(2100, 12, 31)
_NOT_MEASURED = {"-", "--", "n.d.", "nd", "n/a", "na", "nan", "none", "null", "?", "."}


@dataclass(frozen=True)
class ReadTable:
    """One table as its file says it.

    Parameters
    ----------
    table
        The description.
    frame
        Every column of the schema, typed, and ``file_row``; also ``usable`` (False: the row cannot be used, see the
        findings) and ``withdrawn`` (no measured value at all).
    findings
        What could not be read.
    present
        Whether the file was there and its header could be read.
    stop
        Why nothing can be computed from the season at all, or None.
    """

    table: Table
    frame: pd.DataFrame
    findings: tuple[Finding, ...]
    present: bool
    stop: Finding | None = None


def read_table(folder: Path, table: Table) -> ReadTable:
    """Read one table.

    Parameters
    ----------
    folder
        The season folder.
    table
        The description of the table.

    Returns
    -------
    ReadTable
        Typed rows and findings; no rows where the file has none, or cannot be read.

    Raises
    ------
    CannotDo
        If the table is required and the file is missing.
    """
    path = folder / table.file
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        if table.required:
            raise CannotDo(
                f"{table.file} is missing in {folder}; it is required"
                f"{'' if table.name == 'milk_tests' else ', though it may hold its header row alone'}"
            ) from None
        return ReadTable(table, empty_frame(table), (), present=False)
    except IsADirectoryError:
        raise CannotDo(f"{table.file} in {folder} is a folder; expected a CSV file") from None
    rows = _rows(data, table)
    if isinstance(rows, Finding):
        return _unreadable(table, rows)
    header = [name.strip() for name in rows[0][1]]
    problem = _header_problem(header, table)
    if problem is not None:
        return _unreadable(table, problem)
    findings = _header_findings(header, table)
    body, ragged = _even(rows[1:], header, table)
    findings += ragged
    frame, cells = _typed(body, header, table)
    findings += cells
    if not len(frame) and table.name == "milk_tests":
        findings.append(
            note(
                "no-rows",
                "the file holds its header row alone",
                file=table.file,
                advice="answers rest on published figures until results are written in",
            )
        )
    return ReadTable(table, frame, tuple(findings), present=True)


def empty_frame(table: Table) -> pd.DataFrame:
    """Return a frame with every column of the schema, typed, and no rows."""
    return _typed([], list(table.names), table)[0]


def _unreadable(table: Table, why: Finding) -> ReadTable:
    # Without its milk tests a season has nothing to rest on; a review that quietly went on would mislead.
    stop = why if table.name == "milk_tests" else None
    return ReadTable(table, empty_frame(table), (why,), present=False, stop=stop)


def _rows(data: bytes, table: Table) -> list[tuple[int, list[str]]] | Finding:
    """Return (row number as a spreadsheet shows it, cells) of every row that is not blank, header first."""
    file = table.file
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as bad:
        row = data[: bad.start].count(b"\n") + 1
        return error(
            "not-utf8",
            "the file is not UTF-8 text",
            file=file,
            row=row,
            advice="save it as CSV UTF-8 (comma separated)",
        )
    rows: list[tuple[int, list[str]]] = []
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(text, newline="")), start=1):
            if any(cell.strip() for cell in cells):
                rows.append((number, cells))
    except csv.Error as bad:
        return error(
            "not-csv",
            f"the file cannot be read as CSV ({bad})",
            file=file,
            row=len(rows) + 1,
            advice="look for a quotation mark that is never closed",
        )
    if not rows:
        return error(
            "empty-file",
            "the file is empty",
            file=file,
            expected="a header row",
            advice=f"write the header row: {','.join(c.name for c in table.columns if not c.optional)}",
        )
    return rows


def _header_problem(header: Sequence[str], table: Table) -> Finding | None:
    """Return why the rows below this header cannot be read at all, or None."""
    known = [name for name in header if name in table.names]
    needed = [column.name for column in table.columns if column.required]
    if not known:
        other = next((mark for mark in (";", "\t", "|") if mark in header[0]), None)
        return error(
            "wrong-header",
            "the header row names no column of this table"
            + (f'; its cells seem to be separated by "{_mark_name(other)}"' if other else ""),
            file=table.file,
            row=1,
            value=",".join(header),
            expected=f"{','.join(table.names[:4])}, …",
            advice="separate by commas" if other else "write the column names in the first row",
        )
    twice = sorted({name for name in known if known.count(name) > 1})
    if twice:
        return error(
            "column-twice",
            "the column stands twice in the header row",
            file=table.file,
            row=1,
            column=twice[0],
            advice="keep one of the two",
        )
    missing = [name for name in needed if name not in known]
    if missing:
        close = nearest(missing[0], [name for name in header if name not in table.names and name])
        return error(
            "missing-column",
            "the column is missing and no row can be used without it",
            file=table.file,
            row=1,
            column=missing[0],
            expected=table.column(missing[0]).description.rstrip(".").lower(),
            advice=f'rename "{close}" if it is meant' if close else "add the column",
        )
    return None


def _mark_name(mark: str) -> str:
    return "tab" if mark == "\t" else mark


def _header_findings(header: Sequence[str], table: Table) -> list[Finding]:
    """Return findings on columns that are not read, or that are not there though they should be."""
    findings = []
    for name in header:
        if name and name not in table.names:
            absent = [right for right in table.names if right not in header]
            close = nearest(name, absent)
            findings.append(
                warning(
                    "unknown-column",
                    "the column is not one of this table and is not read",
                    file=table.file,
                    row=1,
                    column=name,
                    advice=did_you_mean(name, [close]) if close else None,
                )
            )
    missing = [c.name for c in table.columns if c.name not in header and not c.optional]
    findings += [
        warning(
            "missing-column",
            "the column is missing and counts as not measured",
            file=table.file,
            row=1,
            column=name,
            advice="add it, empty where not measured",
        )
        for name in missing
    ]
    return findings


def _even(
    rows: Sequence[tuple[int, list[str]]], header: Sequence[str], table: Table
) -> tuple[list[tuple[int, list[str], bool]], list[Finding]]:
    """Return rows as wide as the header (number, cells, usable), with a finding where a row is not."""
    width = len(header)
    even: list[tuple[int, list[str], bool]] = []
    findings = []
    for number, cells in rows:
        if len(cells) == width:
            even.append((number, cells, True))
        elif len(cells) < width:
            even.append((number, cells + [""] * (width - len(cells)), True))
            findings.append(
                warning(
                    "short-row",
                    f"the row has {len(cells)} cells, the header {width}; the last ones count as not measured",
                    file=table.file,
                    row=number,
                    advice="look whether the row was cut off",
                )
            )
        else:
            spare = [cell for cell in cells[width:] if cell.strip()]
            even.append((number, cells[:width], not spare))
            if spare:
                findings.append(
                    error(
                        "long-row",
                        f"the row has {len(cells)} cells, the header {width}, so it is set aside",
                        file=table.file,
                        row=number,
                        advice="write decimals with a point, and text that holds a comma in quotation marks",
                    )
                )
    return even, findings


def _typed(
    body: Sequence[tuple[int, list[str], bool]], header: Sequence[str], table: Table
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the frame with typed columns, and a finding for each cell that cannot be read."""
    n = len(body)
    file_rows = np.array([number for number, _, _ in body], dtype=np.int64)
    usable = np.array([fine for _, _, fine in body], dtype=bool)
    at = {name: place for place, name in enumerate(header)}
    columns: dict[str, pd.Series] = {}
    findings: list[Finding] = []
    filled = np.zeros(n, dtype=bool)
    for result in [at[name] for name in table.results if name in at]:
        filled |= np.fromiter((cells[result].strip() != "" for _, cells, _ in body), dtype=bool, count=n)
    # A row that withdraws a result need say no more than which one, and when.
    withdraws = ~filled & bool(table.results)
    for column in table.columns:
        place = at.get(column.name)
        texts = [cells[place].strip() for _, cells, _ in body] if place is not None else [""] * n
        values, bad = _column(texts, column)
        columns[column.name] = values
        findings += [_bad_cell(table, column, int(file_rows[row]), texts[row]) for row in np.flatnonzero(bad)]
        if column.required:
            absent = values.isna().to_numpy() & ~withdraws
            findings += [
                error(
                    "missing-value",
                    "the cell is empty, so the row is set aside",
                    file=table.file,
                    row=int(file_rows[row]),
                    column=column.name,
                    expected=column.description.rstrip(".").lower(),
                    advice="fill it in",
                )
                for row in np.flatnonzero(absent & ~bad)
            ]
            usable &= ~absent
    frame = pd.DataFrame(columns)
    frame["file_row"] = file_rows
    frame["usable"] = usable
    frame["withdrawn"] = withdraws
    return frame, findings


def _column(texts: list[str], column: Column) -> tuple[pd.Series, np.ndarray]:
    """Return a column's values and which cells could not be read; each distinct text is read once."""
    if column.is_number:
        read = {text: _number(text, whole=column.kind == "count") for text in set(texts)}
        values = pd.Series([read[text] for text in texts], dtype="float64")
    elif column.kind == "date":
        days = {text: _day(text) for text in set(texts)}
        values = pd.Series(np.array([days[text] for text in texts], dtype="datetime64[us]"))
    else:
        words = {text: _word(text, column.words) for text in set(texts)}
        values = pd.Series([words[text] for text in texts], dtype="str")
    given = np.fromiter((text != "" for text in texts), dtype=bool, count=len(texts))
    return values, values.isna().to_numpy() & given


def _number(text: str, *, whole: bool) -> float:
    if not _NUMBER.fullmatch(text):
        return np.nan
    value = float(text)
    return np.nan if whole and value != round(value) else value


def _day(text: str) -> date | None:
    if not _ISO_DAY.fullmatch(text):
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    return day if _FIRST_DAY <= day <= _LAST_DAY else None


def _word(text: str, words: Sequence[str]) -> str | None:
    if not text:
        return None
    if _MADE_INERT.match(text):
        text = text[1:]
    if not words:
        return text
    folded = " ".join(text.casefold().split())
    return folded if folded in words else None


def _bad_cell(table: Table, column: Column, row: int, text: str) -> Finding:
    """Return the finding for a cell that cannot be read."""
    done = "the row is set aside" if column.required else "the cell counts as empty"
    where = {"file": table.file, "row": row, "column": column.name, "value": text}
    if column.words:
        return error(
            "wrong-word",
            f"the word is not one of this column, so {done}",
            expected=" or ".join(column.words),
            advice=did_you_mean(text, column.words),
            **where,
        )
    if column.kind == "date":
        return error(
            "not-a-date",
            f"this is no date, so {done}",
            expected="a day as 2026-05-12",
            advice=_date_hint(text),
            **where,
        )
    kind = "a whole number" if column.kind == "count" else "a number"
    expected = f"{kind} in {column.unit}" if column.unit not in ("", "1") else kind
    return error(
        "not-a-number", f"this is not {kind}, so {done}", expected=expected, advice=_number_hint(text), **where
    )


def _date_hint(text: str) -> str:
    if _ISO_DAY.fullmatch(text):
        try:
            date.fromisoformat(text)
        except ValueError:
            return "no such day is in the calendar"
        return f"check the year; days from {_FIRST_DAY} to {_LAST_DAY} are read"
    return "write year-month-day"


def _number_hint(text: str) -> str:
    if _DECIMAL_COMMA.fullmatch(text):
        return f"write a decimal point: {text.replace(',', '.')}"
    if text.startswith(("<", ">")):
        return "write the number that the laboratory stands by, or leave the cell empty and put the rest into note"
    if text.casefold() in _NOT_MEASURED:
        return "leave the cell empty where nothing was measured"
    if any(mark in text for mark in "%°"):
        return "write the number alone, the unit stands in the column name"
    return "correct it, or leave the cell empty where nothing was measured"
