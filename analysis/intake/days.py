"""Days as laboratories write them; whether day or month comes first is decided by a column as a whole, or asked."""

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.intake.words import months, plain

# Day 0 of the count that spreadsheets keep (with its leap day of 1900, right from March 1900 on).
_SERIAL_ZERO = dt.date(1899, 12, 30)
_SERIAL_LIMITS = (29221, 73415)  # 1980-01-01 to 2100-12-31, the days that the records hold
_FIRST, _LAST = dt.date(1980, 1, 1), dt.date(2100, 12, 31)
_CLOCK = re.compile(
    r"[T ,;-]*\(?\d{1,2}[:h.]\d{2}(?:[:.]\d{2}(?:[.,]\d+)?)?\s*(?:am|pm|uhr|h|hrs|z|[+-]\d{2}:?\d{2})?\)?\s*$",
    re.IGNORECASE,
)
_YEAR_FIRST = re.compile(r"(\d{4})[-./ ](\d{1,2})[-./ ](\d{1,2})\.?")
_COMPACT = re.compile(r"((?:19|20)\d{2})(\d{2})(\d{2})")
_TRIPLE = re.compile(r"(\d{1,2})\s?([-./ ])\s?(\d{1,2})\s?[-./ ]\s?(\d{4}|\d{2})\.?")
_WORDED = re.compile(
    r"(\d{1,2})(?:st|nd|rd|th|er|º|°|\.)?\s*(?:de\s+|di\s+)?[-./ ]*([^\W\d]+)\.?"
    r"\s*(?:de\s+|del\s+)?[-./, ]*(\d{4}|\d{2})",
    re.UNICODE,
)
_MONTH_FIRST_WORD = re.compile(r"([^\W\d]+)\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})", re.UNICODE)
DAY_FIRST, MONTH_FIRST, MIXED = "day first", "month first", "mixed"


@dataclass(frozen=True)
class Day:
    """One cell read as a day: ``value`` (None where there is none) and ``problem`` (empty where there is none)."""

    value: dt.date | None
    problem: str = ""


def _short_year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


def _day(year: int, month: int, day: int) -> dt.date | None:
    try:
        made = dt.date(year, month, day)
    except ValueError:
        return None
    return made if _FIRST <= made <= _LAST else None


def _without_clock(text: str) -> str:
    bare = text.strip().strip("'").strip()
    cut = _CLOCK.sub("", bare)
    # "03.05.26" must not lose its end to a clock reading "05.26"
    if cut != bare and (":" in bare[len(cut) :] or "h" in bare[len(cut) :].casefold()):
        bare = cut
    return re.sub(r"^[^\W\d]{2,10}[.,]\s+(?=\d)", "", bare).strip(" ,;")


def _parts(cell: object) -> tuple[int, str, int, int] | None:
    """Return (first, mark, second, year) of a cell written as three numbers with the year last, else None."""
    if not isinstance(cell, str):
        return None
    found = _TRIPLE.fullmatch(_without_clock(cell))
    if not found:
        return None
    return int(found[1]), found[2], int(found[3]), _short_year(found[4])


def order_of(columns: Sequence[Sequence[object]]) -> str | None:
    """Return whether day or month comes first in these columns of one file.

    Parameters
    ----------
    columns
        Cells of each column of days.

    Returns
    -------
    str or None
        ``"day first"``, ``"month first"``, ``"any"`` where no cell depends on it, ``"mixed"`` where cells contradict
        one another, or None where it cannot be decided: no number above 12.
    """
    needed, day_first, month_first = False, False, False
    for column in columns:
        cells = [cell for cell in column if cell is not None and cell != ""]
        triples = [parts for cell in cells if (parts := _parts(cell)) is not None]
        for first, mark, second, _ in triples:
            if first > 12 and second > 12:
                continue
            if mark == ".":
                # Nowhere are days written with points and the month first.
                day_first = True
            elif first > 12:
                day_first = True
            elif second > 12:
                month_first = True
            elif first != second:
                needed = True
        natives = [cell for cell in cells if isinstance(cell, dt.date)]
        slashed = [parts for parts in triples if parts[1] != "."]
        if natives and slashed and all(max(a, b) > 12 for a, _, b, _ in slashed) and all(d.day <= 12 for d in natives):
            # A spreadsheet of another country turned those cells into days that it could read, day and month swapped.
            return MIXED
    if day_first and month_first:
        return MIXED
    if day_first:
        return DAY_FIRST
    if month_first:
        return MONTH_FIRST
    return None if needed else "any"


def read_day(cell: object, order: str | None) -> Day:
    """Read one cell as a day.

    Parameters
    ----------
    cell
        Text, a spreadsheet's day or its number, or None.
    order
        ``"day first"``, ``"month first"``, ``"any"`` or None (not decided).

    Returns
    -------
    Day
        ``value`` None and no problem where the cell is empty.
    """
    if cell is None or cell == "":
        return Day(None)
    if isinstance(cell, dt.datetime):
        cell = cell.date()
    if isinstance(cell, dt.date):
        return Day(cell) if _FIRST <= cell <= _LAST else Day(None, "is a day outside 1980 to 2100")
    if isinstance(cell, bool):
        return Day(None, "is no day")
    if isinstance(cell, int | float):
        return _from_number(float(cell))
    text = _without_clock(str(cell))
    if plain(text) in ("", "nd", "n d", "na", "n a") or set(text) <= set("-–—./ "):
        return Day(None)
    return _from_text(text, order)


def _from_number(number: float) -> Day:
    if number == int(number) and 19800101 <= number <= 21001231:
        found = _COMPACT.fullmatch(str(int(number)))
        made = _day(int(found[1]), int(found[2]), int(found[3])) if found else None
        return Day(made) if made else Day(None, "is no day of the calendar")
    if _SERIAL_LIMITS[0] <= number <= _SERIAL_LIMITS[1]:
        return Day(_SERIAL_ZERO + dt.timedelta(days=int(number)))
    return Day(None, "is a number that counts no day from 1980 to 2100")


def _from_text(text: str, order: str | None) -> Day:
    if found := _YEAR_FIRST.fullmatch(text) or _COMPACT.fullmatch(text):
        made = _day(int(found[1]), int(found[2]), int(found[3]))
        return Day(made) if made else Day(None, "is no day of the calendar")
    if re.fullmatch(r"\d{5}(?:[.,]\d+)?", text):
        return _from_number(float(text.replace(",", ".")))
    if parts := _parts(text):
        return _from_parts(parts, order)
    if found := _WORDED.fullmatch(text):
        month = months().get(plain(found[2]))
        made = _day(_short_year(found[3]), month, int(found[1])) if month else None
    elif found := _MONTH_FIRST_WORD.fullmatch(text):
        month = months().get(plain(found[1]))
        made = _day(int(found[3]), month, int(found[2])) if month else None
    else:
        return Day(None, "is no day that can be read")
    return Day(made) if made else Day(None, "is no day of the calendar")


def _from_parts(parts: tuple[int, str, int, int], order: str | None) -> Day:
    first, _, second, year = parts
    if year < 2000 + 5 and year >= 2000 and first > 12:
        # 26-05-03: the year may stand first
        return Day(None, "could have the year first or last")
    if order == DAY_FIRST or (order != MONTH_FIRST and (first == second or (first > 12 and order == "any"))):
        made = _day(year, second, first)
    elif order == MONTH_FIRST:
        made = _day(year, first, second)
    else:
        return Day(None, "could have the day or the month first")
    return Day(made) if made else Day(None, "is no day of the calendar")
