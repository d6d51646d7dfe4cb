"""Tables of a season folder as they are stored, to be added to without touching a letter of what stands there."""

import csv
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from analysis.records.findings import CannotDo
from analysis.records.schema import Table
from analysis.records.schema import table as described_table
from analysis.records.writing import inert

_MADE_INERT = re.compile(r"'+[=+\-@\t\r]")


@dataclass
class StoredRow:
    """One row: ``values`` by column (text as meant, not as stored) and the ``row`` that a spreadsheet shows."""

    values: dict[str, str]
    row: int


@dataclass
class StoredTable:
    """One table as stored.

    Parameters
    ----------
    table
        Its description.
    text
        What stands in the file, without byte-order mark.
    header
        Names in the first row.
    rows
        All rows.
    """

    table: Table
    text: str
    header: list[str]
    rows: list[StoredRow]
    mark: bool = False
    is_there: bool = True
    added: list[dict[str, str]] = field(default_factory=list)
    _index: dict[tuple[str, ...], list[StoredRow]] = field(default_factory=dict)
    _days: dict[str, list[StoredRow]] = field(default_factory=dict)

    def key_of(self, values: Mapping[str, str]) -> tuple[str, ...]:
        """Return the key of a row: lab and sample, batch, or batch and minutes."""
        if self.table.name in ("milk_tests", "pot_tests"):
            return (values.get("lab", ""), values.get("sample_id", ""))
        if self.table.name == "batches":
            return (values.get("batch_id", ""),)
        return (values.get("batch_id", ""), _plain_number(values.get("minutes", "")))

    def with_key(self, values: Mapping[str, str]) -> list[StoredRow]:
        """Return the rows that have the key of ``values``."""
        if not self._index:
            for row in self.rows:
                self._index.setdefault(self.key_of(row.values), []).append(row)
        return self._index.get(self.key_of(values), [])

    def on_day(self, day: str) -> list[StoredRow]:
        """Return the rows sampled on a day (ISO text) that stood in the file."""
        if not self._days:
            for row in self.rows:
                self._days.setdefault(row.values.get("sampled_on", ""), []).append(row)
        return self._days.get(day, [])

    def add(self, values: Mapping[str, str]) -> StoredRow:
        """Add a row at the end."""
        self.with_key(values)
        row = StoredRow(dict(values), (self.rows[-1].row if self.rows else 1) + 1)
        self.rows.append(row)
        self._index.setdefault(self.key_of(values), []).append(row)
        self.added.append(dict(values))
        return row

    def as_bytes(self) -> bytes:
        """Return the file with the added rows; what stood there stays to the letter, but for columns that are new."""
        header, text = list(self.header), self.text
        wanted = [name for name in self.table.names if any(values.get(name) for values in self.added)]
        missing = [name for name in wanted if name not in header]
        end = "\r\n" if "\r\n" in text else "\n"
        if not header:
            header = [c.name for c in self.table.columns if not c.optional or c.name in wanted]
            text = _line(header, end)
        elif missing:
            header += missing
            text = _widened(text, header, len(missing), end)
        if text and not text.endswith(("\n", "\r")):
            text += end
        lines = [
            _line([_cell(values.get(name, ""), self.table, name) for name in header], end) for values in self.added
        ]
        return (b"\xef\xbb\xbf" if self.mark else b"") + (text + "".join(lines)).encode("utf-8")


def _plain_number(text: str) -> str:
    try:
        return repr(float(text))
    except ValueError:
        return text


def _cell(text: str, table: Table, name: str) -> str:
    return inert(text) if name in table.names and not table.column(name).is_number else text


def _line(cells: Iterable[str], end: str) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator=end).writerow(list(cells))
    return out.getvalue()


def _widened(text: str, header: list[str], more: int, end: str) -> str:
    rows = list(csv.reader(io.StringIO(text, newline="")))
    out = []
    for number, cells in enumerate(rows):
        if number == 0:
            out.append(_line(header, end))
        else:
            full = cells + [""] * (len(header) - more - len(cells))
            out.append(_line([*full, *[""] * more], end) if any(cells) else end)
    return "".join(out)


