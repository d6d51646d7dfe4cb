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
    rows = frame[repeated].assign(of=frame[repeated].groupby(_KEY, dropna=False, sort=False).ngroup())
    newest = rows.groupby("of")["reported_on"].transform("max")
    # Rows without a date could be older or newer than any other: they vie with the newest.
    vying = rows[rows["reported_on"].isna() | (rows["reported_on"] == newest)]
    same = [name for name in table.names if name not in _NOT_RESULT]
    kinds = vying.drop_duplicates(["of", *same]).groupby("of").size()
    clashing = vying[vying["of"].isin(kinds.index[kinds > 1])]
    agreed = vying[~vying["of"].isin(clashing["of"])]
    # Of rows that are the same one with a date says more.
    first = agreed.assign(undated=agreed["reported_on"].isna()).sort_values(["of", "undated", "file_row"])
    chosen = first.drop_duplicates("of")
    findings = [_clash(quarrel, table) for _, quarrel in clashing.groupby("of", sort=False)]
    findings += _repeats(agreed, chosen, table)
    kept = frame[~repeated | frame.index.isin(chosen.index)]
    withdrawn = kept["withdrawn"] & kept["usable"]
    findings += [
        note("withdrawn", "the result holds no value and counts as withdrawn", file=table.file, row=int(row))
        for row in kept.loc[withdrawn, "file_row"]
    ]
    set_aside = [
        (int(row), "two-results", "differs from another result of the same sample") for row in clashing["file_row"]
    ]
    return Corrected(kept[~withdrawn], set_aside, findings)


def _clash(rows: pd.DataFrame, table: Table) -> Finding:
    first = rows.iloc[0]
    lab = "" if pd.isna(first["lab"]) else f" of {first['lab']}"
    numbers = rows["file_row"].tolist()
    listed = ", ".join(str(row) for row in numbers[:6]) + (", …" if len(numbers) > 6 else "")
    return error(
        "two-results",
        f"rows {listed} hold different results for one sample{lab} and none says by a later reported_on that it is the "
        f"correction, so all are set aside",
        file=table.file,
        row=int(numbers[-1]),
        column="sample_id",
        value=str(first["sample_id"]),
        expected="one result, or a correction with a later reported_on",
        advice="fill in reported_on, or give each sample its own sample_id",
    )


def _repeats(agreed: pd.DataFrame, chosen: pd.DataFrame, table: Table) -> list[Finding]:
    """Return a note for each further copy of a row that counts."""
    kept = dict(zip(chosen["of"], chosen["file_row"], strict=True))
    copies = agreed[~agreed.index.isin(chosen.index)]
    return [
        note("same-row-twice", f"the row repeats row {kept[of]} and counts once", file=table.file, row=int(row))
        for of, row in zip(copies["of"], copies["file_row"], strict=True)
    ]
