"""Figures as laboratories write them: decimal commas, thousands marks, ``<0.5``, footnote marks, per cent signs."""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass

from analysis.intake.units import only_unit
from analysis.intake.words import as_typed, plain

_SPACES = dict.fromkeys(map(ord, "\u00a0\u202f\u2009\u2007 "), " ")
_MINUS = dict.fromkeys(map(ord, "−–‒"), "-")
# Marks that point to a footnote, after a figure.
_FOOTNOTE = re.compile(
    r"(?<=\d)\s*(?:[*†‡#]+|\(?[a-d]\)|\s[ab]|(?<=[.,]\d)[¹²³]|(?<=[.,]\d\d)[¹²³]|\s[¹²³]|\s\d\))\s*$"
)
_SPREAD = re.compile(r"\s*(?:±|\+/-|\+-)\s*[\d.,]+\s*%?$")
_PLAIN_FIGURE = re.compile(r"[+-]?(?:\d+|\d{1,3}(?:[.,' ]\d{3})+)(?:[.,]\d+)?(?:[eE][+-]?\d{1,2})?|[+-]?[.,]\d+")
_CENSORED = re.compile(
    r"^\s*(?:<|>|≤|≥|&lt;|&gt;|inf\.?\s*(?:a|à)\b|sup\.?\s*(?:a|à)\b|unter\b|uber\b|über\b|below\b|above\b|"
    r"less than\b|more than\b|menos de\b|meno di\b)"
)
_TNTC = {"tntc", "too numerous to count", "uncountable", "indenombrable", "incontable", "uberwachsen", "zu viele"}


@dataclass(frozen=True)
class Figure:
    """One cell read as a figure.

    Parameters
    ----------
    value
        The figure, or None where the cell holds none.
    note
        What the cell says besides (``<0.5``, ``n.d.``, ``about``), as it stands, or empty.
    problem
        Why the cell cannot be read, or empty.
    """

    value: float | None
    note: str = ""
    problem: str = ""


NOTHING = Figure(None)


def _bare(text: str) -> tuple[str, str]:
    """Return (the figure's characters, what stood beside it): unit, footnote mark and 'about' taken off."""
    s = text.translate(_SPACES).translate(_MINUS).strip()
    said = ""
    s = s.strip("'\"").strip()
    for word in sorted(as_typed("approximate"), key=len, reverse=True):
        if s.casefold().startswith(word) and re.match(r"[\s\d.+-]", s[len(word) :] or "x"):
            said, s = "about", s[len(word) :].strip()
            break
    if found := _SPREAD.search(s):
        s = s[: found.start()].strip()
    if found := _FOOTNOTE.search(s):
        said = f"{said} marked {found[0].strip()}".strip()
        s = s[: found.start()].strip()
    if not _PLAIN_FIGURE.fullmatch(s):
        apart = re.fullmatch(r"([+-]?[\d.,' ]*\d)\s*([^\d\s].*)", s)
        if apart and only_unit(apart[2]) is not None:
            s = apart[1].strip()
    return s, said


def unit_in(text: str) -> str | None:
    """Return the code of the unit that stands after the figure in a cell (``7,2 %``), or None."""
    s = text.translate(_SPACES).translate(_MINUS).strip()
    apart = re.fullmatch(r"(?:[<>≤≥~≈]|ca\.?)?\s*[+-]?[\d.,' ]*\d\s*([^\d\s].*)", s)
    return only_unit(apart[1]) if apart else None


