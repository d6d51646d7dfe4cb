"""What each column of a table is taken for, in which unit, and what can only be asked."""

import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from analysis.intake.labs import Kept, Lab, key_of
from analysis.intake.numerals import decimal_mark, read_figure, unit_in
from analysis.intake.reading import Cell
from analysis.intake.tables import LabTable
from analysis.intake.units import TARGETS, Turn, UnitUnknownError, candidates, factors_in, take_apart, turn, unit_words
from analysis.intake.words import match, meanings, plain
from analysis.records.schema import Column as Described
from analysis.records.schema import table as described_table

# The tables of the records, by what a lab table can be.
TABLES = {"milk": "milk_tests", "pot": "pot_tests", "batch": "batches", "look": "set_checks", "ph": "ph_readings"}
# Column of the records by meaning; where the tables differ, by (table, meaning).
_FIELDS = {
    "fat": "fat_g_100g", "protein": "protein_g_100g", "nitrogen": "protein_g_100g", "lactose": "lactose_g_100g",
    "lactose_monohydrate": "lactose_g_100g", "total_solids": "total_solids_g_100g", "moisture": "total_solids_g_100g",
    "somatic_cells": "somatic_cells_1000_ml", "plate_count": "plate_count_1000_cfu_ml", "freezing_point":
    "freezing_point_c",
    "ph": "ph", "saturates": "saturates_g_100g", "carbohydrate": "carbohydrate_g_100g", "sugars": "sugars_g_100g",
    "salt": "salt_g_100g", "sodium": "salt_g_100g", "lactic_acid": "lactic_acid_g_100g", "calcium": "calcium_mg_100g",
    "firmness": "firmness_g", "whey": "whey_g_100g",
}  # fmt: skip
# Where two columns say the same, the one named first is taken and the other only looked at.
_SAME = {"nitrogen": "protein", "lactose_monohydrate": "lactose", "moisture": "total_solids", "sodium": "salt"}
_BATCH_ONLY = {
    "milk_kg", "heat_c", "hold_min", "fill_c", "starter_age_d", "starter_g_kg", "incubator_c", "moved_out_min", "end_ph",
    "pots_filled", "pots_failed", "milk_age_h", "filled_kg",
}  # fmt: skip
_POT_ONLY = {
    "saturates",
    "carbohydrate",
    "sugars",
    "salt",
    "sodium",
    "firmness",
    "whey",
    "calcium",
    "made_on",
    "lactic_acid",
}
_MILK_ONLY = {"lactose", "lactose_monohydrate", "somatic_cells", "plate_count", "freezing_point"}
_ENOUGH = 0.8


@dataclass(frozen=True)
class Question:
    """Something that cannot be decided from the file.

    Parameters
    ----------
    key
        What an answer is kept under: ``column:HEADING``, ``days``, ``kind``, ``source``, ``lab``.
    text
        The question, with what was seen.
    choices
        Answers to choose from; empty where any text is.
    option
        What to say on the command line instead.
    """

    key: str
    text: str
    choices: tuple[str, ...] = ()
    option: str = ""


@dataclass(frozen=True)
class Taken:
    """One column and what it was taken for.

    Parameters
    ----------
    at
        Its place in the table's rows.
    letter, heading
        As in the file.
    meaning
        Name of the meaning, empty where none was found.
    unit
        Code of the unit that its figures are in.
    factor
        Nitrogen factor named in the heading.
    why
        How it was known: ``words``, ``kept``, ``said`` (on the command line or in answer), or ``figures`` (unit).
    verdict
        ``used``, ``not kept``, ``refused``, ``not known``, ``asked`` or ``empty``.
    remark
        What is worth saying.
    turn
        How figures become those of the records; None for words and days.
    mark
        Decimal mark of its figures.
    """

    at: int
    letter: str
    heading: str
    meaning: str = ""
    unit: str = ""
    factor: float | None = None
    why: str = ""
    verdict: str = "used"
    remark: str = ""
    turn: Turn | None = None
    mark: str | None = None


@dataclass(frozen=True)
class Understood:
    """A table with its columns decided.

    Parameters
    ----------
    columns
        One a heading.
    family
        ``lab`` (milk or pots), ``batch``, ``look`` or ``ph``.
    hint
        ``milk`` or ``pot`` where the columns alone show it, else empty.
    questions
        What cannot be decided.
    """

    columns: tuple[Taken, ...]
    family: str
    hint: str = ""
    questions: tuple[Question, ...] = ()
    remarks: tuple[str, ...] = field(default=())

    def of(self, meaning: str) -> Taken | None:
        """Return the used column of that meaning, or None."""
        return next((c for c in self.columns if c.meaning == meaning and c.verdict == "used"), None)


