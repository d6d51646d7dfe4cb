"""Checks of the diary, the weather and the decisions taken: periods, days, flocks."""

import numpy as np
import pandas as pd

from analysis.records.checks_of_results import known_source
from analysis.records.dairy import Dairy
from analysis.records.sieve import Sieve

_LONG_LACTATION = pd.Timedelta(500, "D")
_ONE_DAY = pd.Timedelta(1, "D")
# No place that keeps sheep has a median daily mean above this in C; in Fahrenheit most do.
_MEDIAN_T_MEAN = 35.0
_ENOUGH_DAYS = 20


def check_diary(diary: Sieve, dairy: Dairy) -> None:
    """Check the flock diary: flock, days in order, periods that overlap, ranges."""
    known_source(diary, "flock", dairy)
    ends_early = diary["to_date"] < diary["from_date"]
    diary.set_aside(
        ends_early,
        "days-out-of-order",
        lambda row: f"the period ends before it starts ({row['from_date'].date()}); the row is set aside",
        "to_date",
        expected="a day on or after from_date",
        advice="correct one of the two days",
    )
    diary.empty(
        diary["lambed_on"] > diary["to_date"],
        "lambed-after-end",
        lambda row: f"they lambed after the period's end ({row['to_date'].date()}); the cell counts as empty",
        "lambed_on",
        expected="the flock's mean lambing date of this lactation",
        advice="correct it",
    )
    diary.warn(
        diary["from_date"] - diary["lambed_on"] > _LONG_LACTATION,
        "lambed-long-ago",
        lambda row: f"they lambed {(row['from_date'] - row['lambed_on']).days} days before the period starts",
        "lambed_on",
        advice="check the year",
    )
    diary.empty(
        diary["dried_on"] < diary["from_date"],
        "dried-before-start",
        lambda row: (
            f"they were dried off before the period starts ({row['from_date'].date()}); the cell counts as empty"
        ),
        "dried_on",
        advice="correct it",
    )
    diary.ranges()
    _overlaps(diary)
    diary.spelt_differently("forage")


def _overlaps(diary: Sieve) -> None:
    """End an open period where the next one starts; set aside a period that overlaps one with a stated end."""
    identical = diary["flock"].notna() & diary.frame.duplicated(list(diary.table.names), keep="first")
    diary.note(identical, "same-row-twice", "the row is there twice and counts once")
    diary.drop(identical)
    live = diary.frame.assign(flock=diary["flock"]).dropna(subset="flock")
    for _, rows in live.sort_values(["flock", "from_date", "file_row"], kind="stable").groupby("flock", sort=True):
        open_row: int | None = None
        last_end, last_row = pd.Timestamp.min, 0
        for index, start, end, row in zip(
            rows.index, rows["from_date"], rows["to_date"], rows["file_row"], strict=True
        ):
            if open_row is not None and start > diary.frame.loc[open_row, "from_date"]:
                _close(diary, open_row, start, int(row))
                open_row, last_end = None, start - _ONE_DAY
            if open_row is not None or start <= last_end:
                _overlapping(diary, index, last_row)
                continue
            last_row = int(row)
            if pd.isna(end):
                open_row = index
            else:
                last_end = end


def _close(diary: Sieve, index: int, start: pd.Timestamp, by_row: int) -> None:
    end = start - _ONE_DAY
    only = pd.Series(diary.frame.index == index, index=diary.frame.index)
    # Where the file gives an end that was not known yet on the day of review there is nothing to complain about.
    if not bool(diary.frame.loc[index, "ends_later"]):
        diary.warn(
            only,
            "open-period",
            f"the period has no end, yet row {by_row} of the same flock starts on {start.date()}; it is taken to end "
            "the day before",
            "to_date",
            value="",
            expected=f"{end.date()}",
            advice="fill in to_date",
        )
    diary.frame.loc[index, "to_date"] = end


def _overlapping(diary: Sieve, index: int, with_row: int) -> None:
    diary.set_aside(
        pd.Series(diary.frame.index == index, index=diary.frame.index),
        "overlapping-periods",
        f"the period overlaps that of row {with_row} of the same flock; the row is set aside",
        "from_date",
        expected="periods of one flock that follow one another",
        advice="correct from_date or to_date of one of them",
    )


def check_weather(weather: Sieve) -> None:
    """Check the weather: repeated days, Fahrenheit, mean above the highest, ranges."""
    weather.same_row_twice("date", "two different rows are of this day, so both are set aside", "keep the right one")
    means = weather["t_mean_c"].dropna()
    if len(means) >= _ENOUGH_DAYS and means.median() > _MEDIAN_T_MEAN:
        weather.of_file(
            "error",
            "fahrenheit",
            "the temperatures seem to be in Fahrenheit, so all of them count as empty",
            column="t_mean_c",
            value=f"{means.median():g} on a middling day",
            advice="turn them into degrees C: (F - 32) / 1.8",
        )
        weather.clear(
            pd.Series(np.ones(len(weather.frame), dtype=bool), index=weather.frame.index), "t_mean_c", "t_max_c"
        )
    weather.ranges()
    above = weather["t_mean_c"] > weather["t_max_c"]
    weather.empty(
        above,
        "mean-above-highest",
        lambda row: f"the mean is above the highest temperature ({row['t_max_c']:g}); both cells count as empty",
        "t_mean_c",
        advice="look whether the columns are swapped",
    )
    weather.clear(above, "t_max_c")


def check_decisions(decisions: Sieve) -> None:
    """Check the decisions taken: ranges, days in order."""
    decisions.ranges()
    decisions.warn(
        decisions["from_date"] < decisions["decided_on"],
        "days-out-of-order",
        lambda row: f"it holds from before it was decided ({row['decided_on'].date()}); kept",
        "from_date",
        advice="check both days",
    )
