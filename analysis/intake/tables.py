"""Sheets into tables: where the headings stand, which rows are results, which sum up, which only say something."""

import datetime as dt
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from analysis.intake.container import column_letters
from analysis.intake.numerals import decimal_evidence, read_figure
from analysis.intake.reading import Cell, Sheet
from analysis.intake.units import take_apart
from analysis.intake.words import group, match, plain

# How well a heading is known: the names of the meanings that it certainly has.
Known = Callable[[str], tuple[str, ...]]
_LABELS = {
    "lab",
    "sampled_on",
    "reported_on",
    "received_on",
    "made_on",
    "batch_id",
    "sample_id",
    "description",
    "source",
    "method",
}
_DEEPEST_TITLE = 60


@dataclass(frozen=True)
class Row:
    """One row of a table.

    Parameters
    ----------
    place
        Where it stands, such as ``row 7`` or ``column C``.
    cells
        One a heading.
    at
        Spreadsheet names of its cells, such as ``B7``.
    section
        The line that stands above a group of rows, or empty.
    """

    place: str
    cells: tuple[Cell, ...]
    at: tuple[str, ...]
    section: str = ""


@dataclass(frozen=True)
class LabTable:
    """One table of a sheet.

    Parameters
    ----------
    sheet
        Name of the sheet.
    headings
        Text of each heading, with its unit.
    letters
        Spreadsheet name of each column (or of the row, in a table turned on its side).
    rows
        The rows below the headings that hold results.
    other
        Rows that hold none: (place, what they are, their text).
    labels
        What titles say for the whole table: meaning -> (text or day, place).
    titles
        Text cells above the headings.
    sideways
        Whether headings stand one below the other.
    """

    sheet: str
    headings: tuple[str, ...]
    letters: tuple[str, ...]
    rows: tuple[Row, ...]
    other: tuple[tuple[str, str, str], ...] = ()
    labels: dict[str, tuple[Cell, str]] = field(default_factory=dict)
    titles: tuple[str, ...] = ()
    sideways: bool = False


def known_by_words(heading: str) -> tuple[str, ...]:
    """Return the meanings that a heading certainly has by the trade's words."""
    said = take_apart(heading)
    found = match(said.words)
    return found.meanings if found.certain else ()


def find_tables(sheet: Sheet, known: Known = known_by_words) -> list[LabTable]:
    """Find every table of results on a sheet.

    Parameters
    ----------
    sheet
        The sheet as read.
    known
        Tells the meanings that a heading certainly has.

    Returns
    -------
    list of LabTable
        From top to bottom; empty where no row and no column shows at least two known headings.
    """
    grid = _grid(sheet.rows)
    if not grid:
        return []
    across = _Finder(grid, known)
    best_across = max(across.scores, default=0)
    turned = [list(column) for column in zip(*grid, strict=True)] if len(grid[0]) <= 2000 and len(grid) <= 500 else []
    if turned:
        down = _Finder(turned, known)
        best_down = max(down.scores, default=0)
        if best_down >= 2 and best_down > best_across and not across.is_long():
            return [
                _named_samples(replace(t, sheet=sheet.name, sideways=True), known) for t in down.tables(sideways=True)
            ]
    if best_across < 2:
        return []
    return [replace(t, sheet=sheet.name) for t in across.tables(sideways=False)]


def _named_samples(table: LabTable, known: Known) -> LabTable:
    """Call the line that heads a table on its side ("Parameter | Sample 1 | Sample 2") by what it holds: the samples."""
    names = [set(known(heading)) for heading in table.headings]
    if any({"sample_id", "description"} & n for n in names):
        return table
    return replace(
        table, headings=tuple("Sample" if "parameter" in n else h for h, n in zip(table.headings, names, strict=True))
    )


def _grid(rows: Sequence[Sequence[Cell]]) -> list[list[Cell]]:
    width = max((len(row) for row in rows), default=0)
    return [list(row) + [None] * (width - len(row)) for row in rows]


def _is_text(cell: Cell) -> bool:
    if not isinstance(cell, str):
        return False
    return not re.fullmatch(r"[\s\d.,:/+-]*", cell)


