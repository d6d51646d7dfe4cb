"""Units in headings and cells, and what turns a figure into the unit of the records."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from analysis.intake.words import plain

# Density of ewes' milk at 20 C in g/ml: Mahmood & Usman (2010), Pakistan Journal of Nutrition 9:1192 (sd 0.002).
EWES_MILK_DENSITY = 1.034
MILK_DENSITY_LIMITS = (1.00, 1.07)  # judgement: outside no milk
# Nitrogen to milk protein: ISO 8968-1 | IDF 20-1 (2014).
MILK_NITROGEN_FACTOR = 6.38
# Lactose C12H22O11 342.30 g/mol in its monohydrate 360.31 g/mol.
ANHYDROUS_IN_MONOHYDRATE = 342.30 / 360.31
# Salt = sodium x 2.5: Regulation (EU) 1169/2011, Annex I, point 11.
SALT_IN_SODIUM = 2.5


class UnitUnknownError(ValueError):
    """A unit that cannot be turned into the one of the records."""


@dataclass(frozen=True)
class Said:
    """A heading taken apart.

    Parameters
    ----------
    words
        The heading without its unit.
    unit
        Code of the unit (``g/100g``, ``%``, ``g/l`` …) or empty.
    factor
        Nitrogen factor named in the heading, or None.
    dry
        Whether the heading says that the figure is in dry matter.
    """

    words: str
    unit: str = ""
    factor: float | None = None
    dry: bool = False


_G = r"(?:gramm?e?s?|gr?|γρ?)\.?"
_PER = r"\s*(?:/|\bpro\b|\bper\b|\bpor\b|\bje\b|\bανα\b|\bpar\b)\s*"
_ML = r"(?:ml|cm3|cc|mℓ)"
_COUNTED = (
    r"(?:(?:cells?|cel\w*|cellules?|zellen|zz|hucre|adet|κυτταρα|κυτ|cfu|ufc|kbe|kob|κ\.?\s?μ|σ\.?\s?μ|ο\.?μ\.?χ|germes|germi|"
    r"keime|bakterien|bacteria|bact\w*|ibc|n|no|st)\.?)"
)
_THOUSAND = (
    r"(?:1[.,' ]?000|'000|000|10\s?\^?\s?3|10\*\*3|10e3|1e3|tsd|tausend|"
    r"mille|milliers|migliaia|miles|mil|milhares|bin|χιλ\w*|thousands?|tys|k)\.?"
)
_MILLION = (
    r"(?:1[.,' ]?000[.,' ]?000|10\s?\^?\s?6|10e6|1e6|mio|"
    r"millions?|milioni|millones|milhoes|milyon|million\w*|εκατ\w*)\.?"
)
_TIMES = r"(?:[x×*·]|\bin\b|\ben\b|\bem\b)?\s*"
_DRY = (
    r"(?:i\.?\s?d?\.?\s?tr\.?|in\s+d\.?m\.?|in\s+ts|in\s+dry\s+matter|on\s+dry\s+matter|dry\s+(?:matter|basis)|sur\s+(?:sec|es|ms)|"
    r"s\.?s\.?\b|sul\s+secco|s/?es\b|s\.?m\.?s\b|/\s?e\.?s\.?\b|/\s?m\.?s\.?\b|/\s?d\.?m\.?\b|\bd\.?m\.?\b|\bd\.?b\.?\b|επι\s+ξηρ\w*|"
    r"\bi\.?\s?t\.?\b|kuru\s+madde\w*\s+icinde|no\s+es|t\.?s\.?\b|/\s?100\s?g\s?(?:es|ms|dm|ts|tr)\b)"
)
# First that fits counts; the more exact stand before the less.
_UNITS: tuple[tuple[str, str], ...] = (
    (r"log\s*(?:10)?\s*\(?\s*(?:cfu|ufc|kbe|kob|cells?)?\s*/\s*(?:ml|g)\)?", "log/ml"),
    (rf"(?<![\w.]){_TIMES}{_MILLION}\s*{_COUNTED}?{_PER}{_ML}", "million/ml"),
    (rf"{_COUNTED}?\s*[x×*]\s*{_MILLION}{_PER}{_ML}", "million/ml"),
    (rf"{_COUNTED}\s*{_PER}{_ML}\s*\(?\s*[x×*,;]?\s*{_THOUSAND}\)?(?![\w.])", "1000/ml"),
    (rf"(?<![\w.]){_TIMES}{_THOUSAND}\s*{_COUNTED}?{_PER}{_ML}", "1000/ml"),
    (rf"{_COUNTED}?\s*[x×*]\s*{_THOUSAND}{_PER}{_ML}", "1000/ml"),
    (rf"{_THOUSAND}\s+{_COUNTED}{_PER}{_ML}", "1000/ml"),
    (rf"(?<![\w.]){_COUNTED}{_PER}{_ML}", "/ml"),
    (rf"(?:^|(?<=[\s(\[])){_PER.strip()}\s*{_ML}", "/ml"),
    (r"[x×*]\s*(?:1[.,' ]?000|10\s?\^?3|'000)\b", "1000/ml"),
    (r"\bin\s+(?:tsd|tausend|thousands?)\b\.?", "1000/ml"),
    (rf"mg{_PER}100\s*{_G}(?!\w)", "mg/100g"),
    (rf"mg{_PER}(?:100\s*{_ML}|dl)", "mg/100ml"),
    (rf"mg{_PER}kg|\bppm\b", "mg/kg"),
    (rf"mg{_PER}(?:l|lt|litre|liter|λ)\b", "mg/l"),
    (rf"(?<!\w)(?:{_G}{_PER}100\s*{_ML}|{_G}{_PER}dl\b)", "g/100ml"),
    (rf"(?<!\w){_G}{_PER}100\s*{_G}(?!\w)", "g/100g"),
    (rf"(?<!\w){_G}\s*%(?!\w)", "g/100g"),
    (r"%\s*[\(\[]?\s*(?:m/v|w/v|p/v|g/v|mass/vol\w*)\s*[\)\]]?", "g/100ml"),
    (r"%\s*[\(\[]?\s*(?:m/m|w/w|p/p|g/g|mass|massa|masse|gew\.?|κ/β)\s*[\)\]]?", "g/100g"),
    (r"(?:m/m|w/w|p/p)\s*%", "g/100g"),
    (r"(?:m/v|w/v|p/v)\s*%", "g/100ml"),
    (rf"kg{_PER}hl\b", "kg/hl"),
    (rf"(?:kg|κιλ\w*){_PER}m(?:3|\^3)", "kg/m3"),
    (rf"(?<!\w)(?:{_G}{_PER}(?:ml|cm3|cm\^3)|kg{_PER}(?:l|dm3)\b)", "g/ml"),
    (rf"(?<!\w){_G}{_PER}(?:kg|κιλ\w*)", "g/kg"),
    (rf"(?<!\w){_G}{_PER}(?:l|lt|ltr|litre|liter|litro|λ|λιτρ\w*)\b\.?", "g/l"),
    (r"‰", "g/kg"),
    ((r"(?:-\s*)?(?:(?<![^\W\d])m\s?°\s?c?\b|(?<![^\W\d])m°|milli\s?(?:degrees?|grad)\w*|"
     r"°?\s?c?\s?[x×*]\s?10\s?\^?-3|°\s?c\s?/\s?1000|1/1000\s?°\s?c|10-3\s?°\s?c|\bmc\b|\bmgrad\b)"), "mC"),
    (r"°\s?h\b|\bhortvet\b", "H"),
    (r"°\s?c\b|\bdeg\.?\s?c\b|\bgrad\s?c?\b|\bcelsius\b|(?<![a-z])°(?=\s|$|\)|\])", "C"),
    (r"%", "%"),
)  # fmt: skip
_PATTERNS = tuple((re.compile(pattern), code) for pattern, code in _UNITS)
_DRY_PATTERN = re.compile(
    rf"(?:%|g)\s*[\(\[]?\s*{_DRY}|[\(\[]\s*{_DRY}\s*[\)\]]|\b(?:in|on)\s+(?:dm|dry\s+(?:matter|basis))\b"
)
_FACTOR = re.compile(
    r"(?:\(?\s*\b(?:total\s+|tot\.?\s*)?n[ta]?\s*)?[x×*·]\s*(6[.,](?:2[0-9]|3[0-9]|4[0-9]))\)?|\b(?:f|factor|faktor)\s*=?\s*(6[.,]\d\d)\b"
)
_COUNTED_WORD = re.compile(r"cells?\b|cellul\w+|celul\w+|zellen|hucre|κυτταρα|germes|germi|keime|bacteria|bakterien")
_PLAIN_UNITS = {
    "kg": "kg", "g": "g", "gr": "g", "min": "min", "mins": "min", "minutes": "min", "minuten": "min",
    "minuti": "min", "minutos": "min", "dk": "min", "dakika": "min", "λεπτα": "min",
    "h": "h", "hrs": "h", "hours": "h", "std": "h", "ore": "h", "heures": "h", "horas": "h", "saat": "h", "ωρες": "h",
    "d": "d", "days": "d", "tage": "d", "jours": "d", "giorni": "d", "dias": "d", "gun": "d", "ημερες": "d", "c": "C",
    "n": "count", "no": "count", "stk": "count", "pcs": "count", "kj": "kJ", "kcal": "kcal",
    "units": "count", "adet": "count",
    "ph": "", "kj/100g": "kJ", "kcal/100g": "kcal", "iso": "", "iso date": "", "date": "",
}  # fmt: skip


def _loose(text: str) -> str:
    """Return a heading in small plain letters that keeps the signs that units are written with."""
    supers = str.maketrans(
        {"³": "3", "²": "2", "⁶": "6", "⁻": "-", "º": "°", "µ": "μ", "’": "'", "×": "x", "℃": "°c", "˚": "°"}
    )
    kept = "".join(c if c in "%‰°/()[]^*.,'-=·#" else (plain(c) or " ") for c in text.translate(supers))
    return " ".join(kept.split())


@lru_cache(maxsize=20_000)
def take_apart(heading: str) -> Said:
    """Take a heading apart into words, unit, nitrogen factor and basis.

    Parameters
    ----------
    heading
        As it stands in the file: ``Protein (N x 6,38) g/100 g``.

    Returns
    -------
    Said
        With ``unit`` empty where the heading names none.
    """
    text = f" {_loose(heading)} "
    factor = None
    if named := _FACTOR.search(text):
        factor = float((named[1] or named[2]).replace(",", "."))
        text = text[: named.start()] + " " + text[named.end() :]
    dry = bool(_DRY_PATTERN.search(text))
    if dry:
        text = _DRY_PATTERN.sub(" ", text)
    unit = ""
    for pattern, code in _PATTERNS:
        if found := pattern.search(text):
            unit = code
            text = text[: found.start()] + " " + text[found.end() :]
            if not plain(text) and (counted := _COUNTED_WORD.search(found[0])):
                # "Cells x 1000/ml": the unit's own word is all that says what was counted
                text = counted[0]
            break
    if not unit:
        for bracketed in re.finditer(r"[\(\[]([^\)\]]*)[\)\]]|[,;]\s*([^,;]+)$", text):
            inner = plain(bracketed[1] if bracketed[1] is not None else bracketed[2])
            if inner in _PLAIN_UNITS:
                unit = _PLAIN_UNITS[inner]
                text = text[: bracketed.start()] + " " + text[bracketed.end() :]
                break
    if not unit:
        head, _, last = text.strip().rpartition(" ")
        if head and _PLAIN_UNITS.get(last.strip(".")) in ("kg", "g", "min", "h", "d"):
            unit, text = _PLAIN_UNITS[last.strip(".")], head
    words = re.sub(r"(?:^|\s)\d\)|[*†‡]+|\(\s*\)|\[\s*\]", " ", text)
    return Said(words=plain(words.replace("'", " ")), unit=unit, factor=factor, dry=dry)


def factors_in(text: str) -> set[float]:
    """Return the nitrogen factors that a remark names, such as ``protein = N x 6.25``."""
    found = _FACTOR.finditer(f" {_loose(text)} ")
    return {float((one[1] or one[2]).replace(",", ".")) for one in found}


@lru_cache(maxsize=20_000)
def only_unit(text: str) -> str | None:
    """Return the unit's code where a cell holds a unit and nothing else, or None."""
    loose = _loose(text).strip("()[] .")
    if not loose:
        return None
    bare = plain(loose)
    if loose in _PLAIN_UNITS or bare in _PLAIN_UNITS:
        return _PLAIN_UNITS.get(loose, _PLAIN_UNITS.get(bare))
    said = take_apart(text)
    if said.dry and not said.words:
        return "% in dry matter"
    return said.unit if said.unit and not said.words else None


