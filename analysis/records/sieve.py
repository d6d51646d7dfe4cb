"""One table under check: rows set aside, cells emptied, warnings; each named by row."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from analysis.records.findings import Finding, Severity
from analysis.records.schema import Column, Table

Text = str | Callable[[pd.Series], str]


class Sieve:
    """A table and what the checks say about it.

    Parameters
    ----------
    frame
        Rows as known on the day.
    table
        Its description.
    """

    def __init__(self, frame: pd.DataFrame, table: Table) -> None:
        self.frame = frame.copy()
        self.table = table
        self.findings: list[Finding] = []
        self.aside: list[tuple[str, int, str, str]] = []
        self._live = np.ones(len(frame), dtype=bool)
        self._explained: dict[str, np.ndarray] = {}

    def __getitem__(self, column: str) -> pd.Series:
        """Return the column as it stands now; of rows already set aside it is missing."""
        return self.frame[column].where(self._live)

    def usable(self) -> pd.DataFrame:
        """Return the rows that are left, columns of the schema and ``file_row``."""
        return self.frame.loc[self._live, [*self.table.names, "file_row"]].reset_index(drop=True)

    def set_aside(self, bad: pd.Series, code: str, text: Text, column: str | None = None, **more: Text) -> None:
        """Take these rows out and say so."""
        self._say("error", bad, code, text, column, more, aside=True)

    def empty(self, bad: pd.Series, code: str, text: Text, column: str, **more: Text) -> None:
        """Empty one cell of these rows and say so; where the row cannot do without it, take the row out."""
        needed = self.table.column(column).required
        self._say("error", bad, code, text, column, more, aside=needed)
        if not needed:
            self.frame[column] = self.frame[column].mask(bad.fillna(False).to_numpy(dtype=bool))

    def drop(self, bad: pd.Series, code: str | None = None, why: str = "") -> None:
        """Take these rows out without a finding of their own; with a code they are listed as set aside."""
        hit = bad.fillna(False).to_numpy(dtype=bool) & self._live
        if code is not None:
            self.aside += [(self.table.file, int(row), code, why) for row in self.frame.loc[hit, "file_row"]]
        self._live &= ~hit

    def clear(self, bad: pd.Series, *columns: str) -> None:
        """Empty further cells of rows about which another finding speaks."""
        hit = bad.fillna(False).to_numpy(dtype=bool)
        for column in columns:
            self.frame[column] = self.frame[column].mask(hit)

    def warn(
        self,
        bad: pd.Series,
        code: str,
        text: Text,
        column: str | None = None,
        explains: tuple[str, ...] = (),
        **more: Text,
    ) -> None:
        """Keep these rows and say that they are worth a look; cells that this explains are not called odd again."""
        self._say("warning", bad, code, text, column, more, aside=False)
        for name in explains:
            before = self._explained.get(name, np.zeros(len(self.frame), dtype=bool))
            self._explained[name] = before | bad.fillna(False).to_numpy(dtype=bool)

    def of_file(
        self, severity: Severity, code: str, text: str, column: str, advice: str, value: str | None = None
    ) -> None:
        """Say something about the whole file."""
        self.findings.append(
            Finding(
                code=code,
                severity=severity,
                text=text,
                file=self.table.file,
                column=column,
                value=value,
                advice=advice,
            )
        )

    def note(self, bad: pd.Series, code: str, text: Text, column: str | None = None, **more: Text) -> None:
        """Keep these rows and mention something about them."""
        self._say("note", bad, code, text, column, more, aside=False)

    def _say(
        self,
        severity: Severity,
        bad: pd.Series,
        code: str,
        text: Text,
        column: str | None,
        more: dict[str, Text],
        *,
        aside: bool,
    ) -> None:
        hit = bad.fillna(False).to_numpy(dtype=bool) & self._live
        for index in np.flatnonzero(hit):
            row = self.frame.iloc[index]
            said = text(row) if callable(text) else text
            words = {key: value(row) if callable(value) else value for key, value in more.items()}
            if column is not None and "value" not in words:
                words["value"] = shown(row[column])
            self.findings.append(
                Finding(
                    code=code,
                    severity=severity,
                    text=said,
                    file=self.table.file,
                    row=int(row["file_row"]),
                    column=column,
                    **words,
                )
            )
            if aside:
                self.aside.append((self.table.file, int(row["file_row"]), code, said))
        if aside:
            self._live &= ~hit

    def same_row_twice(self, key: str, text: str, advice: str) -> None:
        """Keep one of rows that are identical; set aside all rows of one key that differ."""
        given = self[key].notna()
        repeats = given & self.frame.duplicated(list(self.table.names), keep="first")
        self._say("note", repeats, "same-row-twice", "the row is there twice and counts once", None, {}, aside=False)
        self._live &= ~repeats.to_numpy()
        still = self[key]
        differ = still.notna() & still.duplicated(keep=False)
        self.set_aside(differ, f"{key.replace('_', '-')}-twice", text, key, advice=advice)

    def stray_days(self, column: str) -> None:
        """Warn of a day that lies two years and more from every other one of the file."""
        days = np.sort(self[column].dropna().unique())
        if len(days) < 5:
            return
        gaps = np.diff(days) > np.timedelta64(731, "D")
        alone = days[np.append(True, gaps) & np.append(gaps, True)]
        self.warn(
            self[column].isin(alone),
            "stray-day",
            "the day lies more than two years from every other one",
            column,
            advice="check the year",
        )

    def spelt_differently(self, column: str) -> None:
        """Warn where one word is written in two ways, such as with and without a capital."""
        words = self[column].dropna()
        folded = words.str.casefold().str.split().str.join(" ")
        for _, ways in words.groupby(folded):
            counts = ways.value_counts()
            if len(counts) > 1:
                usual, other = sorted(counts.index, key=lambda word: (-counts[word], word))[:2]
                self.warn(
                    self[column] == other,
                    "spelt-differently",
                    "the word is written in two ways and counts as two",
                    column,
                    expected=f'"{usual}" as in other rows',
                    advice="write it always the same way",
                )

    def ranges(self) -> None:
        """Empty impossible cells and cells that are ten times off, and warn of odd ones."""
        for column in self.table.columns:
            if column.is_number:
                self._range(column)

    def _range(self, column: Column) -> None:
        lo, hi = column.impossible
        narrow = [odd if odd is not None else limit for odd, limit in zip(column.odd, (lo, hi), strict=True)]
        plain = self.frame[column.name].to_numpy()[self._live]
        if not (
            (narrow[0] is not None and (plain < narrow[0]).any())
            or (narrow[1] is not None and (plain > narrow[1]).any())
        ):
            return
        values = self[column.name]
        impossible = outside(values, lo, hi)
        done = "the row is set aside" if column.required else "the cell counts as empty"
        if impossible.any():
            converted = (values - 32) / 1.8
            fahrenheit = impossible & (values > 0) & ~outside(converted, *column.odd) & (column.unit == "C")
            self.empty(
                fahrenheit,
                "fahrenheit",
                f"the temperature seems to be in Fahrenheit, so {done}",
                column.name,
                expected=f"degrees C, {span(*column.odd)}",
                advice=lambda row: f"write {(row[column.name] - 32) / 1.8:.1f} if that is what was meant",
            )
            impossible &= ~fahrenheit
            self.empty(
                impossible,
                "impossible-value",
                lambda row: f"{_kind(row[column.name], lo)}, so {done}",
                column.name,
                expected=f"{span(lo, hi)}{_unit(column)}",
                advice=lambda row: tenfold(row[column.name], column) or "correct it, or leave it empty",
            )
            values = self[column.name]
        odd = outside(values, *column.odd)
        if column.name in self._explained:
            odd &= ~self._explained[column.name]
        if not odd.any():
            return
        if column.one_scale:
            slipped = odd & (~outside(values * 10, *column.odd) | ~outside(values / 10, *column.odd))
            self.empty(
                slipped,
                "factor-of-ten",
                f"the value is ten times off what is usual, so {done}",
                column.name,
                expected=f"usually {span(*column.odd)}{_unit(column)}",
                advice=lambda row: tenfold(row[column.name], column) or "check the unit",
            )
            odd &= ~slipped
        self.warn(
            odd,
            "odd-value",
            "the value is unusual; it is kept",
            column.name,
            expected=f"usually {span(*column.odd)}{_unit(column)}",
            advice="check it against the paper",
        )


def outside(values: pd.Series, lo: float | None, hi: float | None) -> pd.Series:
    """Return which values lie outside; missing ones do not."""
    below = values < lo if lo is not None else pd.Series(False, index=values.index)
    above = values > hi if hi is not None else pd.Series(False, index=values.index)
    return below | above


def span(lo: float | None, hi: float | None) -> str:
    """Return limits in words: "4.5 to 10", "up to 1500", "at least 0"."""
    if lo is None:
        return f"up to {hi:g}"
    return f"at least {lo:g}" if hi is None else f"{lo:g} to {hi:g}"


def shown(value: object) -> str:
    """Return a cell as it would be typed."""
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def tenfold(value: float, column: Column) -> str | None:
    """Return advice where a slip of the decimal point, or thousands, would explain the value."""
    lo, hi = column.odd
    if lo is None or hi is None:
        return None
    for factor, words in ((10, "x 10"), (0.1, "/ 10"), (0.001, "/ 1000"), (-1, "with the other sign")):
        if lo <= value * factor <= hi:
            return f"was {value * factor:g} meant ({words})? Check the unit"
    return None


def _unit(column: Column) -> str:
    return "" if column.unit in ("", "1") else f" {column.unit}"


def _kind(value: float, lo: float | None) -> str:
    if value < 0 and lo is not None and lo >= 0:
        return "the value is negative"
    if value == 0:
        return "zero cannot be"
    return "the value cannot be"