def field_of(meaning: str, table: str) -> str | None:
    """Return the column of the records that a meaning goes to in a table (``milk_tests`` …), or None."""
    name = _FIELDS.get(meaning, meaning)
    return name if name in described_table(table).names else None


def record_column(heading: str) -> tuple[str, str] | None:
    """Return (meaning, unit) where a heading is the name of a column of the records themselves."""
    name = heading.strip().casefold()
    for meaning, column in _FIELDS.items():
        if column == name and meaning not in _SAME:
            unit = {"g/100g": "g/100g", "freezing": "C", "ph": "", "g": "g"}.get(TARGETS[meaning], TARGETS[meaning])
            return meaning, unit
    if name in meanings() and any(name in described_table(t).names for t in TABLES.values()):
        return name, TARGETS.get(name, "") if TARGETS.get(name) not in ("ph", "1") else ""
    return None


def known_headings(lab: Lab, said: Mapping[str, Kept]) -> Callable[[str], tuple[str, ...]]:
    """Return a function that tells the meanings which a heading certainly has, by habits, answers and words."""

    def known(heading: str) -> tuple[str, ...]:
        kept = said.get(key_of(heading)) or lab.columns.get(key_of(heading))
        if kept is not None:
            return ("not_kept",) if kept.means == "ignore" else (kept.means,)
        if (own := record_column(heading)) is not None:
            return (own[0],)
        parts = take_apart(heading)
        found = match(parts.words)
        return found.meanings if found.certain else ()

    return known


def understand(table: LabTable, lab: Lab, said: Mapping[str, Kept]) -> Understood:
    """Decide what each column of a table is.

    Parameters
    ----------
    table
        The table as found.
    lab
        What is kept of the laboratory.
    said
        What was said on the command line or in answer, by heading.

    Returns
    -------
    Understood
        With questions where the figures and words leave it open.
    """
    texts = _columns_of(table)
    first = [_first_look(i, table, texts[i], lab, said) for i in range(len(table.headings))]
    family = _family({name for _, names in first for name in names if name})
    columns = [_settle(taken, names, family) for taken, names in first]
    columns = _sample_numbers(columns, texts)
    columns = _factor_of_remarks(columns, table)
    questions: list[Question] = []
    columns, doubt = _doubles(columns, texts)
    questions += doubt
    hint = _hint(columns, family)
    by_volume = _speaks_of_volume(table)
    settled = []
    for column in columns:
        if column.verdict == "used" and column.meaning in TARGETS:
            done, question = _unit(column, texts[column.at], family, hint, by_volume)
            settled.append(done)
            if question is not None:
                questions.append(question)
        else:
            settled.append(column)
        if column.verdict == "asked":
            questions.append(_which(column, texts[column.at]))
    unique = {q.key: q for q in questions}
    return Understood(tuple(settled), family, hint, tuple(unique.values()))


def _columns_of(table: LabTable) -> list[list[Cell]]:
    return [[row.cells[i] for row in table.rows] for i in range(len(table.headings))]


def _first_look(
    i: int, table: LabTable, cells: Sequence[Cell], lab: Lab, said: Mapping[str, Kept]
) -> tuple[Taken, tuple[str, ...]]:
    """Return the column and the meanings that it may have."""
    heading = table.headings[i]
    parts = take_apart(heading)
    taken = Taken(i, table.letters[i], heading, unit=parts.unit, factor=parts.factor)
    if not heading.strip():
        empty = all(cell is None for cell in cells)
        return replace(taken, verdict="empty" if empty else "not known", remark="" if empty else "has no heading"), ()
    for source, why in ((said, "said"), (lab.columns, "kept")):
        if (kept := source.get(key_of(heading))) is not None:
            if kept.means == "ignore":
                return replace(taken, why=why, verdict="not kept"), ()
            return replace(taken, unit=kept.unit or parts.unit, why=why), (kept.means,)
    if (own := record_column(heading)) is not None:
        return replace(taken, unit=own[1], why="words"), (own[0],)
    if parts.dry:
        return replace(taken, why="words", verdict="refused", remark="is in dry matter, not in 100 g of product"), ()
    found = match(parts.words)
    if not found.meanings:
        return replace(taken, verdict="not known", remark="no word that the records know"), ()
    if not found.certain:
        kinds = {meanings()[name].read_as for name in found.meanings}
        if kinds <= {"ignored", "refused", "text"} or all(cell is None for cell in cells):
            return replace(taken, verdict="not known", remark=f'"{" ".join(found.leftover)}" is not known'), ()
        return replace(
            taken, verdict="asked", remark=f'"{" ".join(found.leftover)}" is not known', why="words"
        ), found.meanings
    return replace(taken, why="words"), found.meanings


