"""Rows of a lab's table into rows of the records, each with where it came from, or with the reason why not.

A bound (``<0.5``, ``>300 000``) and a word (``n.d.``) are no figure: the cell of the records stays empty and the row's note says
what the file says (``plate count <10``). A cell that is neither, or a figure that cannot be, sets the whole row aside.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from analysis.intake.columns import TABLES, Taken, Understood, field_of, finish, hint_of
from analysis.intake.days import Day, read_day
from analysis.intake.numerals import read_figure
from analysis.intake.reading import Cell
from analysis.intake.samples import Rule, belongs
from analysis.intake.tables import LabTable, Row
from analysis.intake.units import EWES_MILK_DENSITY, MILK_DENSITY_LIMITS, MILK_NITROGEN_FACTOR, TARGETS
from analysis.intake.words import group, holds, meanings, plain, which
from analysis.records.schema import table as described_table

NO_DAY = "the day of sampling is missing"
_EXACT = 10  # decimals kept of a figure that is stored as it stands (takes the dust off binary fractions)
_TURNED = 4  # decimals kept of a figure that was turned into another unit


@dataclass(frozen=True)
class Setting:
    """What is known besides the table itself.

    Parameters
    ----------
    rules
        Which sample belongs to what.
    flocks
        (id, name) of the dairy's flocks.
    batches
        Day of making by batch_id.
    lab, kind, source, method
        For rows that do not say so themselves; empty where not known.
    density
        Of this laboratory's milk in g/ml, or None.
    order
        Whether days or months come first.
    reported_on
        Day of the report where rows name none.
    """

    rules: tuple[Rule, ...]
    flocks: tuple[tuple[str, str], ...] = ()
    batches: Mapping[str, str] = field(default_factory=dict)
    lab: str = ""
    kind: str = ""
    source: str = ""
    method: str = ""
    density: float | None = None
    order: str | None = None
    reported_on: dt.date | None = None


@dataclass(frozen=True)
class Candidate:
    """One row read.

    Parameters
    ----------
    table
        ``milk_tests`` …, or empty where even that is not known.
    values
        Text of each column of the records, as it would be stored.
    sheet, place
        Where it stands in the file.
    cells
        Column of the records -> cell of the file.
    problem
        Why it cannot be stored, or empty.
    open
        What is not decided: ``kind``, ``source`` or empty.
    before
        What the measured cells said, by column of the records.
    present
        Columns of the records that the file has a column for.
    empty
        Whether no value was measured at all.
    """

    table: str
    values: Mapping[str, str]
    sheet: str
    place: str
    cells: Mapping[str, str] = field(default_factory=dict)
    problem: str = ""
    open: str = ""
    before: Mapping[str, str] = field(default_factory=dict)
    present: frozenset[str] = frozenset()
    empty: bool = False


def figure_text(value: float, *, turned: bool) -> str:
    """Return a figure as it is stored: decimal point, no exponent, no dust of binary fractions."""
    rounded = round(value, _TURNED if turned else _EXACT)
    if rounded == int(rounded) and abs(rounded) < 1e15:
        return str(int(rounded))
    text = repr(rounded)
    return f"{rounded:.10f}".rstrip("0") if "e" in text else text


def word_text(cell: Cell) -> str:
    """Return a cell as words: a whole number without its decimal point (sample numbers come as 5.0 from workbooks)."""
    if cell is None:
        return ""
    if isinstance(cell, float) and cell == int(cell) and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, dt.date):
        return cell.isoformat()
    return " ".join(str(cell).split())


class _Reader:
    """Reads the rows of one table."""

    def __init__(self, table: LabTable, columns: Understood, setting: Setting) -> None:
        self.table = table
        self.columns = columns
        self.setting = setting
        self.by_meaning = {c.meaning: c for c in reversed(columns.columns) if c.verdict == "used" and c.meaning}
        received = [c for c in columns.columns if c.meaning == "received_on"]
        self.received = received[0] if received else None
        self.has_words = bool({"description", "source"} & set(self.by_meaning))
        title = " ".join((table.sheet, *table.titles))
        pot, milk = holds(title, group("pot")), holds(title, group("milk"))
        self.title_kind = "pot" if pot and not milk else "milk" if milk and not pot else ""

    def cell(self, row: Row, meaning: str) -> Cell:
        column = self.by_meaning.get(meaning)
        return row.cells[column.at] if column is not None else None

    def words(self, row: Row, meaning: str) -> str:
        text = word_text(self.cell(row, meaning))
        if not text and meaning in self.table.labels and (meaning != "sample_id" or len(self.table.rows) == 1):
            text = word_text(self.table.labels[meaning][0])
        return "" if text in ("-", "--", "n/a") else text

    def day(self, row: Row, meaning: str) -> Day:
        column = self.by_meaning.get(meaning)
        cell = row.cells[column.at] if column is not None else None
        if cell is None and meaning in self.table.labels:
            cell = self.table.labels[meaning][0]
        return read_day(cell, self.setting.order)


def read_rows(table: LabTable, columns: Understood, setting: Setting) -> list[Candidate]:
    """Read every row of a table.

    Parameters
    ----------
    table
        The table as found.
    columns
        Its columns, decided.
    setting
        What is known besides.

    Returns
    -------
    list of Candidate
        One a row, in order; those with a ``problem`` are to be set aside.
    """
    reader = _Reader(table, columns, setting)
    if columns.family == "lab":
        return [_lab_row(reader, row) for row in table.rows]
    return [_dairy_row(reader, row, TABLES[columns.family]) for row in table.rows]


def _lab_row(reader: _Reader, row: Row) -> Candidate:
    setting = reader.setting
    sample = reader.words(row, "sample_id")
    about = [reader.words(row, "source"), reader.words(row, "description")]
    if not any(about) and row.section:
        about.append(row.section)
    found = belongs([*about, sample], setting.rules)
    kind, source = _kind_and_source(reader, row, found.kind, found.source, about)
    if found.clash and kind != "pot":
        return _aside(
            reader,
            row,
            "milk_tests",
            f"the sample's description fits more than one flock: {found.clash}; edit intake/samples.toml",
        )
    if not kind:
        return Candidate(
            "",
            {"sample_id": sample},
            reader.table.sheet,
            row.place,
            problem="neither milk nor pot can be told from what the file says",
            open="kind",
        )
    name = TABLES[kind]
    values: dict[str, str] = {"sample_id": sample, "lab": reader.words(row, "lab") or setting.lab}
    cells: dict[str, str] = {}
    for meaning in (
        "sample_id",
        "lab",
        "sampled_on",
        "reported_on",
        "made_on",
        "batch_id",
        "source",
        "description",
        "note",
    ):
        column = reader.by_meaning.get(meaning)
        if column is not None and row.cells[column.at] is not None:
            cells[field_of(meaning, name) or meaning] = row.at[column.at]
    problem = _days(reader, row, name, values)
    if name == "milk_tests":
        if not source:
            flocks = setting.flocks
            if setting.source or len(flocks) == 1:
                source = setting.source or "bulk"
            else:
                return Candidate(
                    name,
                    values,
                    reader.table.sheet,
                    row.place,
                    cells,
                    "neither a flock nor bulk can be told from what the file says",
                    "source",
                )
        values["source"] = source
    else:
        values["batch_id"] = reader.words(row, "batch_id")
        if not values.get("made_on") and values["batch_id"] in setting.batches:
            values["made_on"] = setting.batches[values["batch_id"]]
    before, trouble, remarks = _figures(reader, row, name, values, cells)
    problem = problem or trouble
    _method(reader, row, values, remarks)
    if not sample and not problem:
        values["sample_id"] = _made_number(values, about)
        remarks.append("sample_id made of day and source, as the file names none")
    note = "; ".join([text for text in (reader.words(row, "note"), *remarks) if text])
    if note:
        values["note"] = note
    known = set(described_table(name).names)
    kept = {key: value for key, value in values.items() if key in known and value}
    return Candidate(
        name,
        kept,
        reader.table.sheet,
        row.place,
        cells,
        problem,
        before=before,
        present=_present(reader, name),
        empty="_empty" in values,
    )


def _present(reader: _Reader, name: str) -> frozenset[str]:
    return frozenset(f for m in reader.by_meaning if (f := field_of(m, name)) is not None)


def _kind_and_source(reader: _Reader, row: Row, kind: str, source: str, about: Sequence[str]) -> tuple[str, str]:
    """Settle milk or pot: what the row says, then the columns, then titles, then what was said for the file."""
    named = reader.words(row, "source")
    if named and not source:
        exact = {plain(flock): flock for flock, _ in reader.setting.flocks} | {
            plain(n): f for f, n in reader.setting.flocks
        }
        source = exact.get(plain(named), "")
    plainly = [text for text in about if text]
    says_pot = any(holds(text, group("pot")) for text in plainly) or (kind == "pot")
    says_milk = any(holds(text, group("milk")) for text in plainly)
    hint = _row_hint(reader, row)
    if says_pot:
        return "pot", source
    if hint == "pot" and not says_milk:
        return "pot", source
    if kind:
        return kind, source
    settled = hint or reader.title_kind or reader.setting.kind or ("milk" if source else "")
    return settled, source


def _row_hint(reader: _Reader, row: Row) -> str:
    """Return milk or pot where the columns that this row fills belong to one of them alone."""
    filled = {m for m, c in reader.by_meaning.items() if row.cells[c.at] is not None}
    return hint_of(filled)


def _days(reader: _Reader, row: Row, name: str, values: dict[str, str]) -> str:
    """Read the days of a row into ``values``; return what is wrong, or an empty text."""
    wanted = ("sampled_on", "reported_on", *(("made_on",) if name == "pot_tests" else ()))
    problem = ""
    for meaning in wanted:
        day = reader.day(row, meaning)
        if day.problem and not problem:
            shown = word_text(reader.cell(row, meaning)) or word_text(reader.table.labels.get(meaning, ("", ""))[0])
            problem = f'{meaning} "{shown}" {day.problem}'
        if day.value is not None:
            values[meaning] = day.value.isoformat()
    if not values.get("reported_on") and reader.setting.reported_on is not None:
        values["reported_on"] = reader.setting.reported_on.isoformat()
    if not values.get("sampled_on") and not problem:
        if name == "pot_tests" and reader.received is not None:
            received = read_day(row.cells[reader.received.at], reader.setting.order)
            if received.value is not None:
                values["sampled_on"] = received.value.isoformat()
                values["_remark"] = "sampled_on is the day received"
                return ""
        return NO_DAY
    early = values.get("reported_on", "9999") < values.get("sampled_on", "")
    if early and not problem:
        return f"reported on {values['reported_on']}, before it was sampled on {values['sampled_on']}"
    return problem


def _figures(
    reader: _Reader, row: Row, name: str, values: dict[str, str], cells: dict[str, str]
) -> tuple[dict[str, str], str, list[str]]:
    """Read the figures of a row into ``values``; return (cells before, what is wrong, remarks)."""
    before: dict[str, str] = {}
    remarks = [values.pop("_remark")] if "_remark" in values else []
    problem = ""
    table = described_table(name)
    density, said = _density(reader, row, name)
    for column in reader.columns.columns:
        if column.verdict != "used" or column.turn is None or column.meaning not in TARGETS:
            continue
        target = field_of(column.meaning, name)
        if target is None or column.meaning == "density":
            continue
        cell = row.cells[column.at]
        if cell is None:
            continue
        words = word_text(cell)
        before[target] = words
        figure = read_figure(cell, column.mark)
        if figure.problem:
            problem = problem or f'{column.heading} "{words[:40]}" {figure.problem}'
            continue
        if figure.note:
            remarks.append(f"{column.meaning.replace('_', ' ')} {figure.note}")
        if figure.value is None:
            continue
        if column.turn.by_density and density is None:
            problem = problem or (
                f"{column.heading} is by volume, and the density of the pots is not known; say --density, or "
                "ask for g/100 g"
            )
            continue
        factor = column.factor if column.meaning in ("nitrogen", "protein") else None
        value = finish(column.meaning, column.turn.apply(figure.value, density or EWES_MILK_DENSITY), factor)
        described = table.column(target)
        low, high = described.impossible
        if (low is not None and value < low - 1e-9) or (high is not None and value > high + 1e-9):
            shown = (
                f"{words[:30]}"
                if figure_text(value, turned=True) == words
                else f"{words[:30]}, that is {figure_text(value, turned=True)} {described.unit},"
            )
            problem = problem or (
                f"{column.heading} {shown} cannot be ({low if low is not None else ''} to "
                f"{high if high is not None else ''})"
            )
            continue
        if described.kind == "count" and value != int(value):
            problem = problem or f'{column.heading} "{words}" is no whole number'
            continue
        as_it_stands = abs(value - figure.value) < 1e-12
        values[target] = figure_text(value, turned=not as_it_stands)
        cells[target] = row.at[column.at]
        if column.turn.by_density and said:
            remarks.append(said)
            said = ""
        if column.meaning in ("nitrogen", "protein") and "protein_factor" in table.names:
            named = column.factor or (MILK_NITROGEN_FACTOR if column.meaning == "nitrogen" else None)
            if named is not None:
                values["protein_factor"] = figure_text(named, turned=False)
    if "protein_factor" in values and "protein_g_100g" not in values:
        del values["protein_factor"]
    if not problem and name in ("milk_tests", "pot_tests") and not any(values.get(r) for r in table.results):
        values["_empty"] = "1"
    return before, problem, remarks


def _density(reader: _Reader, row: Row, name: str) -> tuple[float | None, str]:
    """Return a row's density and what is said about it: its own, the laboratory's, else the published one of milk."""
    column = reader.by_meaning.get("density")
    if column is not None and column.turn is not None:
        own = read_figure(row.cells[column.at], column.mark).value
        if own is not None:
            own = column.turn.apply(own, 1.0)
            if MILK_DENSITY_LIMITS[0] <= own <= MILK_DENSITY_LIMITS[1]:
                return own, f"by volume, density {own:g} as measured"
    if reader.setting.density is not None:
        return reader.setting.density, f"by volume, density {reader.setting.density:g} as said for the lab"
    if name == "pot_tests":
        return None, ""
    return EWES_MILK_DENSITY, f"by volume, density {EWES_MILK_DENSITY:g} taken"


def _method(reader: _Reader, row: Row, values: dict[str, str], remarks: list[str]) -> None:
    said = reader.words(row, "method")
    found = which(said, "methods") if said else None
    if found:
        values["method"] = found
    elif said:
        remarks.append(f"method: {said[:60]}")
    elif reader.setting.method:
        values["method"] = reader.setting.method


def _made_number(values: Mapping[str, str], about: Sequence[str]) -> str:
    """Return a sample number for a file that names none: the same rows brought in again get the same one."""
    told = next((text for text in about if text), "") or values.get("source", "") or values.get("batch_id", "")
    return " ".join(part for part in (values.get("sampled_on", ""), told) if part)


def _aside(reader: _Reader, row: Row, table: str, problem: str) -> Candidate:
    return Candidate(
        table, {"sample_id": reader.words(row, "sample_id")}, reader.table.sheet, row.place, problem=problem
    )


def _dairy_row(reader: _Reader, row: Row, name: str) -> Candidate:
    """Read a row of the dairy's own vat sheet, looks or pH readings."""
    table = described_table(name)
    values: dict[str, str] = {}
    cells: dict[str, str] = {}
    problem = ""
    for column in reader.columns.columns:
        if column.verdict != "used" or column.meaning in TARGETS or not column.meaning:
            continue
        target = field_of(column.meaning, name)
        if target is None:
            continue
        text = word_text(row.cells[column.at])
        if row.cells[column.at] is not None:
            cells[target] = row.at[column.at]
        values[target], wrong = _dairy_word(reader, row, column, target, text)
        problem = problem or wrong
    for meaning in ("batch_id", "made_on"):
        if not values.get(meaning) and meaning in reader.table.labels and meaning in table.names:
            day = reader.day(row, meaning).value
            values[meaning] = day.isoformat() if meaning == "made_on" and day else reader.words(row, meaning)
    before, trouble, remarks = _figures(reader, row, name, values, cells)
    problem = problem or trouble
    missing = [c.name for c in table.columns if c.required and not values.get(c.name)]
    if missing and not problem:
        problem = f"{missing[0]} is missing"
    if remarks and "note" in table.names:
        values["note"] = "; ".join([t for t in (values.get("note", ""), *remarks) if t])
    kept = {key: value for key, value in values.items() if key in table.names and value}
    return Candidate(name, kept, reader.table.sheet, row.place, cells, problem, before=before)


def _dairy_word(reader: _Reader, row: Row, column: Taken, target: str, text: str) -> tuple[str, str]:
    read_as = meanings()[column.meaning].read_as if column.meaning in meanings() else "text"
    if not text:
        return "", ""
    if read_as == "date":
        day = read_day(row.cells[column.at], reader.setting.order)
        return (day.value.isoformat() if day.value else ""), (f'{target} "{text}" {day.problem}' if day.problem else "")
    if read_as == "state":
        liquid, gelled = holds(text, group("liquid")), holds(text, group("set"))
        if liquid and (not gelled or len(liquid) > len(gelled)):
            return "liquid", ""
        return ("set", "") if gelled else ("", f'{target} "{text}" is neither set nor liquid')
    if read_as == "failure":
        found = which(text, "failures")
        return found or "", "" if found else f'{target} "{text}" is none of not set, whey, taint, broken'
    if column.meaning == "source":
        found_source = belongs([text], reader.setting.rules).source
        return (
            found_source,
            "" if found_source else f'source "{text}" fits no flock and not bulk; edit intake/samples.toml',
        )
    return text, ""
