"""Builds the corpus: a lab file a habit, and the rows that should come of it, from a seed."""

import csv
import datetime as dt
import random
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

from tests.intake_corpus import paper
from tests.intake_corpus.habits import HABITS, Habit

DENSITY = Decimal("1.034")
FIELDS = {
    "fat": "fat_g_100g",
    "protein": "protein_g_100g",
    "lactose": "lactose_g_100g",
    "solids": "total_solids_g_100g",
    "scc": "somatic_cells_1000_ml",
    "tpc": "plate_count_1000_cfu_ml",
    "fp": "freezing_point_c",
    "ph": "ph",
    "saturates": "saturates_g_100g",
    "carbohydrate": "carbohydrate_g_100g",
    "sugars": "sugars_g_100g",
    "salt": "salt_g_100g",
    "sodium": "salt_g_100g",
    "calcium": "calcium_mg_100g",
    "lactic": "lactic_acid_g_100g",
    "moisture": "total_solids_g_100g",
    "n": "pots_in_composite",
}
MEANINGS = {
    "id": "sample_id",
    "day": "sampled_on",
    "reported": "reported_on",
    "made": "made_on",
    "desc": "description",
    "batch": "batch_id",
    "n": "pots_in_composite",
    "solids": "total_solids",
    "scc": "somatic_cells",
    "tpc": "plate_count",
    "fp": "freezing_point",
    "lactic": "lactic_acid",
}
BULK = {
    "en": "Bulk tank",
    "de": "Tankmilch",
    "fr": "Lait de tank",
    "it": "Latte di massa",
    "es": "Leche de tanque",
    "el": "Γάλα δεξαμενής",
    "pt": "Leite do tanque",
    "tr": "Tank sütü",
}
FLOCKS = {"north": "North flock", "hill": "Hill ewes"}
MONTHS = {
    "en": [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ],
    "fr": [
        "janvier",
        "février",
        "mars",
        "avril",
        "mai",
        "juin",
        "juillet",
        "août",
        "septembre",
        "octobre",
        "novembre",
        "décembre",
    ],
}
UNIT_WORDS = {"g/100g": "g/100 g", "1000/ml": "x1000/ml", "%": "%"}
LONG = {
    "en": ("Parameter", "Result", "Unit"),
    "de": ("Parameter", "Ergebnis", "Einheit"),
    "fr": ("Paramètre", "Résultat", "Unité"),
}
# From a printed figure to the one of the records, written down a second time on purpose, in decimal arithmetic.
TURNS = {
    "g/100g": lambda x, d: x,
    "%": lambda x, d: x,
    "g/kg": lambda x, d: x / 10,
    "g/l": lambda x, d: x / 10 / d,
    "kg/hl": lambda x, d: x / d,
    "g/100ml": lambda x, d: x / d,
    "1000/ml": lambda x, d: x,
    "/ml": lambda x, d: x / 1000,
    "C": lambda x, d: -abs(x),
    "mC": lambda x, d: -abs(x) / 1000,
    "mg/100g": lambda x, d: x,
    "mg/kg": lambda x, d: x / 10,
    "": lambda x, d: x,
    "?": lambda x, d: x,
    "nitrogen": lambda x, d: x * Decimal("6.38"),
    "monohydrate": lambda x, d: x * Decimal("342.30") / Decimal("360.31"),
    "log/ml": lambda x, d: Decimal(10) ** x / 1000,
    "g/ml": lambda x, d: x,
}
PRINTS = {
    "g/100g": lambda v, d: v,
    "%": lambda v, d: v,
    "g/kg": lambda v, d: v * 10,
    "g/l": lambda v, d: v * 10 * d,
    "kg/hl": lambda v, d: v * d,
    "g/100ml": lambda v, d: v * d,
    "1000/ml": lambda v, d: v,
    "/ml": lambda v, d: v * 1000,
    "C": lambda v, d: v,
    "mC": lambda v, d: -v * 1000,
    "mg/100g": lambda v, d: v,
    "mg/kg": lambda v, d: v * 10,
    "": lambda v, d: v,
    "?": lambda v, d: v,
    "nitrogen": lambda v, d: v / Decimal("6.38"),
    "monohydrate": lambda v, d: v / Decimal("0.95"),
    "log/ml": lambda v, d: (v * 1000).log10(),
    "g/ml": lambda v, d: v,
}
PLACES = {
    "g/100g": 2,
    "%": 2,
    "g/kg": 1,
    "g/l": 1,
    "kg/hl": 2,
    "g/100ml": 2,
    "1000/ml": 0,
    "/ml": 0,
    "C": 3,
    "mC": 0,
    "mg/100g": 0,
    "mg/kg": 0,
    "": 2,
    "?": 2,
    "nitrogen": 3,
    "monohydrate": 2,
    "log/ml": 2,
    "g/ml": 4,
}