def _family(names: set[str]) -> str:
    if "state" in names and "minutes" in names:
        return "look"
    if "minutes" in names and "ph" in names and "batch_id" in names and not names & {"fat", "protein", "lactose"}:
        return "ph"
    if (
        "batch_id" in names
        and len(names & _BATCH_ONLY) >= 2
        and "made_on" in names | {"sampled_on" if "sampled_on" in names else ""}
    ):
        return "batch"
    if "batch_id" in names and len(names & (_BATCH_ONLY - {"milk_kg"})) >= 2:
        return "batch"
    return "lab"


def _settle(taken: Taken, names: tuple[str, ...], family: str) -> Taken:
    """Choose among the senses of a word the one that fits the kind of table."""
    if not names:
        return taken
    wanted = {"lab": ("milk", "pot")}.get(family, (family,))
    fitting = [name for name in names if name in meanings() and set(meanings()[name].tables) & set(wanted)]
    if family == "batch" and not fitting and "sampled_on" in names:
        fitting = ["made_on"]  # a vat sheet's plain "date" is the day of making
    if not fitting and names[0] not in meanings():
        return replace(taken, verdict="not known", remark=f'"{names[0]}" is no meaning that the records know')
    if not fitting:
        return replace(taken, verdict="not kept", meaning=names[0], remark="belongs to another table")
    name = fitting[0]
    taken = replace(taken, meaning=name)
    if taken.verdict != "used":
        return taken
    read_as = meanings()[name].read_as
    if read_as == "ignored":
        remark = "solids not fat are not lactose" if name == "solids_not_fat" else ""
        return replace(taken, verdict="not kept", remark=remark)
    if read_as == "refused":
        words = {"true_protein": "true protein is not nitrogen x 6.38"}.get(
            name, "is in dry matter, not in 100 g of product"
        )
        return replace(taken, verdict="refused", remark=words)
    return taken


def _sample_numbers(columns: list[Taken], texts: Sequence[Sequence[Cell]]) -> list[Taken]:
    """Take a column headed "Sample" for the sample's number where no other is and its entries are different codes."""
    if any(c.meaning == "sample_id" and c.verdict == "used" for c in columns):
        return columns
    for n, column in enumerate(columns):
        if column.meaning != "description" or column.verdict != "used":
            continue
        cells = [plain(_code(cell)) for cell in texts[column.at]]
        if (
            cells
            and all(any(c.isdigit() for c in cell) and len(cell.split()) <= 4 for cell in cells)
            and len(set(cells)) == len(cells)
        ):
            columns[n] = replace(column, meaning="sample_id", remark="different codes, taken for the sample's number")
            break
    return columns


def _factor_of_remarks(columns: list[Taken], table: LabTable) -> list[Taken]:
    """Take the nitrogen factor from a title or footnote where the heading of protein names none."""
    named = {factor for text in (*table.titles, *(text for _, _, text in table.other)) for factor in factors_in(text)}
    if len(named) != 1:
        return columns
    factor = named.pop()
    return [
        replace(c, factor=factor)
        if c.meaning in ("protein", "nitrogen") and c.verdict == "used" and c.factor is None
        else c
        for c in columns
    ]


def _code(cell: Cell) -> str:
    if cell is None:
        return ""
    return str(int(cell)) if isinstance(cell, float) and cell == int(cell) else str(cell)


