"""What an intake of one file would do, worked out before anything is written."""

import datetime as dt
import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from analysis.intake import compare
from analysis.intake.columns import TABLES, Question, Taken, Understood, field_of, finish, known_headings, understand
from analysis.intake.compare import Fate, renamed, settle
from analysis.intake.days import DAY_FIRST, MIXED, MONTH_FIRST, order_of, read_day
from analysis.intake.labs import Kept, Lab, key_of, read_labs
from analysis.intake.long_tables import widen
from analysis.intake.numerals import decimal_mark, read_figure
from analysis.intake.reading import Cell, LabFile, read_lab_file
from analysis.intake.results import NO_DAY, Candidate, Setting, read_rows, word_text
from analysis.intake.samples import Rule, read_rules
from analysis.intake.stored import StoredTable, read_stored
from analysis.intake.tables import LabTable, find_tables
from analysis.intake.words import holds, meanings, plain
from analysis.records.dairy import read_dairy
from analysis.records.findings import CannotDo
from analysis.records.schema import table as described_table


@dataclass(frozen=True)
class Said:
    """What was said on the command line, or in answer to questions.

    Parameters
    ----------
    lab, kind, source, method
        For rows that do not say so themselves; ``lab`` None where not said.
    order
        ``"day first"`` or ``"month first"``; empty where not said.
    mark
        Decimal mark; empty where not said.
    density
        Density in g/ml, or None.
    reported_on
        Day of the report, or None.
    code_page
        Of text files.
    columns
        What headings mean, by the heading made plain.
    """

    lab: str | None = None
    kind: str = ""
    source: str = ""
    method: str = ""
    order: str = ""
    mark: str = ""
    density: float | None = None
    reported_on: dt.date | None = None
    code_page: str = ""
    columns: Mapping[str, Kept] = field(default_factory=dict)


@dataclass
class Standing:
    """A season folder as it stands before an intake, and as earlier files of the same run have added to it."""

    folder: Path
    flocks: tuple[tuple[str, str], ...]
    rules: tuple[Rule, ...]
    labs: dict[str, Lab]
    stored: dict[str, StoredTable]
    lab_names: dict[str, str]
    batches: dict[str, str]


@dataclass(frozen=True)
class FilePlan:
    """What an intake of one file would do.

    Parameters
    ----------
    path, sha256, size
        The file.
    kind, notes
        What it is, and what is worth saying about its reading.
    lab
        The laboratory's habits as they would be kept afterwards.
    lab_known
        Whether anything was kept of this laboratory before.
    tables
        Every table found, with its columns decided.
    other
        Rows without results: (sheet, place, what, text).
    fates
        What becomes of every row.
    questions
        What has to be answered first.
    order
        Whether days or months come first in the file.
    """

    path: Path
    sha256: str
    size: int
    kind: str
    notes: tuple[str, ...]
    lab: Lab
    lab_known: bool
    tables: tuple[tuple[LabTable, Understood], ...]
    other: tuple[tuple[str, str, str, str], ...]
    fates: tuple[Fate, ...]
    questions: tuple[Question, ...]
    order: str | None

    def count(self, *fates: str) -> int:
        """Return the number of rows with one of these fates."""
        return sum(1 for f in self.fates if f.fate in fates)


def read_standing(folder: Path) -> Standing:
    """Read what an intake needs of a season folder.

    Raises
    ------
    CannotDo
        If it is no season folder, or a table cannot be added to.
    """
    if not folder.is_dir():
        raise CannotDo(f"there is no folder {folder}; name a season folder, or make one with `pasturepot new {folder}`")
    dairy, _ = read_dairy(folder)
    flocks = tuple((flock.id, flock.name) for flock in dairy.flocks)
    stored = {name: read_stored(folder, name) for name in TABLES.values()}
    labs = read_labs(folder)
    names: Counter[str] = Counter()
    for name in ("milk_tests", "pot_tests"):
        names.update(lab for row in stored[name].rows if (lab := row.values.get("lab", "")))
    written = {plain(lab): lab for lab, _ in reversed(names.most_common())} | {
        plain(lab): lab for lab in labs if lab and plain(lab) not in {plain(n) for n in names}
    }
    batches = {row.values.get("batch_id", ""): row.values.get("made_on", "") for row in stored["batches"].rows}
    return Standing(folder, flocks, read_rules(folder, flocks), labs, stored, written, batches)