def without(
    data: bytes, table: Table, gone: list[dict[str, str]], columns: list[str]
) -> tuple[bytes, list[dict[str, str]]]:
    """Return a file without the given rows, and those of them that do not stand there any more.

    Parameters
    ----------
    data
        The file.
    table
        Its description.
    gone
        Rows to take out, by their values; of equal rows the last is taken.
    columns
        Columns to take out again where no row fills them.
    """
    mark = data.startswith(b"\xef\xbb\xbf")
    text = data.decode("utf-8-sig")
    records = _records(text)
    if not records:
        return data, gone
    header = [name.strip() for name in records[0][1]]
    places: dict[tuple[tuple[str, str], ...], list[int]] = {}
    for number, (_, cells) in enumerate(records[1:], start=1):
        places.setdefault(_frozen(_as_meant(dict(zip(header, cells, strict=False)), table)), []).append(number)
    drop: set[int] = set()
    lost = []
    for values in gone:
        found = places.get(_frozen(values))
        if found:
            drop.add(found.pop())
        else:
            lost.append(values)
    kept = [(raw, cells) for number, (raw, cells) in enumerate(records) if number not in drop]
    idle = [
        name for name in columns if name in header and not any(_at(cells, header.index(name)) for _, cells in kept[1:])
    ]
    if idle:
        places_kept = [i for i, name in enumerate(header) if name not in idle]
        end = "\r\n" if "\r\n" in text else "\n"
        out = "".join(_line([_at(cells, i) for i in places_kept], end) if any(cells) else raw for raw, cells in kept)
    else:
        out = "".join(raw for raw, _ in kept)
    return (b"\xef\xbb\xbf" if mark else b"") + out.encode("utf-8"), lost


def _at(cells: list[str], place: int) -> str:
    return cells[place] if place < len(cells) else ""


def _frozen(values: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple(sorted((key, value) for key, value in values.items() if value))


def _as_meant(values: Mapping[str, str], table: Table) -> dict[str, str]:
    return {
        name: text[1:]
        if _MADE_INERT.match(text) and not (name in table.names and table.column(name).is_number)
        else text
        for name, text in values.items()
        if text
    }


def _records(text: str) -> list[tuple[str, list[str]]]:
    """Return (text as it stands, cells) of each record; a record may span lines."""
    found: list[tuple[str, list[str]]] = []
    pending = ""
    for line in io.StringIO(text, newline=""):
        pending += line
        if pending.count('"') % 2 == 0:
            rows = list(csv.reader(io.StringIO(pending, newline="")))
            found.append((pending, rows[0] if rows else []))
            pending = ""
    if pending:
        found.append((pending, next(csv.reader(io.StringIO(pending, newline="")), [])))
    return found


def read_stored(folder: Path, name: str) -> StoredTable:
    """Read a table as it is stored.

    Raises
    ------
    CannotDo
        If its file cannot be added to: not UTF-8, no CSV, or a header of another table.
    """
    table = described_table(name)
    path = folder / table.file
    if not path.exists():
        return StoredTable(table, "", [], [], is_there=False)
    data = path.read_bytes()
    try:
        text = data.decode("utf-8-sig")
        rows = list(csv.reader(io.StringIO(text, newline="")))
    except (UnicodeDecodeError, csv.Error) as bad:
        raise CannotDo(
            f"{table.file} cannot be added to ({' '.join(str(bad).split())[:80]}); run check and correct it first"
        ) from None
    first = next((i for i, row in enumerate(rows) if any(row)), None)
    header = [cell.strip() for cell in rows[first]] if first is not None else []
    missing = [c.name for c in table.columns if c.required and c.name not in header]
    if header and (missing or len(set(header)) != len(header)):
        why = f"has no column {missing[0]}" if missing else "names a column twice"
        raise CannotDo(f"{table.file} cannot be added to: its header row {why}; run check and correct it first")
    found = [
        StoredRow(_as_meant(dict(zip(header, [c.strip() for c in row], strict=False)), table), number)
        for number, row in enumerate(rows, start=1)
        if any(row) and first is not None and number > first + 1
    ]
    return StoredTable(table, text, header, found, mark=data.startswith(b"\xef\xbb\xbf"))