def _doubles(columns: list[Taken], texts: Sequence[Sequence[Cell]]) -> tuple[list[Taken], list[Question]]:
    """Leave one column a meaning; ask where two say different things."""
    questions: list[Question] = []
    used: dict[str, list[int]] = {}
    for n, column in enumerate(columns):
        if column.verdict in ("used", "asked") and column.meaning:
            used.setdefault(_SAME.get(column.meaning, column.meaning), []).append(n)
    for name, places in used.items():
        sure = [n for n in places if columns[n].verdict == "used"]
        for n in [n for n in places if n not in sure] if sure else []:
            columns[n] = replace(
                columns[n],
                verdict="not known",
                remark=f"{columns[n].remark}; {name.replace('_', ' ')} has a column of its own",
            )
        if len(sure) < 2:
            continue
        direct = [n for n in sure if columns[n].meaning == name]
        by_said = [n for n in sure if columns[n].why == "said"] or [n for n in sure if columns[n].why == "kept"]
        mass = [n for n in direct if columns[n].unit in ("g/100g", "%", "1000/ml", "C", "mg/100g")]
        units = {columns[n].unit for n in direct}
        if len(by_said) == 1:
            keep = by_said[0]
        elif len(direct) == 1:
            keep = direct[0]
        elif len(mass) == 1 and len(units) == len(direct):
            keep = mass[0]
        elif all(texts[columns[n].at] == texts[columns[sure[0]].at] for n in sure) or name in (
            "description",
            "note",
            "parameter",
            "method",
        ):
            keep = sure[0]
        elif (
            name in ("sample_id", "sampled_on", "batch_id", "lab", "source")
            and (exact := _fullest(sure, columns, texts)) is not None
        ):
            keep = exact
        else:
            listed = " or ".join(f'{columns[n].letter} "{columns[n].heading}"' for n in sure)
            questions.append(
                Question(
                    f"column:{columns[sure[0]].heading}",
                    f"two columns could be {name.replace('_', ' ')}: {listed}; which is to be used?",
                    tuple(columns[n].heading for n in sure),
                    f'--column "{columns[sure[1]].heading}=ignore"',
                )
            )
            continue
        for n in sure:
            if n != keep:
                columns[n] = replace(
                    columns[n],
                    verdict="not kept",
                    remark=f'column {columns[keep].letter} "{columns[keep].heading}" is used for it',
                )
    return columns, questions


def _fullest(places: Sequence[int], columns: Sequence[Taken], texts: Sequence[Sequence[Cell]]) -> int | None:
    """Return the column whose heading is the more exact (longer) word, where that is clear."""
    lengths = sorted(((match(take_apart(columns[n].heading).words).length, n) for n in places), reverse=True)
    return (
        lengths[0][1]
        if lengths[0][0] > lengths[1][0] + 2 and any(c is not None for c in texts[columns[lengths[0][1]].at])
        else None
    )


def _hint(columns: Sequence[Taken], family: str) -> str:
    if family != "lab":
        return family
    return hint_of({c.meaning for c in columns if c.verdict == "used"})


def hint_of(names: set[str]) -> str:
    """Return ``milk`` or ``pot`` where some of these meanings belong to one of them alone, else empty."""
    pot, milk = names & _POT_ONLY, names & _MILK_ONLY
    if pot and not milk:
        return "pot"
    return "milk" if milk and not pot else ""


def _which(column: Taken, cells: Sequence[Cell]) -> Question:
    shown = ", ".join(str(cell) for cell in cells if cell is not None)[:60]
    name = column.meaning.replace("_", " ")
    return Question(
        f"column:{column.heading}",
        f'column {column.letter} "{column.heading}" ({shown}) may be {name}, but {column.remark}; what is it?',
        (column.meaning, "ignore"),
        f'--column "{column.heading}={column.meaning}" or --column "{column.heading}=ignore"',
    )


def _speaks_of_volume(table: LabTable) -> bool:
    """Whether a title or footnote names a unit by volume, so that a heading without a unit may be meant by volume too."""
    said = (take_apart(text).unit for text in (*table.titles, *(text for _, _, text in table.other)))
    return any(unit in ("g/100ml", "g/l", "kg/hl") for unit in said)


def _unit(
    column: Taken, cells: Sequence[Cell], family: str, hint: str, by_volume: bool
) -> tuple[Taken, Question | None]:
    """Settle the unit and the decimal mark of a column of figures."""
    mark = decimal_mark(cell for cell in cells if isinstance(cell, str))
    in_cells = {unit for cell in cells if isinstance(cell, str) and (unit := unit_in(cell)) is not None}
    unit = column.unit
    if not unit and len(in_cells) == 1:
        unit = in_cells.pop()
    elif unit and in_cells - {unit, "%"} and in_cells - {unit}:
        listed = ", ".join(unit_words(u) for u in sorted(in_cells | {unit}))
        return replace(column, verdict="asked", mark=mark), Question(
            f"column:{column.heading}",
            f'column {column.letter} "{column.heading}" has more than one unit ({listed}); bring each in by '
            "itself, or leave it out",
            ("ignore",),
            f'--column "{column.heading}=ignore"',
        )
    column = replace(column, mark=mark)
    if column.meaning in ("ph", "end_ph") or TARGETS[column.meaning] in ("count", "1"):
        unit = "" if TARGETS[column.meaning] in ("ph", "1") else "count"
    if unit:
        try:
            return replace(column, unit=unit, turn=turn(column.meaning, unit)), None
        except UnitUnknownError as bad:
            if unit == "%" and TARGETS[column.meaning] in ("freezing", "1000/ml"):
                unit = ""
            return replace(column, verdict="asked", remark=str(bad)), Question(
                f"column:{column.heading}",
                f'column {column.letter} "{column.heading}": {bad}; what is it?',
                ("ignore",),
                f'--column "{column.heading}={column.meaning};UNIT" or --column "{column.heading}=ignore"',
            )
    done, question = _unit_by_figures(column, cells, family, hint)
    if by_volume and question is None and TARGETS[column.meaning] == "g/100g" and done.unit == "g/100g":
        return replace(done, verdict="asked", remark="its unit is not said"), Question(
            f"column:{column.heading}",
            f'column {column.letter} "{column.heading}" names no unit, and a title or footnote speaks of a unit by volume; '
            "in which unit are its figures?",
            (f"{column.meaning};g/100g", f"{column.meaning};g/100ml"),
            f'--column "{column.heading}={column.meaning};g/100g" or ;g/100ml',
        )
    return done, question


