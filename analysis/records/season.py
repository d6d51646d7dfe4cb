"""The records of one dairy as they were known on a day."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.records.checks import check_season
from analysis.records.corrections import newest_results
from analysis.records.dairy import Dairy, read_dairy
from analysis.records.findings import CannotDo, Finding, in_order, warning
from analysis.records.months import last_day, month_of, month_parts
from analysis.records.reading import ReadTable, read_table
from analysis.records.schema import tables
from analysis.records.together import finish_interrupted

# The day by which a row is known to have happened.
WHEN = {
    "milk_tests": "sampled_on",
    "flock_diary": "from_date",
    "batches": "made_on",
    "pot_tests": "sampled_on",
    "weather": "date",
    "decisions_taken": "decided_on",
}
_MAKING = ("milk_tests", "batches", "pot_tests")
_OF_A_BATCH = ("set_checks", "ph_readings")
_INTERNAL = ["usable", "withdrawn"]
_END_OF_TIME = date(2200, 12, 31)


@dataclass(frozen=True)
class Season:
    """The records of one dairy, as known on the last day of a month.

    Parameters
    ----------
    folder
        The season folder.
    month
        The month under review, ``YYYY-MM``.
    cutoff
        Its last day.
    dairy
        The dairy as of that day.
    tables
        By file name without ``.csv``; every table always there, maybe empty, with every column of its schema and
        ``file_row``. Text is ``str``, days ``datetime64[us]``, numbers and counts ``float64`` (NaN: not measured).
    findings
        What is worth saying about these rows: errors first.
    set_aside
        Rows that are not used: ``file, file_row, code, text``.
    """

    folder: Path
    month: str
    cutoff: date
    dairy: Dairy
    tables: Mapping[str, pd.DataFrame]
    findings: tuple[Finding, ...]
    set_aside: pd.DataFrame
    records: "Records" = field(repr=False, compare=False)

    def as_of(self, month: str) -> "Season":
        """Return the season of another month, from the same reading of the files."""
        return self.records.as_of(month)

    def with_rules(self, rules: tuple[str, ...]) -> "Season":
        """Return the same season to be judged under these rulebooks, the home one first."""
        records = replace(self.records, dairy=replace(self.records.dairy, rules=rules))
        return replace(self, dairy=replace(self.dairy, rules=rules), records=records)

    @property
    def has_errors(self) -> bool:
        """Whether anything was set aside."""
        return any(finding.severity == "error" for finding in self.findings)


@dataclass(frozen=True)
class Records:
    """Everything that a season folder holds, read once.

    Parameters
    ----------
    folder
        The season folder.
    dairy
        The dairy as it is today.
    read
        Tables as read, by name.
    findings
        Findings on dairy.toml.
    """

    folder: Path
    dairy: Dairy
    read: Mapping[str, ReadTable]
    findings: tuple[Finding, ...]

    def as_of(self, month: str) -> Season:
        """Return the season as it was known on the last day of ``month``.

        Raises
        ------
        CannotDo
            If ``month`` is no month, or the milk tests cannot be read at all.
        """
        try:
            cutoff = last_day(month)
        except ValueError as bad:
            raise CannotDo(str(bad)) from None
        for read in self.read.values():
            if read.stop is not None:
                raise CannotDo(read.stop.sentence())
        return self._known_by(cutoff, month)

    def check(self, today: date | None = None) -> tuple[Finding, ...]:
        """Return the findings on everything in the folder, whenever it happened.

        Parameters
        ----------
        today
            Where given, days of measuring or making that lie after it are named.

        Returns
        -------
        tuple[Finding, ...]
            Errors first, then by file, row and column.
        """
        whole = self._known_by(_END_OF_TIME, month_of(_END_OF_TIME))
        return in_order([*whole.findings, *(_after(self.read, today) if today is not None else [])])

    def newest_month(self) -> str:
        """Return the newest month in which milk or pots were sampled or a vat was made, else of any record.

        A day or two far after all others (a year typed wrong) do not count.

        Raises
        ------
        CannotDo
            If no record has a day.
        """
        for names in (_MAKING, tuple(WHEN)):
            days = self._days(names)
            if len(days):
                newest = _without_stray_end(days)
                return month_of(date(int(newest.year), int(newest.month), 1))
        for read in self.read.values():
            if read.stop is not None:
                raise CannotDo(read.stop.sentence())
        raise CannotDo("there are no records yet, so no month can be chosen; fill in milk_tests.csv or name a --month")

    def first_month(self) -> str | None:
        """Return the month of the first record of any table, or None without records."""
        days = self._days(tuple(WHEN))
        return month_of(days.min().date()) if len(days) else None

    def _days(self, names: tuple[str, ...]) -> pd.Series:
        days: list[pd.Series] = [
            self.read[name].frame.loc[self.read[name].frame["usable"], WHEN[name]].dropna() for name in names
        ]
        return pd.concat(days, ignore_index=True)

    def _known_by(self, cutoff: date, month: str) -> Season:
        day = pd.Timestamp(cutoff)
        dairy = self.dairy.as_of(cutoff)
        frames: dict[str, pd.DataFrame] = {}
        findings = list(self.findings)
        aside: list[tuple[str, int, str, str]] = []
        for name, read in self.read.items():
            frame = _known_rows(name, read.frame, day)
            if name in _OF_A_BATCH:
                frame = _of_known_batches(frame, self.read["batches"].frame, day)
            known = frame["file_row"]
            if read.table.results:
                corrected = newest_results(frame, read.table)
                frame = corrected.frame
                frame = frame[(frame[WHEN[name]] <= day) | ~frame["usable"]]
                findings += corrected.findings
                aside += [(read.table.file, row, code, text) for row, code, text in corrected.set_aside]
            frame, said, unusable = _leave_unusable(frame, read, known)
            findings += said
            aside += unusable
            frames[name] = frame
        batches = self.read["batches"].frame
        lost_batches = set(batches.loc[~batches["usable"], "batch_id"].dropna())
        checked = check_season(frames, dairy, lost_batches)
        findings += checked.findings
        aside += checked.set_aside
        return Season(
            folder=self.folder,
            month=month,
            cutoff=cutoff,
            dairy=dairy,
            tables=checked.tables,
            findings=in_order(findings),
            set_aside=_aside_frame(aside),
            records=self,
        )


def read_season(folder: str | Path) -> Records:
    """Read everything in a season folder once.

    Raises
    ------
    CannotDo
        If there is no such folder, a required file is missing, or dairy.toml cannot be used.
    """
    path = Path(folder)
    if not path.exists():
        raise CannotDo(f"there is no folder {path}; name a season folder, or make one with `pasturepot new {path}`")
    if not path.is_dir():
        raise CannotDo(f"{path} is a file; name the season folder that it lies in")
    # An intake that was killed while it put its files into place is finished before anything is read.
    finish_interrupted(path)
    dairy, findings = read_dairy(path)
    read = {name: read_table(path, described) for name, described in tables().items()}
    return Records(folder=path, dairy=dairy, read=read, findings=findings)


def load_season(folder: str | Path, month: str | None = None) -> Season:
    """Read a season folder as of the last day of a month.

    Parameters
    ----------
    folder
        The season folder.
    month
        The month under review, ``YYYY-MM``; None takes the newest with records.

    Raises
    ------
    CannotDo
        As :func:`read_season`; also where the month lies before the first record.
    """
    if month is not None:
        checked_month(month)
    records = read_season(folder)
    if month is None:
        return records.as_of(records.newest_month())
    season = records.as_of(month)
    first = records.first_month()
    if first is not None and month < first:
        raise CannotDo(f"{month} lies before the first record, which is of {first}; name {first} or a later month")
    return season


def newest_month(folder: str | Path) -> str:
    """Return the newest month with records of a season folder; see :meth:`Records.newest_month`."""
    return read_season(folder).newest_month()


def checked_month(month: str) -> str:
    """Return ``month`` if it is one; CannotDo says what was expected otherwise."""
    try:
        month_parts(month)
    except ValueError as bad:
        raise CannotDo(str(bad)) from None
    return month


def _known_rows(name: str, frame: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """Return the rows of a table that were known on ``day``, later days in them emptied.

    A row that could not be dated is kept: it cannot be used, and is named.
    """
    if name not in WHEN:
        return frame
    when = frame[WHEN[name]]
    if name == "flock_diary":
        written = frame["written_on"]
        was_written = written <= day
        known = was_written | (written.isna() & ~(when > day))
        emptied = ["to_date", "dried_on", "lambed_on"]
        spared = was_written[known]
    elif "reported_on" in frame.columns:
        known_on = frame["reported_on"].fillna(when)
        known = ~(known_on > day)
        emptied = ["made_on"] if "made_on" in frame.columns else []
        spared = None
    else:
        # The day of a decision shows that the day from which it holds was known.
        return frame[~(when > day)]
    shown = frame[known]
    for column in emptied:
        later = shown[column] > day
        if spared is not None:
            later &= ~spared
        if later.any():
            shown = shown.assign(**{column: shown[column].mask(later)})
    if name == "flock_diary":
        # Remembered, because an end that lies ahead is no gap in the diary.
        ends_later = (frame["to_date"] > day).reindex(shown.index) & shown["to_date"].isna()
        shown = shown.assign(ends_later=ends_later.to_numpy())
    return shown


def _of_known_batches(frame: pd.DataFrame, batches: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """Return the looks or readings of vats made by ``day``, and those of no vat at all."""
    later = set(batches.loc[batches["made_on"] > day, "batch_id"].dropna())
    made = set(batches.loc[~(batches["made_on"] > day), "batch_id"].dropna())
    return frame[~frame["batch_id"].isin(later - made)]


def _leave_unusable(
    frame: pd.DataFrame, read: ReadTable, known: pd.Series
) -> tuple[pd.DataFrame, list[Finding], list[tuple[str, int, str, str]]]:
    """Return the usable rows, the findings of reading that concern rows known by then, and the rows set aside."""
    live = set(frame["file_row"])
    seen = set(known)
    every = set(read.frame["file_row"])
    said = []
    for finding in read.findings:
        of_a_row = finding.row is not None and finding.row in every
        # A cell of a row that a correction replaced no longer matters; a row that is not known yet is not named.
        if not of_a_row or (finding.row in live and finding.row in seen):
            said.append(finding)
    why = {finding.row: finding for finding in reversed(said) if finding.severity == "error"}
    unusable = [
        (read.table.file, int(row), why[row].code, why[row].text)
        for row in frame.loc[~frame["usable"], "file_row"]
        if row in why
    ]
    return frame[frame["usable"]].drop(columns=_INTERNAL).reset_index(drop=True), said, unusable


def _aside_frame(rows: list[tuple[str, int, str, str]]) -> pd.DataFrame:
    ordered = sorted(dict.fromkeys(rows))
    return pd.DataFrame(
        {
            "file": pd.Series([row[0] for row in ordered], dtype="str"),
            "file_row": pd.Series([row[1] for row in ordered], dtype="int64"),
            "code": pd.Series([row[2] for row in ordered], dtype="str"),
            "text": pd.Series([row[3] for row in ordered], dtype="str"),
        }
    )


def _without_stray_end(days: pd.Series) -> pd.Timestamp:
    """Return the newest day, leaving out one or two that lie more than two years after a longer run of others."""
    known = np.sort(days.unique())
    for stray in (2, 1):
        if len(known) - stray >= 3 and known[-stray] - known[-stray - 1] > np.timedelta64(731, "D"):
            return pd.Timestamp(known[-stray - 1])
    return pd.Timestamp(known[-1])


def _after(read: Mapping[str, ReadTable], today: date) -> list[Finding]:
    """Return a finding for each thing measured or made on a day that has not come yet."""
    found = []
    for name in ("milk_tests", "batches", "pot_tests", "weather"):
        frame, described = read[name].frame, read[name].table
        for column in [c.name for c in described.of_kind("date")]:
            late = frame[column] > pd.Timestamp(today)
            found += [
                warning(
                    "day-to-come",
                    f"the day lies after today ({today})",
                    file=described.file,
                    row=int(row),
                    column=column,
                    value=str(day.date()),
                    advice="check the year and the month",
                )
                for row, day in zip(frame.loc[late, "file_row"], frame.loc[late, column], strict=True)
            ]
    return found