def read_file(path: Path, standing: Standing, said: Said) -> tuple[LabFile, str]:
    """Return what the file holds, and its hash; FileRefusedError and CannotDo as in the readers."""
    lab = standing.labs.get(said.lab or "")
    code_page = said.code_page or (lab.code_page if lab is not None else "")
    found = read_lab_file(path, code_page or None)
    return found, sha256_of(path)


def sha256_of(path: Path) -> str:
    """Return the hash of a file, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        while piece := handle.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


def plan_file(found: LabFile, sha256: str, standing: Standing, said: Said) -> FilePlan:
    """Work out what an intake of a file would do; rows to be stored are added to the tables of ``standing``.

    Parameters
    ----------
    found
        The file as read.
    sha256
        Its hash.
    standing
        The season folder.
    said
        What was said for it.

    Returns
    -------
    FilePlan
        With ``questions`` where something cannot be decided; nothing is stored then.

    Raises
    ------
    CannotDo
        If no table of results is found in it.
    """
    guess = _lab_of(found, standing, said)
    lab = standing.labs.get(guess, Lab(guess))
    known = known_headings(lab, said.columns)
    tables = [widen(table, known) for sheet in found.sheets for table in find_tables(sheet, known)]
    if not tables:
        raise CannotDo(_no_table(found))
    guess = _lab_in_titles(guess, tables, standing, said)
    if guess != lab.name:
        lab = standing.labs.get(guess, Lab(guess))
        known = known_headings(lab, said.columns)
        tables = [widen(table, known) for sheet in found.sheets for table in find_tables(sheet, known)] or tables
    decided = [understand(table, lab, said.columns) for table in tables]
    decided, questions = _marks(tables, decided, said.mark)
    order, doubt = _order(tables, decided, said.order, lab.day_order)
    questions += [q for u in decided for q in u.questions] + doubt
    candidates: list[Candidate] = []
    for table, columns in zip(tables, decided, strict=True):
        batches = standing.batches | {
            c.values.get("batch_id", ""): c.values.get("made_on", "") for c in candidates if c.table == "batches"
        }
        setting = Setting(
            rules=standing.rules, flocks=standing.flocks, batches=batches, lab=guess, kind=said.kind or lab.kind,
            source=said.source or lab.source, method=said.method or lab.method, density=said.density or lab.density,
            order=order, reported_on=said.reported_on,
        )  # fmt: skip
        candidates += [renamed(c, standing.lab_names) for c in read_rows(table, columns, setting)]
    questions += _open(candidates) + _no_day(candidates, decided)
    fates = tuple(settle(c, standing.stored) for c in candidates) if not questions else ()
    other = tuple((table.sheet, place, what, text) for table in tables for place, what, text in table.other)
    size = found.path.stat().st_size
    unique = tuple({q.key: q for q in questions}.values())
    habits = _habits(lab, decided, said, order, found)
    return FilePlan(
        found.path,
        sha256,
        size,
        found.kind,
        found.notes,
        habits,
        guess in standing.labs,
        tuple(zip(tables, decided, strict=True)),
        other,
        fates,
        unique,
        order,
    )


def _no_table(found: LabFile) -> str:
    filled = [
        (sheet, n, row)
        for sheet in found.sheets
        for n, row in enumerate(sheet.rows, start=1)
        if any(c is not None for c in row)
    ]
    if not filled:
        return "the file holds nothing"
    sheet, number, row = max(filled, key=lambda item: sum(isinstance(c, str) for c in item[2]))
    shown = ", ".join(word_text(c) for c in row if c is not None)[:120]
    where = f'sheet "{sheet.name}" row {number}' if sheet.name else f"row {number}"
    return (
        "no table of results is found: no row names two things that the records know; the row most like headings is "
        f'{where} ({shown}); say what they mean with --column "HEADING=fat;g/100g"'
    )


def _lab_of(found: LabFile, standing: Standing, said: Said) -> str:
    """Return the laboratory by what was said, by a known name in the first lines, or by its headings; else empty."""
    if said.lab is not None:
        return standing.lab_names.get(plain(said.lab), said.lab)
    texts = [c for sheet in found.sheets for row in sheet.rows[:40] for c in row if isinstance(c, str)]
    heads = " | ".join(plain(t) for t in dict.fromkeys(texts))
    named = [lab for short, lab in standing.lab_names.items() if len(short) >= 4 and f" {short} " in f" {heads} "]
    if len(named) == 1:
        return named[0]
    keys = {key_of(t) for t in texts}
    fitting = [lab.name for lab in standing.labs.values() if len(lab.columns) >= 2 and set(lab.columns) <= keys]
    return fitting[0] if len(fitting) == 1 else ""


def _lab_in_titles(guess: str, tables: Sequence[LabTable], standing: Standing, said: Said) -> str:
    if guess or said.lab is not None:
        return guess
    for table in tables:
        if "lab" in table.labels:
            name = word_text(table.labels["lab"][0])
            return standing.lab_names.get(plain(name), name)
    for table in tables:
        known = known_headings(Lab(""), said.columns)
        at = next((i for i, heading in enumerate(table.headings) if "lab" in known(heading)), None)
        if at is not None:
            names = {word_text(row.cells[at]) for row in table.rows} - {""}
            if len(names) == 1:
                name = names.pop()
                return standing.lab_names.get(plain(name), name)
    return ""


def _marks(
    tables: Sequence[LabTable], decided: Sequence[Understood], said: str
) -> tuple[list[Understood], list[Question]]:
    """Settle decimal marks of columns whose own cells leave them open: by the rest of the file, else by what can be."""
    proven = {c.mark for u in decided for c in u.columns if c.verdict == "used" and c.mark in (",", ".")}
    rest = said or (proven.pop() if len(proven) == 1 else "")
    questions: list[Question] = []
    out = []
    for table, understood in zip(tables, decided, strict=True):
        columns = []
        for column in understood.columns:
            if column.verdict != "used" or column.mark != "?":
                columns.append(column)
                continue
            cells = [row.cells[column.at] for row in table.rows]
            mark = rest or _only_possible(column, cells, understood)
            if mark:
                columns.append(replace(column, mark=mark))
                continue
            columns.append(column)
            shown = next((str(c) for c in cells if isinstance(c, str) and decimal_mark([c]) == "?"), "")
            questions.append(
                Question(
                    "mark",
                    f'column {column.letter} "{column.heading}": "{shown}" can have a thousands mark or a '
                    "decimal mark, and no other figure decides it; "
                    "which is the decimal mark?",
                    (",", "."),
                    "--decimal-comma or --decimal-point",
                )
            )
        out.append(replace(understood, columns=tuple(columns)))
    return out, questions


def _only_possible(column: Taken, cells: Sequence[Cell], understood: Understood) -> str:
    """Return the decimal mark under which alone every figure of the column can be, or empty."""
    if column.turn is None:
        return ""
    names = (
        [TABLES[understood.family]]
        if understood.family != "lab"
        else [TABLES[understood.hint]]
        if understood.hint
        else ["milk_tests", "pot_tests"]
    )
    limits = [described_table(n).column(f).impossible for n in names if (f := field_of(column.meaning, n)) is not None]
    fitting = []
    for mark in (",", "."):
        figures = [v for cell in cells if (v := read_figure(cell, mark).value) is not None]
        done = [finish(column.meaning, column.turn.apply(v, 1.034), column.factor) for v in figures]
        if done and any(all((lo is None or v >= lo) and (hi is None or v <= hi) for v in done) for lo, hi in limits):
            fitting.append(mark)
    return fitting[0] if len(fitting) == 1 else ""


def _order(
    tables: Sequence[LabTable], decided: Sequence[Understood], said: str, kept: str
) -> tuple[str | None, list[Question]]:
    """Decide whether days or months come first: by the columns as a whole, then what was said, then what was kept."""
    columns: list[list[Cell]] = []
    first = ""
    needed = False
    for table, understood in zip(tables, decided, strict=True):
        for column in understood.columns:
            read_as = meanings()[column.meaning].read_as if column.meaning in meanings() else ""
            if read_as == "date" or column.meaning in ("received_on", "analysed_on"):
                columns.append([row.cells[column.at] for row in table.rows])
                needed = needed or read_as == "date"
                first = first or f'column {column.letter} "{column.heading}"'
        for name, (value, place) in table.labels.items():
            if name.endswith("_on"):
                columns.append([value])
                first = first or place
                needed = True
    order = order_of(columns)
    if said:
        return (order if order in (DAY_FIRST, MONTH_FIRST) else said), []
    if order is None and (by_report := _by_report(tables, decided)) is not None:
        return by_report, []
    if order is None and kept:
        return kept, []
    if order not in (None, MIXED) or not needed:
        return order, []
    shown = ", ".join(
        dict.fromkeys(
            word_text(c) for column in columns for c in column if c is not None and not isinstance(c, dt.date)
        )
    )[:60]
    why = (
        "could be days first or months first"
        if order is None
        else "do not all have day and month in the same order, as when a spreadsheet has turned some of them round"
    )
    return None, [
        Question(
            "days",
            f"{first or 'the days'} ({shown}) {why}; which comes first?",
            (DAY_FIRST, MONTH_FIRST),
            "--day-first or --month-first",
        )
    ]


def _by_report(tables: Sequence[LabTable], decided: Sequence[Understood]) -> str | None:
    """Return the only order under which no result is reported before it was sampled, or None."""
    fine = []
    for order in (DAY_FIRST, MONTH_FIRST):
        wrong = 0
        for table, understood in zip(tables, decided, strict=True):
            sampled, reported = understood.of("sampled_on"), understood.of("reported_on")
            if sampled is None or reported is None:
                continue
            for row in table.rows:
                early, late = read_day(row.cells[sampled.at], order), read_day(row.cells[reported.at], order)
                wrong += bool(early.problem) + bool(late.problem)
                if early.value is not None and late.value is not None:
                    wrong += late.value < early.value
        if not wrong:
            fine.append(order)
    return fine[0] if len(fine) == 1 else None


def _open(candidates: Sequence[Candidate]) -> list[Question]:
    """Return what must be asked because no row of the file says it; where only some rows do not, they are set aside."""
    questions = []
    for what, text, choices, option in (
        (
            "kind",
            "the file does not say whether its samples are milk or pots; which are they?",
            ("milk", "pot"),
            "--kind milk or --kind pot",
        ),
        (
            "source",
            "the file does not say which flock its milk is from; which flock's id, or bulk?",
            (),
            "--source bulk, or --source and a flock's id",
        ),
    ):
        if candidates and all(c.open == what for c in candidates):
            questions.append(Question(what, text, choices, option))
    return questions


def _no_day(candidates: Sequence[Candidate], decided: Sequence[Understood]) -> list[Question]:
    """Ask which column holds the day of sampling where none is known and no row can be stored without it."""
    if not candidates or not all(c.problem == NO_DAY for c in candidates):
        return []
    possible = [c.heading for u in decided for c in u.columns if c.heading and _could_be_day(c)]
    return [
        Question(
            "sampled_on",
            "no column is known to hold the day of sampling; which heading is it?",
            tuple(dict.fromkeys(possible)),
            f'--column "{possible[0] if possible else "HEADING"}=sampled_on"',
        )
    ]


def _could_be_day(column: Taken) -> bool:
    return column.verdict == "not known" or column.meaning in ("received_on", "analysed_on", "reported_on", "made_on")


def _habits(lab: Lab, decided: Sequence[Understood], said: Said, order: str | None, found: LabFile) -> Lab:
    """Return the laboratory's habits with what this file has taught."""
    kept: dict[str, Kept] = dict(said.columns)
    for understood in decided:
        for column in understood.columns:
            if column.verdict == "used" and column.meaning and column.heading and understood.family == "lab":
                kept.setdefault(key_of(column.heading), Kept(column.heading, column.meaning, column.unit))
    fresh = {key: value for key, value in kept.items() if key not in lab.columns}
    changed = {key: value for key, value in said.columns.items() if key in lab.columns and lab.columns[key] != value}
    return replace(
        lab,
        columns={**lab.columns, **changed, **fresh},
        day_order=said.order
        or lab.day_order
        or (order if order in (DAY_FIRST, MONTH_FIRST) and _needs_order(found) else ""),
        code_page=said.code_page
        or lab.code_page
        or (
            found.code_page
            if found.kind == "text" and not found.code_page.startswith("utf") and not found.guessed
            else ""
        ),
        density=said.density if said.density is not None else lab.density,
        kind=said.kind or lab.kind,
        source=said.source or lab.source,
        method=said.method or lab.method,
    )


def _needs_order(found: LabFile) -> bool:
    return any(
        isinstance(c, str) and holds(c, ()) is None and order_of([[c]]) != "any"
        for sheet in found.sheets
        for row in sheet.rows[:200]
        for c in row
    )


__all__ = ["FilePlan", "Said", "Standing", "compare", "plan_file", "read_file", "read_standing", "sha256_of"]