def _unit_by_figures(column: Taken, cells: Sequence[Cell], family: str, hint: str) -> tuple[Taken, Question | None]:
    """Choose, where no unit is named, the one unit under which the column as a whole is possible."""
    units = candidates(column.meaning)
    limits = _limits(column.meaning, family, hint)
    figures = [v for cell in cells if (v := read_figure(cell, column.mark).value) is not None]
    if len(units) == 1 or not figures or limits is None:
        return replace(column, unit=units[0], turn=turn(column.meaning, units[0])), None
    inside_odd, inside_possible = {}, {}
    for unit in units:
        done = [finish(column.meaning, turn(column.meaning, unit).apply(v, 1.034), None) for v in figures]
        inside_odd[unit] = _share(done, limits.odd)
        inside_possible[unit] = _share(done, limits.impossible)
    usual = [unit for unit in units if inside_odd[unit] >= _ENOUGH and inside_possible[unit] >= _ENOUGH]
    possible = [unit for unit in units if inside_possible[unit] >= _ENOUGH]
    open_ended = limits.odd[0] is None or limits.odd[1] is None
    if len(usual) == 1 and not (open_ended and len(possible) > 1 and _near(figures, limits, units)):
        chosen = usual[0]
    elif len(possible) == 1:
        chosen = possible[0]
    elif not usual and units[0] in possible and all(inside_odd[u] == 0 for u in units[1:]):
        chosen = units[0]
    else:
        left = usual or possible or list(units)
        shown = ", ".join(f"{v:g}" for v in figures[:5])
        return replace(column, verdict="asked", remark="its unit is not said"), Question(
            f"column:{column.heading}",
            f'column {column.letter} "{column.heading}" names no unit and its figures ({shown}) could be '
            f"{' or '.join(unit_words(u) for u in left)}; "
            "in which unit are they?",
            tuple(f"{column.meaning};{u}" for u in left),
            f'--column "{column.heading}={column.meaning};{left[0]}"',
        )
    why = "figures" if chosen != units[0] else column.why
    return replace(
        column,
        unit=chosen,
        turn=turn(column.meaning, chosen),
        why=why,
        remark=f"no unit is named; the figures fit {unit_words(chosen)} alone",
    ), None


def _near(figures: Sequence[float], limits: Described, units: Sequence[str]) -> bool:
    """Tell whether figures lie where either unit is likely, for a range that is open at one end."""
    middle = statistics.median(figures)
    high = limits.odd[1]
    return high is not None and middle <= high and len(units) > 1 and middle * 0.001 >= (limits.impossible[0] or 0.0)


def finish(meaning: str, value: float, factor: float | None) -> float:
    """Return the figure of the records once its unit is turned: nitrogen to protein, sodium to salt, and the like."""
    from analysis.intake import units as u

    if meaning == "nitrogen":
        return value * (factor or u.MILK_NITROGEN_FACTOR)
    if meaning == "lactose_monohydrate":
        return value * u.ANHYDROUS_IN_MONOHYDRATE
    if meaning == "sodium":
        return value * u.SALT_IN_SODIUM
    return 100.0 - value if meaning == "moisture" else value


def _limits(meaning: str, family: str, hint: str) -> Described | None:
    order = {"lab": ("milk_tests", "pot_tests") if hint != "pot" else ("pot_tests", "milk_tests")}.get(
        family, (TABLES.get(family, ""),)
    )
    for name in order:
        if name and (column := field_of(meaning, name)) is not None:
            return described_table(name).column(column)
    return None


def _share(values: Sequence[float], span: tuple[float | None, float | None]) -> float:
    low, high = span
    inside = sum(1 for v in values if (low is None or v >= low) and (high is None or v <= high))
    return inside / len(values)