def _text(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, float) and cell == int(cell):
        return str(int(cell))
    return cell.isoformat() if isinstance(cell, dt.date) else str(cell)


class _Finder:
    """Finds headings in one orientation of a grid."""

    def __init__(self, grid: list[list[Cell]], known: Known) -> None:
        self.grid = grid
        self._known = known
        self._seen: dict[str, tuple[str, ...]] = {}
        self.scores = [self._score(row) for row in grid]

    def known(self, heading: str) -> tuple[str, ...]:
        if heading not in self._seen:
            self._seen[heading] = self._known(heading) if 0 < len(heading) <= 200 else ()
        return self._seen[heading]

    def _score(self, row: Sequence[Cell]) -> float:
        """Count the different meanings of a row's known headings; a row of figures has none."""
        texts = [cell for cell in row if isinstance(cell, str) and _is_text(cell)]
        figures = sum(
            1
            for cell in row
            if isinstance(cell, int | float | dt.date) or (isinstance(cell, str) and not _is_text(cell))
        )
        if len(texts) < 2 or figures > 0.34 * (len(texts) + figures):
            return 0
        return self._meanings([str(t) for t in texts])

    def _meanings(self, headings: Sequence[str]) -> float:
        found = {names for heading in dict.fromkeys(headings) if (names := self.known(heading))}
        kept = {names for names in found if names != ("not_kept",)}
        return len(kept) + 0.1 * (len(found) - len(kept)) if len(kept) >= 2 else 0

    def is_long(self) -> bool:
        """Whether some row of headings names a parameter and a result."""
        for row, score in zip(self.grid, self.scores, strict=True):
            if score >= 2:
                names = {name for cell in row if isinstance(cell, str) for name in self.known(cell)}
                if "parameter" in names and "result" in names:
                    return True
        return False

    def tables(self, *, sideways: bool) -> list[LabTable]:
        starts = self._heading_rows()
        found: list[LabTable] = []
        for number, (first, last) in enumerate(starts):
            end = starts[number + 1][0] if number + 1 < len(starts) else len(self.grid)
            begin = 0 if number == 0 else first
            for table in self._tables_at(first, last, end, begin, sideways=sideways):
                if table.rows:
                    found.append(table)
        return found

    def _heading_rows(self) -> list[tuple[int, int]]:
        """Return (first, last) row of each band of headings."""
        bands: list[tuple[int, int]] = []
        row = 0
        while row < len(self.grid):
            if self.scores[row] >= 2 and self._mostly_headings(row):
                band = self._band(row)
                if bands and self._same_headings(bands[-1], band):
                    row = band[1] + 1  # headings printed again on a further page
                    continue
                bands.append(band)
                row = band[1] + 1
            else:
                row += 1
        return bands

    def _mostly_headings(self, row: int) -> bool:
        texts = {cell for cell in self.grid[row] if isinstance(cell, str)}
        known = sum(1 for text in texts if self.known(text))
        return known >= 2 and known >= 0.3 * len(texts)

    def _same_headings(self, one: tuple[int, int], other: tuple[int, int]) -> bool:
        return [_text(c) for c in self.grid[one[1]]] == [_text(c) for c in self.grid[other[1]]]

    def _band(self, row: int) -> tuple[int, int]:
        """Return the band of one to three rows whose texts, joined downwards, are best known as headings."""
        best, best_score = (row, row), self.scores[row]
        for first, last in ((row, row + 1), (row - 1, row), (row - 1, row + 1)):
            if first < 0 or last >= len(self.grid):
                continue
            added = [r for r in (first, last) if r != row]
            if any(self._holds_figures(r) or self._filled(r) < 2 or self._is_unit_row(r) for r in added):
                continue
            score = self._meanings([h for h in self._joined(first, last) if h])
            if score > max(best_score, *(self.scores[r] for r in added)):
                best, best_score = (first, last), score
        return best

    def _holds_figures(self, row: int) -> bool:
        return any(
            isinstance(c, int | float | dt.date) or (isinstance(c, str) and decimal_evidence(c) is not None)
            for c in self.grid[row]
        )

    def _filled(self, row: int) -> int:
        return len({_text(c) for c in self.grid[row] if c is not None})

    def _is_unit_row(self, row: int) -> bool:
        cells = [c for c in self.grid[row] if c is not None and _text(c).strip(" -") != ""]
        if not cells or any(not isinstance(c, str) for c in cells):
            return False
        units = sum(1 for c in cells if _is_unit(str(c)))
        return units >= 1 and units >= 0.6 * len(cells)

    def _joined(self, first: int, last: int) -> list[str]:
        joined = []
        for column in range(len(self.grid[0])):
            parts = list(dict.fromkeys(_text(self.grid[r][column]).strip() for r in range(first, last + 1)))
            joined.append(" ".join(part for part in parts if part))
        return joined

    def _tables_at(self, first: int, last: int, end: int, begin: int, *, sideways: bool) -> list[LabTable]:
        headings = self._joined(first, last)
        body = last + 1
        while body < end and self._filled(body) == 0 and body < last + 3:
            body += 1
        if body < end and self._is_unit_row(body):
            headings = [f"{h} {_text(u)}".strip() if h else "" for h, u in zip(headings, self.grid[body], strict=True)]
            body += 1
        else:
            body = last + 1
        labels, titles, other = self._above(begin, first, sideways=sideways)
        tables: list[LabTable] = []
        for columns in self._parts(headings, body, end):
            rows, below = self._rows(columns, headings, body, end, sideways=sideways)
            tables.append(
                LabTable(
                    sheet="",
                    headings=tuple(headings[c] for c in columns),
                    letters=tuple(str(c + 1) if sideways else column_letters(c + 1) for c in columns),
                    rows=tuple(rows),
                    other=tuple([*other, *below] if not tables else []),
                    labels=labels,
                    titles=titles,
                )
            )
        return tables

    def _parts(self, headings: Sequence[str], body: int, end: int) -> list[list[int]]:
        """Return the columns of each table; tables side by side are parted by an empty column and repeat a key."""
        parts: list[list[int]] = [[]]
        for column, heading in enumerate(headings):
            if not heading and all(self.grid[r][column] is None for r in range(body, end)):
                if parts[-1]:
                    parts.append([])
            else:
                parts[-1].append(column)
        parts = [part for part in parts if part]
        keys = [
            {n for c in part for n in self.known(headings[c]) if n in ("sampled_on", "sample_id", "batch_id")}
            for part in parts
        ]
        known = [sum(bool(self.known(headings[c])) for c in part) for part in parts]
        if len(parts) > 1 and all(keys) and all(n >= 2 for n in known) and set.intersection(*keys):
            return parts
        return [[c for part in parts for c in part]]

    def _above(
        self, begin: int, first: int, *, sideways: bool
    ) -> tuple[dict[str, tuple[Cell, str]], tuple[str, ...], list[tuple[str, str, str]]]:
        labels: dict[str, tuple[Cell, str]] = {}
        titles: list[str] = []
        other: list[tuple[str, str, str]] = []
        for r in range(begin, first):
            cells = [c for c in self.grid[r] if c is not None]
            cells = [c for i, c in enumerate(cells) if i == 0 or c != cells[i - 1]]
            if not cells:
                continue
            place = _place(r, sideways=sideways)
            titles += [_text(c) for c in cells]
            other.append((place, "title", " | ".join(_text(c) for c in cells)[:300]))
            if r < begin + _DEEPEST_TITLE:
                for name, value in _labels_of(cells):
                    labels.setdefault(name, (value, place))
        return labels, tuple(titles), other

    def _rows(
        self, columns: Sequence[int], headings: Sequence[str], body: int, end: int, *, sideways: bool
    ) -> tuple[list[Row], list[tuple[str, str, str]]]:
        rows: list[Row] = []
        other: list[tuple[str, str, str]] = []
        section = ""
        measured = [i for i, c in enumerate(columns) if self._is_measured(headings[c])]
        days = [i for i, c in enumerate(columns) if any(n.endswith("_on") for n in self.known(headings[c]))]
        names = [
            i for i, c in enumerate(columns) if {"sample_id", "description", "batch_id"} & set(self.known(headings[c]))
        ]
        head = [headings[c].split(" ")[0] for c in columns]
        for r in range(body, end):
            cells = tuple(self.grid[r][c] for c in columns)
            if all(cell is None for cell in cells):
                continue
            place = _place(r, sideways=sideways)
            text = " | ".join(_text(c) for c in cells if c is not None)[:300]
            kind = self._kind(cells, measured, days, names)
            again = [_text(c).split(" ")[0] for c in cells] == head or (
                self.scores[r] >= 2 and self._mostly_headings(r)
            )
            if again and kind != "result":
                kind = "headings again"
            if kind != "result" and self._is_unit_row(r):
                kind = "units"
            if kind == "section":
                section = next(_text(c) for c in cells if c is not None)
                other.append((place, "text", text))
            elif kind == "result":
                at = tuple(_cell_name(r, c, sideways=sideways) for c in columns)
                rows.append(Row(place, cells, at, section))
            else:
                other.append((place, kind, text))
        return rows, other

    def _is_measured(self, heading: str) -> bool:
        from analysis.intake.words import meanings

        return any(
            name in meanings() and meanings()[name].read_as in ("number", "count", "state", "density")
            for name in self.known(heading)
        )

    def _kind(self, cells: Sequence[Cell], measured: Sequence[int], days: Sequence[int], names: Sequence[int]) -> str:
        """Return ``result``, ``summary``, ``section`` or ``text``."""
        filled = [i for i, cell in enumerate(cells) if cell is not None]
        distinct = {_text(cells[i]) for i in filled}
        if len(distinct) == 1 and isinstance(cells[filled[0]], str) and filled[0] not in measured:
            return "section"
        first = next((cells[i] for i in filled if isinstance(cells[i], str)), "")
        has_day = any(cells[i] is not None and re.search(r"\d", _text(cells[i])) for i in days)
        if isinstance(first, str) and not has_day and _sums_up(first):
            return "summary"
        says_figure = any(_says_figure(cells[i]) for i in measured)
        if has_day or says_figure:
            return "result"
        return (
            "result"
            if any(cells[i] is not None for i in names) and any(cells[i] is not None for i in measured)
            else "text"
        )