def decimal_evidence(text: str) -> str | None:
    """Return the decimal mark that one cell proves (``,`` or ``.``), ``?`` where it could be either, else None.

    A mark proves itself where both marks stand (the last is the decimal one), where one stands twice (thousands), or
    where it is not followed by exactly three digits.
    """
    s, _ = _bare(re.sub(r"^\s*[<>≤≥]\s*=?", "", text))
    if not _PLAIN_FIGURE.fullmatch(s):
        return None
    s = re.sub(r"[eE].*$", "", s)
    dots, commas = s.count("."), s.count(",")
    if not dots and not commas:
        return None
    if dots and commas:
        last = "," if s.rfind(",") > s.rfind(".") else "."
        return last if (commas if last == "," else dots) == 1 else None
    mark = "." if dots else ","
    other = "," if dots else "."
    if dots + commas > 1:
        return other
    head, tail = s.lstrip("+-").split(mark)
    grouped = len(tail) == 3 and 1 <= len(head) <= 3 and not head.startswith("0") and head.isdigit()
    return "?" if grouped else mark


def decimal_mark(texts: Iterable[str]) -> str | None:
    """Return the decimal mark of a column: ``,`` or ``.``, ``?`` where only undecidable cells stand, None where none.

    Where cells contradict one another the answer is ``?`` as well: cells that prove their own mark are still read.
    """
    seen = {mark for text in texts if (mark := decimal_evidence(text)) is not None}
    proven = seen - {"?"}
    if len(proven) == 1:
        return proven.pop()
    return "?" if seen else None


def read_figure(cell: object, mark: str | None) -> Figure:
    """Read one cell.

    Parameters
    ----------
    cell
        Text, a number, or None.
    mark
        Decimal mark of the column; None or ``?`` where it is not known: then only a cell that proves its own is read.

    Returns
    -------
    Figure
        ``value`` None with an empty ``problem`` where nothing was measured or only a bound is given.
    """
    if cell is None:
        return NOTHING
    if isinstance(cell, bool):
        return Figure(None, problem="holds yes or no, not a figure")
    if isinstance(cell, int | float):
        return Figure(float(cell)) if math.isfinite(cell) else Figure(None, problem="is no finite number")
    if not isinstance(cell, str):
        return Figure(None, problem="holds a date, not a figure; a spreadsheet may have turned the figure into a date")
    text = cell.translate(_SPACES).translate(_MINUS).strip()
    folded = text.casefold()
    if folded in as_typed("refused_cell") or set(text) == {"#"}:
        return Figure(None, problem="holds a spreadsheet's error instead of a figure")
    if folded.replace(" ", "") in as_typed("nothing") or folded in as_typed("nothing"):
        return Figure(None, note="" if folded in ("", "-", "--", "---") else text)
    if plain(text) in _TNTC:
        return Figure(None, note=text)
    if _CENSORED.match(text.casefold()):
        rest = re.sub(_CENSORED, "", text.casefold()).strip(" =")
        if decimal_evidence(rest) is not None or re.match(r"[+-]?\d", rest):
            return Figure(None, note=text)
        return Figure(None, problem="is neither a figure nor a known word")
    s, said = _bare(text)
    if not _PLAIN_FIGURE.fullmatch(s):
        return Figure(None, problem="is neither a figure nor a known word")
    proof = decimal_evidence(text)
    if proof == "?":
        if mark not in (",", "."):
            return Figure(None, problem="could have a thousands mark or a decimal mark")
        proof = mark
    elif proof is None and ("." in s or "," in s):
        return Figure(None, problem="has its marks in no order that a figure can have")
    elif proof is not None and mark in (",", ".") and proof != mark:
        return Figure(None, problem=f"has another decimal mark than the rest of its column ({mark})")
    thousands = {",": ".", ".": ","}.get(proof or "", "")
    body = s.replace("'", "").replace(" ", "")
    if thousands:
        whole = body.split(proof)[0] if proof else body
        if thousands in whole and not re.fullmatch(rf"[+-]?\d{{1,3}}(?:{re.escape(thousands)}\d{{3}})+", whole):
            return Figure(None, problem="has its marks in no order that a figure can have")
        body = body.replace(thousands, "")
    value = float(body.replace(",", "."))
    return Figure(value, note=said) if math.isfinite(value) else Figure(None, problem="is no finite number")