@dataclass(frozen=True)
class Turn:
    """How figures of one column become figures of the records.

    Parameters
    ----------
    apply
        From the figure and the milk's density in g/ml to the figure of the records.
    words
        What is done, for people; empty where nothing is.
    by_density
        Whether the density is needed.
    """

    apply: Callable[[float, float], float]
    words: str = ""
    by_density: bool = False


def _same(value: float, _density: float) -> float:
    return value


def _times(factor: float, words: str) -> Turn:
    return Turn(lambda value, _density: value * factor, words)


def _by_volume(grams_per_ml: float, words: str) -> Turn:
    return Turn(lambda value, density: value * grams_per_ml / density, words, by_density=True)


_MASS: dict[str, Turn] = {
    "g/100g": Turn(_same),
    "%": Turn(_same, "% taken as g/100 g"),
    "g/kg": _times(0.1, "g/kg / 10"),
    "mg/100g": _times(0.001, "mg/100 g / 1000"),
    "mg/kg": _times(0.0001, "mg/kg / 10 000"),
    "g/l": _by_volume(0.1, "g/l / 10 / density"),
    "kg/hl": _by_volume(1.0, "kg/hl / density"),
    "g/100ml": _by_volume(1.0, "g/100 ml / density"),
    "mg/l": _by_volume(0.0001, "mg/l / 10 000 / density"),
    "mg/100ml": _by_volume(0.001, "mg/100 ml / 1000 / density"),
}
_COUNT: dict[str, Turn] = {
    "1000/ml": Turn(_same),
    "/ml": _times(0.001, "per ml / 1000"),
    "million/ml": _times(1000.0, "million per ml x 1000"),
    "log/ml": Turn(lambda value, _density: 10.0 ** min(value, 300.0) / 1000.0, "10 to the power of log per ml, / 1000"),
}
# Hortvet to Celsius: C = 0.96231 H - 0.00240 (as used with ISO 5764; from memory).
_FREEZING: dict[str, Turn] = {
    "C": Turn(lambda value, _density: -abs(value), "read as below zero"),
    "mC": Turn(lambda value, _density: -abs(value) / 1000.0, "m°C / 1000, below zero"),
    "H": Turn(lambda value, _density: 0.96231 * -abs(value) - 0.0024, "°H x 0.96231 - 0.00240, below zero"),
}
_DENSITY: dict[str, Turn] = {"g/ml": Turn(_same), "kg/m3": _times(0.001, "kg/m3 / 1000")}
_PLAIN_TURN: dict[str, dict[str, Turn]] = {
    "min": {"min": Turn(_same), "h": _times(60.0, "h x 60")},
    "h": {"h": Turn(_same), "min": _times(1 / 60.0, "min / 60"), "d": _times(24.0, "days x 24")},
    "d": {"d": Turn(_same), "h": _times(1 / 24.0, "h / 24")},
    "C": {"C": Turn(_same)},
    "kg": {"kg": Turn(_same), "g": _times(0.001, "g / 1000")},
    "g": {"g": Turn(_same)},
    "g/kg": {"g/kg": Turn(_same), "%": _times(10.0, "% x 10"), "g/100g": _times(10.0, "g/100 g x 10")},
    "ph": {"": Turn(_same)},
    "count": {"count": Turn(_same)},
    "1": {"": Turn(_same)},
    "1000/ml": _COUNT,
    "g/100g": _MASS,
    "freezing": _FREEZING,
    "density": _DENSITY,
    "mg/100g": {
        "mg/100g": Turn(_same),
        "mg/kg": _times(0.1, "mg/kg / 10"),
        "g/100g": _times(1000.0, "g/100 g x 1000"),
        "%": _times(1000.0, "% x 1000"),
        "g/kg": _times(100.0, "g/kg x 100"),
        "mg/l": _by_volume(0.1, "mg/l / 10 / density"),
        "mg/100ml": _by_volume(1.0, "mg/100 ml / density"),
        "g/l": _by_volume(100.0, "g/l x 100 / density"),
    },
}
# The unit that the records hold each meaning in, and the column names, by table.
TARGETS: dict[str, str] = {
    "fat": "g/100g", "protein": "g/100g", "nitrogen": "g/100g", "lactose": "g/100g", "lactose_monohydrate": "g/100g",
    "total_solids": "g/100g", "moisture": "g/100g", "saturates": "g/100g", "carbohydrate": "g/100g", "sugars": "g/100g",
    "salt": "g/100g", "sodium": "g/100g", "lactic_acid": "g/100g", "whey": "g/100g", "calcium": "mg/100g",
    "somatic_cells": "1000/ml", "plate_count": "1000/ml", "freezing_point": "freezing", "ph": "ph", "end_ph": "ph",
    "density": "density", "firmness": "g", "milk_kg": "kg", "milk_age_h": "h", "heat_c": "C", "hold_min": "min",
    "fill_c": "C", "starter_age_d": "d", "starter_g_kg": "g/kg", "incubator_c": "C", "moved_out_min": "min",
    "filled_kg": "kg", "minutes": "min", "pots_filled": "count", "pots_failed": "count", "pots_in_composite": "count",
    "protein_factor": "1",
}  # fmt: skip
# Where a heading names no unit, these can be meant.
_UNSAID: dict[str, tuple[str, ...]] = {
    "g/100g": ("g/100g", "g/kg", "g/l"),
    "mg/100g": ("mg/100g", "mg/kg", "g/100g"),
    "1000/ml": ("1000/ml", "/ml"),
    "freezing": ("C", "mC"),
    "density": ("g/ml", "kg/m3"),
    "min": ("min", "h"),
    "g/kg": ("g/kg", "%"),
}


def turn(meaning: str, unit: str) -> Turn:
    """Return how a figure in ``unit`` becomes one of the records.

    Raises
    ------
    UnitUnknownError
        If the unit is none for this meaning.
    """
    target = TARGETS[meaning]
    known = _PLAIN_TURN[target]
    if unit not in known:
        listed = ", ".join(name or "none" for name in known)
        raise UnitUnknownError(
            f"{meaning.replace('_', ' ')} cannot be in {unit or 'no unit'}; expected one of {listed}"
        )
    return known[unit]


def candidates(meaning: str) -> tuple[str, ...]:
    """Return the units that can be meant where a heading names none, the usual one first."""
    if meaning == "sodium":
        return ("mg/100g", "g/100g", "mg/kg")
    target = TARGETS[meaning]
    return _UNSAID.get(target, tuple(_PLAIN_TURN[target])[:1])


def unit_words(code: str) -> str:
    """Return a unit's code as people write it."""
    return code.replace("100g", "100 g").replace("100ml", "100 ml") if code else "no unit"