def _says_figure(cell: Cell) -> bool:
    if cell is None:
        return False
    figure = read_figure(cell, None)
    return figure.value is not None or bool(figure.note) or (isinstance(cell, str) and bool(re.search(r"\d", cell)))


def _is_unit(text: str) -> bool:
    said = take_apart(text)
    if said.dry and not said.words:
        return True
    if said.words:
        from analysis.intake.units import only_unit

        return only_unit(text) is not None
    return bool(said.unit or said.factor)


def _sums_up(text: str) -> bool:
    words = plain(text)
    sums = group("summary")
    return words in sums or any(words.startswith(f"{word} ") for word in sums if len(word) > 2)


def _place(row: int, *, sideways: bool) -> str:
    return f"column {column_letters(row + 1)}" if sideways else f"row {row + 1}"


def _cell_name(row: int, column: int, *, sideways: bool) -> str:
    return f"{column_letters(row + 1)}{column + 1}" if sideways else f"{column_letters(column + 1)}{row + 1}"


def _labels_of(cells: Sequence[Cell]) -> list[tuple[str, Cell]]:
    """Return what a title line says: ``Laboratory: X`` in one cell, or ``Sampled on`` and the day in the next."""
    found: list[tuple[str, Cell]] = []
    for i, cell in enumerate(cells):
        if not isinstance(cell, str):
            continue
        head, colon, tail = cell.partition(":")
        if colon and tail.strip() and (name := _label(head)):
            found.append((name, tail.strip()))
        elif i + 1 < len(cells) and cells[i + 1] is not None and (name := _label(cell.rstrip(" :"))):
            found.append((name, cells[i + 1]))
    return found


def _label(text: str) -> str | None:
    names = known_by_words(text)
    return next((name for name in names if name in _LABELS), None)
