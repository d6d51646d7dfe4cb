"""Months as text ``YYYY-MM``: ends, steps, words."""

import re
from datetime import date, timedelta

import pandas as pd

_SHAPE = re.compile(r"(\d{4})-(\d{2})")
_NAMES = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
# Forecasts and steps of a year either side must still be dates.
_FIRST_YEAR, _LAST_YEAR = 1900, 2200


def month_parts(month: str) -> tuple[int, int]:
    """Return year and month number of ``YYYY-MM``.

    Raises
    ------
    ValueError
        If the text is not a month.
    """
    found = _SHAPE.fullmatch(month)
    if found is None or not 1 <= int(found[2]) <= 12 or not _FIRST_YEAR <= int(found[1]) <= _LAST_YEAR:
        raise ValueError(f"{month!r} is no month; write it as YYYY-MM, such as 2026-05")
    return int(found[1]), int(found[2])


def add_months(month: str, k: int) -> str:
    """Return the month ``k`` months after (before, where negative) ``month``."""
    year, number = month_parts(month)
    years, zero_based = divmod(year * 12 + number - 1 + k, 12)
    return f"{years:04d}-{zero_based + 1:02d}"


def first_day(month: str) -> date:
    """Return the first day of ``month``."""
    year, number = month_parts(month)
    return date(year, number, 1)


def last_day(month: str) -> date:
    """Return the last day of ``month``."""
    return first_day(add_months(month, 1)) - timedelta(days=1)


def month_of(day: date) -> str:
    """Return the month of a day."""
    return f"{day.year:04d}-{day.month:02d}"


def month_words(month: str) -> str:
    """Return the month in words, such as "June 2026"."""
    year, number = month_parts(month)
    return f"{_NAMES[number - 1]} {year}"


def days_of(month: str) -> pd.DatetimeIndex:
    """Return every day of ``month`` as a DatetimeIndex."""
    return pd.date_range(first_day(month), last_day(month), freq="D")


def months_between(first: str, last: str) -> list[str]:
    """Return the months from ``first`` to ``last``, both included; empty where ``last`` is earlier."""
    months = []
    month = first
    while month <= last:
        months.append(month)
        month = add_months(month, 1)
    return months
