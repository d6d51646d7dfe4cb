"""Corrected laboratory results: which row of a sample counts."""

from dataclasses import dataclass

import pandas as pd

from analysis.records.findings import Finding, error, note
from analysis.records.schema import Table

_KEY = ["lab", "sample_id"]
# Columns in which two reports of one result may differ and still be the same result.
_NOT_RESULT = {"reported_on", "note"}


@dataclass(frozen=True)
class Corrected:
    """Rows that count, rows set aside (``file_row, code, text``), and what was found."""

    frame: pd.DataFrame
    set_aside: list[tuple[int, str, str]]
    findings: list[Finding]


def newest_results(frame: pd.DataFrame, table: Table) -> Corrected:
    """Keep the newest report of each result.

    The key of a result is (lab, sample_id). A row with a later ``reported_on`` replaces the whole row; a row without
    any measured value withdraws the result. Rows of one key with equal or missing dates: identical rows are one, rows
    that differ are all set aside. A row without sample_id has no key and stands for itself.

    Parameters
    ----------
    frame
        Rows of milk_tests or pot_tests that were known on the day, as read (with ``file_row`` and ``withdrawn``).
    table
        The description of the table.

    Returns
    -------
    Corrected
        At most one row a key, in the order of the file.
    """
    keyed = frame["sample_id"].notna()
    repeated = keyed & frame.duplicated(_KEY, keep=False)
    set_aside: list[tuple[int, str, str]] = []
    findings: list[Finding] = []
    keep = set(frame.index[~repeated])
    for _, rows in frame[repeated].groupby(_KEY, dropna=False, sort=False):
        chosen, clash = _choose(rows, table)
        if clash:
            set_aside += [(int(r), "two-results", "differs from another result of the same sample") for r in clash]
            findings.append(_clash(rows, clash, table))
        elif chosen is not None:
            keep.add(chosen)
            findings += _repeats(rows, chosen, table)
    kept = frame.loc[[index for index in frame.index if index in keep]]
    findings += [
        note(
            "withdrawn",
            "the result holds no value and counts as withdrawn",
            file=table.file,
            row=int(row),
        )
        for row in kept.loc[kept["withdrawn"] & kept["usable"], "file_row"]
    ]
    return Corrected(kept[~(kept["withdrawn"] & kept["usable"])], set_aside, findings)


def _choose(rows: pd.DataFrame, table: Table) -> tuple[int | None, list[int]]:
    """Return the index of the row that counts, or the file rows that contradict one another."""
    dated = rows["reported_on"].notna()
    newest = rows["reported_on"].max()
    # Rows without a date could be older or newer than any other: they vie with the newest.
    vying = rows[~dated | (rows["reported_on"] == newest)]
    same = [name for name in table.names if name not in _NOT_RESULT]
    if len(vying[same].drop_duplicates()) > 1:
        return None, [int(row) for row in vying["file_row"]]
    best = vying[vying["reported_on"].notna()] if dated.any() else vying
    return int(best.index[0]), []


def _clash(rows: pd.DataFrame, clash: list[int], table: Table) -> Finding:
    first = rows.iloc[0]
    lab = "" if pd.isna(first["lab"]) else f" of {first['lab']}"
    listed = ", ".join(str(row) for row in clash[:6]) + (", …" if len(clash) > 6 else "")
    return error(
        "two-results",
        f"rows {listed} hold different results for one sample{lab} and none says by a later reported_on that it is the "
        f"correction, so all are set aside",
        file=table.file,
        row=clash[-1],
        column="sample_id",
        value=str(first["sample_id"]),
        expected="one result, or a correction with a later reported_on",
        advice="fill in reported_on, or give each sample its own sample_id",
    )


def _repeats(rows: pd.DataFrame, chosen: int, table: Table) -> list[Finding]:
    """Return a note for each further copy of the row that counts."""
    kept = rows.loc[chosen]
    same = rows["reported_on"].isna() | (rows["reported_on"] == kept["reported_on"])
    return [
        note(
            "same-row-twice",
            f"the row repeats row {kept['file_row']} and counts once",
            file=table.file,
            row=int(row),
        )
        for row in rows.loc[same & (rows["file_row"] != kept["file_row"]), "file_row"]
    ]