@dataclass(frozen=True)
class Built:
    """One file of the corpus.

    Parameters
    ----------
    path
        The file.
    habit
        How it was written.
    rows
        The rows that should be stored: column of the records -> text (or number as text).
    columns
        What each heading should be taken for: heading -> meaning, or ``-`` (not used), or ``?`` (asked).
    """

    path: Path
    habit: Habit
    rows: list[dict[str, str]]
    columns: dict[str, str]


def build(folder: Path, seed: int = 20260511) -> list[Built]:
    """Write every file of the corpus into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    return [_one(folder, habit, random.Random(f"{seed} {habit.name}")) for habit in HABITS]


def _truth(rng: random.Random, habit: Habit, number: int) -> dict:
    early = "early days" in habit.oddities
    day = dt.date(2026, 5, 1) + dt.timedelta(days=number if early else number * 4 + rng.randrange(3))
    if number == habit.n - 1 and not early:
        day = dt.date(2026, 5, 26)
    fat, protein, lactose = (Decimal(rng.randrange(*r)) / 100 for r in ((560, 850), (490, 650), (440, 520)))
    truth = {
        "id": f"{habit.name[:2].upper()}26-{100 + number}",
        "day": day,
        "reported": dt.date(2026, 6, 2) if early else day + dt.timedelta(days=4),
        "made": day - dt.timedelta(days=2),
        "received": day + dt.timedelta(days=1),
        "source": ("bulk", "north", "hill")[number % 3],
        "batch": f"V{number + 1:03d}",
        "n": Decimal(6),
        "fat": fat,
        "protein": protein,
        "lactose": lactose,
        "solids": fat + protein + lactose + Decimal("1.05"),
        "scc": Decimal(rng.randrange(180, 2600)),
        "tpc": Decimal(rng.randrange(12, 900)),
        "fp": -Decimal(rng.randrange(548, 582)) / 1000,
        "ph": Decimal(rng.randrange(655, 676)) / 100
        if habit.kind == "milk"
        else Decimal(rng.randrange(425, 455)) / 100,
        "saturates": (fat * Decimal("0.65")).quantize(Decimal("0.01")),
        "carbohydrate": Decimal(rng.randrange(380, 480)) / 100,
        "sugars": Decimal(rng.randrange(340, 379)) / 100,
        "salt": Decimal(rng.randrange(11, 19)) / 100,
        "sodium": Decimal(rng.randrange(44, 70)),
        "calcium": Decimal(rng.randrange(175, 215)),
        "lactic": Decimal(rng.randrange(85, 120)) / 100,
        "moisture": Decimal(rng.randrange(8000, 8300)) / 100,
        "density": Decimal(rng.randrange(10310, 10370)) / 10000,
    }
    return truth


def _figure(value: Decimal, places: int, habit: Habit) -> str:
    text = f"{value.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP):f}"
    whole, _, part = text.partition(".")
    sign, whole = ("-", whole[1:]) if whole.startswith("-") else ("", whole)
    if habit.thousands and len(whole) > 3:
        groups = []
        while whole:
            groups.insert(0, whole[-3:])
            whole = whole[:-3]
        whole = habit.thousands.join(groups)
    return sign + whole + (habit.decimal + part if part else "")


def _day(day: dt.date, habit: Habit):
    kind = habit.days
    if kind == "native":
        return day if habit.form in ("xlsx", "ods") and habit.native else day.isoformat()
    if kind == "serial":
        return str((day - dt.date(1899, 12, 30)).days)
    return {
        "ymd": day.isoformat(),
        "dmy.": f"{day:%d.%m.%Y}",
        "dmy.2": f"{day:%d.%m.%y}",
        "dmy/": f"{day:%d/%m/%Y}",
        "dmy-": f"{day:%d-%m-%Y}",
        "mdy/": f"{day:%m/%d/%Y}",
        "d mon yyyy": f"{day.day} {MONTHS['en'][day.month - 1][:3]} {day.year}",
        "d mois yyyy": f"{day.day} {MONTHS['fr'][day.month - 1]} {day.year}",
    }[kind]


def _cell(what: str, truth: dict, habit: Habit, rng: random.Random, odd: str):
    """Return (cell as printed, column of the records or empty, expected text or None where nothing is stored)."""
    name, _, rest = what.partition(":")
    unit, _, places = rest.partition(":")
    if name in ("id", "batch"):
        return truth[name], {"id": "sample_id", "batch": "batch_id"}[name], truth[name]
    if name in ("day", "reported", "made"):
        return _day(truth[name], habit), MEANINGS[name], truth[name].isoformat()
    if name == "desc":
        text = BULK[habit.language] if truth["source"] == "bulk" else FLOCKS[truth["source"]]
        return text, "", None
    if name == "n":
        return (6 if habit.form in ("xlsx", "ods") and habit.native else "6"), "pots_in_composite", "6"
    if name in ("-", "dm"):
        value = Decimal(rng.randrange(2000, 4000)) / 100
        return _as_number(value, 2, habit), "", None
    if odd == "censored" and name == "tpc":
        return "<10", FIELDS[name], None
    if odd == "nd" and name in ("lactose", "solids"):
        return {"de": "n.b.", "en": "n.d."}.get(habit.language, "n.d."), FIELDS[name], None
    density = truth["density"] if any(w.startswith("density") for _, w in habit.columns) else DENSITY
    digits = int(places) if places else PLACES[unit]
    printed = PRINTS[unit](truth[name], density).quantize(Decimal(1).scaleb(-digits), ROUND_HALF_UP)
    shown = _as_number(printed, digits, habit)
    if odd == "percent" and unit == "%":
        shown = f"{shown} %"
    if odd == "marks" and name == "fat":
        shown = f"{shown}*"
    if name == "density":
        return shown, "", None
    value = TURNS[unit](printed, density)
    if name == "sodium":
        value = value * Decimal("2.5") / 1000
    if name == "moisture":
        value = 100 - value
    return shown, FIELDS[name], f"{value.quantize(Decimal('0.0001'), ROUND_HALF_UP).normalize():f}"


def _as_number(value: Decimal, places: int, habit: Habit):
    if habit.form in ("xlsx", "ods") and habit.native:
        return float(value) if places else int(value)
    return _figure(value, places, habit)


def _one(folder: Path, habit: Habit, rng: random.Random) -> Built:
    truths = [_truth(rng, habit, number) for number in range(habit.n)]
    headings = [heading for heading, _ in habit.columns]
    body, expected = [], []
    for number, truth in enumerate(truths):
        odd = next((o for o in habit.oddities if number == 2 or o in ("percent",)), "")
        if number == 3 and len(habit.oddities) > 1:
            odd = habit.oddities[1]
        cells = [_cell(what, truth, habit, rng, odd) for _, what in habit.columns]
        body.append([cell for cell, _, _ in cells])
        row = {column: text for _, column, text in cells if column and text is not None}
        if habit.kind == "milk":
            row["source"] = truth["source"]
        if habit.lab:
            row["lab"] = habit.lab
        if habit.factor:
            row["protein_factor"] = f"{habit.factor:g}"
        expected.append(row)
    sheets = _lay_out(habit, headings, body, truths)
    path = folder / f"{habit.name}.{habit.form}"
    if habit.form == "csv":
        quoting = csv.QUOTE_ALL if habit.quote_all else csv.QUOTE_MINIMAL
        paper.write_text(
            path,
            next(iter(sheets.values())),
            separator=habit.separator,
            page=habit.page,
            end=habit.end,
            quoting=quoting,
        )
    elif habit.form == "xlsx":
        paper.write_xlsx(path, sheets)
    elif habit.form == "ods":
        paper.write_ods(path, sheets)
    else:
        paper.write_pdf(path, list(sheets.values()), ruled="ruled" in habit.oddities)
    return Built(
        path,
        habit,
        expected,
        {heading: _meaning(what) for heading, what in habit.columns if habit.layout != "sections" or what != "desc"},
    )


def _meaning(what: str) -> str:
    name, _, rest = what.partition(":")
    if rest == "nitrogen":
        return "nitrogen"
    if rest == "monohydrate":
        return "lactose_monohydrate"
    if rest.startswith("?"):
        return "?"
    return "-" if name in ("-", "dm", "received") else MEANINGS.get(name, name)


def _lay_out(habit: Habit, headings: list[str], body: list[list], truths: list[dict]) -> dict[str, list[list]]:
    titles = [list(row) for row in habit.titles]
    below = [list(row) for row in habit.below]
    sheets = {name: [[name], ["Prepared for the dairy (invented)"]] for name in habit.before}
    what = [w for _, w in habit.columns]
    units = [UNIT_WORDS.get(w.partition(":")[2], "") for w in what]
    if habit.layout == "sideways":
        grid = [[heading, *(row[i] for row in body)] for i, heading in enumerate(headings)]
    elif habit.layout == "long":
        about = [i for i, w in enumerate(what) if ":" not in w and w not in ("ph", "-")]
        measured = [i for i, w in enumerate(what) if i not in about]
        parameter, result, unit = LONG[habit.language]
        grid = [[*(headings[i] for i in about), parameter, result, unit]]
        for row in body:
            for i in measured:
                name, unit_text = _split(headings[i])
                grid.append([*(row[k] for k in about), name, row[i], unit_text])
    elif habit.layout == "sections":
        grid = [headings]
        order = sorted(range(len(body)), key=lambda i: truths[i]["source"])
        last = ""
        for i in order:
            source = truths[i]["source"]
            if source != last:
                grid.append([BULK[habit.language] if source == "bulk" else FLOCKS[source]])
                last = source
            grid.append(body[i])
    elif habit.layout == "side-by-side":
        half = len(body) // 2
        grid = [[*headings, None, *headings]]
        grid += [[*left, None, *right] for left, right in zip(body[:half], body[half:], strict=True)]
    elif habit.layout == "two-tables":
        half = len(body) // 2
        grid = [["Week 1 to 2"], headings, *body[:half], [], ["Week 3 to 4"], headings, *body[half:]]
    elif habit.layout == "two-rows":
        grid = [[h.split(" ")[0] for h in headings], [" ".join(h.split(" ")[1:]) or None for h in headings], *body]
    elif habit.units_below:
        grid = [headings, [u or None for u in units], *body]
    else:
        grid = [headings, *body]
    if habit.summary:
        sums = [habit.summary] + [None] * (len(headings) - 1)
        for i, w in enumerate(what):
            if w.partition(":")[0] in ("fat", "protein"):
                sums[i] = 6.01 if habit.native and habit.form != "csv" else "6" + habit.decimal + "01"
        grid.append(sums)
    sheets[habit.sheet] = [*titles, *grid, *below]
    return sheets


def _split(heading: str) -> tuple[str, str]:
    if "(" in heading:
        name, _, unit = heading.rpartition("(")
        return name.strip(), unit.rstrip(") ")
    for unit in ("%", "Tsd./ml", "KbE/ml", "°C"):
        if heading.endswith(unit):
            return heading[: -len(unit)].strip(), unit
    return heading, ""
