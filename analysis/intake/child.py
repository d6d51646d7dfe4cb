"""Reads one file inside a process of its own, under limits, and writes what it found as JSON to standard output.

Run by :mod:`analysis.intake.reading`; whatever a file does to its reader ends with this process. It imports no frames.
"""

import datetime as dt
import json
import re
import sys
import zipfile
from pathlib import Path
from typing import Any

from analysis.intake.container import FileRefusedError, column_letters, look
from analysis.intake.dialect import read_text

MOST_FILLED = 1_500_000
_FORMULA_CELL = re.compile(r"<(?:\w+:)?c\b([^>]*)>(.*?)</(?:\w+:)?c>", re.DOTALL)
_REFERENCE = re.compile(r"""\br=["']([A-Z]+\d+)["']""")
NOT_CALCULATED = "=not calculated"


def main(arguments: list[str]) -> int:
    """Read ``arguments[0]`` (code page in ``arguments[1]`` or empty, limits in the next two) and print JSON."""
    path, code_page, memory, seconds = Path(arguments[0]), arguments[1], int(arguments[2]), int(arguments[3])
    _limit(memory, seconds)
    try:
        said = read(path, code_page or None)
    except FileRefusedError as why:
        said = {"refused": str(why)}
    except MemoryError:
        said = {
            "refused": "the file asks for more memory than a file of results needs; save the table of results alone"
        }
    json.dump(said, sys.stdout, ensure_ascii=True, separators=(",", ":"))
    sys.stdout.flush()
    return 0


def _limit(memory: int, seconds: int) -> None:
    try:
        import resource
    except ImportError:  # not on Windows; there the parent's clock alone ends a reader
        return
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 1))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def read(path: Path, code_page: str | None = None) -> dict[str, Any]:
    """Return the sheets of a file: ``kind``, ``sheets`` (name, rows of cells) and ``notes``.

    A cell is None, text, a number, or ``{"d": "2026-05-03"}``; rows begin at row 1 and column A.

    Raises
    ------
    FileRefusedError
        If the file is not read.
    """
    kind = look(path)
    if kind == "text":
        text = read_text(path.read_bytes(), code_page)
        notes = []
        if text.guessed:
            shown = ", ".join(f'"{word}"' for word in text.samples)
            notes.append(
                f"the file's code page is a guess ({text.code_page}): look whether these words are right: {shown}"
            )
        cells = [[cell or None for cell in row] for row in text.rows]
        return {
            "kind": kind,
            "code_page": text.code_page,
            "guessed": text.guessed,
            "sheets": [{"name": "", "rows": cells}],
            "notes": notes,
        }
    if kind == "pdf":
        from analysis.intake.pages import read_pages

        found = read_pages(path)
        return {
            "kind": kind,
            "sheets": [{"name": name, "rows": [[c or None for c in row] for row in rows]} for name, rows in found],
            "notes": [],
        }
    return _workbook(path, kind)


def _workbook(path: Path, kind: str) -> dict[str, Any]:
    import python_calamine as calamine

    try:
        book = calamine.CalamineWorkbook.from_path(str(path))
    except calamine.PasswordError as bad:
        raise FileRefusedError(
            "the workbook is locked by a password; open it, save it without one, and bring that file in"
        ) from bad
    except (calamine.CalamineError, OSError, ValueError) as bad:
        raise FileRefusedError(
            f"the workbook is damaged ({' '.join(str(bad).split())[:80]}); ask for it again"
        ) from bad
    sheets, notes, filled = [], [], 0
    formulas = _formulas(path) if kind == "xlsx" else {}
    for position, about in enumerate(book.sheets_metadata):
        if about.typ != calamine.SheetTypeEnum.WorkSheet:
            continue
        if about.visible != calamine.SheetVisibleEnum.Visible:
            notes.append(f'the hidden sheet "{about.name}" is not read; show it and save the workbook if it is meant')
            continue
        try:
            sheet = book.get_sheet_by_index(position)
            rows = _sheet_rows(sheet)
        except calamine.CalamineError as bad:
            raise FileRefusedError(
                f'the sheet "{about.name}" is damaged ({" ".join(str(bad).split())[:80]}); ask for the file again'
            ) from bad
        filled += sum(cell is not None for row in rows for cell in row)
        if filled > MOST_FILLED:
            raise FileRefusedError(
                f"the workbook holds more than {MOST_FILLED:,} filled cells; bring it in piece by piece"
            )
        with_value, without = formulas.get(position, (0, []))
        if with_value:
            notes.append(
                f'sheet "{about.name}": {with_value} cells hold formulas; the values last saved with them are read'
            )
        if without:
            notes.append(
                f'sheet "{about.name}": {len(without)} formulas were saved without a value ({", ".join(without[:4])}'
                f"{', …' if len(without) > 4 else ''}); open the workbook, let it calculate, and save it"
            )
            _put(rows, without)
        sheets.append({"name": about.name, "rows": rows})
    return {"kind": kind, "sheets": sheets, "notes": notes}


def _sheet_rows(sheet: Any) -> list[list[Any]]:
    if sheet.start is None:
        return []
    top, left = sheet.start
    rows: list[list[Any]] = [[] for _ in range(min(top, 100_000))]
    pad = [None] * min(left, 20_000)
    for row in sheet.to_python(skip_empty_area=True):
        rows.append([*pad, *(_cell(value) for value in row)])
    _spread_merged(sheet, rows)
    return rows


def _cell(value: Any) -> Any:
    if value is None or value == "":
        return None
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, str):
        return value.strip() or None
    if isinstance(value, int | float):
        return value
    if isinstance(value, dt.datetime):
        return {"d": value.date().isoformat()}
    if isinstance(value, dt.date):
        return {"d": value.isoformat()}
    return str(value)


def _spread_merged(sheet: Any, rows: list[list[Any]]) -> None:
    """Write what a merged range holds into each of its cells: words and days as they are, figures as a remark.

    A figure merged over several samples says nothing certain about each of them.
    """
    for (top, left), (bottom, right) in sheet.merged_cell_ranges or ():
        if (bottom - top + 1) * (right - left + 1) > 20_000 or top >= len(rows) or left >= len(rows[top]):
            continue
        value = rows[top][left]
        if value is None:
            continue
        figure = isinstance(value, int | float)
        for r in range(top, min(bottom, len(rows) - 1) + 1):
            for c in range(left, right + 1):
                if (r, c) == (top, left):
                    continue
                if figure and r == top:
                    continue
                while len(rows[r]) <= c:
                    rows[r].append(None)
                if rows[r][c] is None:
                    rows[r][c] = f"=merged with {column_letters(left + 1)}{top + 1}" if figure else value


def _formulas(path: Path) -> dict[int, tuple[int, list[str]]]:
    """Return, by the sheet's place, how many formulas have a saved value and which cells have none."""
    found: dict[int, tuple[int, list[str]]] = {}
    with zipfile.ZipFile(path) as archive:
        names = set(archive.namelist())
        for position, name in enumerate(_sheet_parts(archive, names)):
            if name not in names:
                continue
            text = archive.read(name).decode("utf-8", errors="replace")
            if "<f" not in text and ":f>" not in text and ":f " not in text:
                continue
            with_value, without = 0, []
            for attributes, inside in _FORMULA_CELL.findall(text):
                if not re.search(r"<(?:\w+:)?f\b", inside):
                    continue
                if re.search(r"<(?:\w+:)?v>[^<]", inside) or "<is>" in inside:
                    with_value += 1
                elif reference := _REFERENCE.search(attributes):
                    without.append(reference[1])
            found[position] = (with_value, without)
    return found


def _sheet_parts(archive: zipfile.ZipFile, names: set[str]) -> list[str]:
    """Return the part names of the sheets in the workbook's order."""
    if "xl/workbook.xml" not in names or "xl/_rels/workbook.xml.rels" not in names:
        return []
    book = archive.read("xl/workbook.xml").decode("utf-8", errors="replace")
    relations = archive.read("xl/_rels/workbook.xml.rels").decode("utf-8", errors="replace")
    targets = {}
    for relation in re.findall(r"<(?:\w+:)?Relationship\b[^>]*>", relations):
        identity, target = re.search(r'\bId="([^"]+)"', relation), re.search(r'\bTarget="([^"]+)"', relation)
        if identity and target:
            place = target[1]
            targets[identity[1]] = place.lstrip("/") if place.startswith("/") else f"xl/{place}"
    parts = []
    for sheet in re.findall(r"<(?:\w+:)?sheet\b[^>]*>", book):
        identity = re.search(r'\br:id="([^"]+)"', sheet) or re.search(r'\w+:id="([^"]+)"', sheet)
        parts.append(targets.get(identity[1], "") if identity else "")
    return parts


def _put(rows: list[list[Any]], cells: list[str]) -> None:
    for reference in cells:
        letters, digits = re.fullmatch(r"([A-Z]+)(\d+)", reference).groups()  # type: ignore[union-attr]
        column = 0
        for letter in letters:
            column = column * 26 + ord(letter) - 64
        r, c = int(digits) - 1, column - 1
        if r > 200_000 or c > 20_000:
            continue
        while len(rows) <= r:
            rows.append([])
        while len(rows[r]) <= c:
            rows[r].append(None)
        if rows[r][c] is None:
            rows[r][c] = NOT_CALCULATED


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
