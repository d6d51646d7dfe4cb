"""Rows that a file brings against rows that stand in the records: new, known, corrected, or not to be stored."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from analysis.intake.results import Candidate
from analysis.intake.stored import StoredRow, StoredTable

NEW, KNOWN, CORRECTED, COMPLETED, EARLIER, WITHDRAWN, ASIDE = (
    "new", "known", "corrected", "completed", "earlier report", "withdrawn", "set aside",
)  # fmt: skip
STORED = (NEW, CORRECTED, COMPLETED, EARLIER, WITHDRAWN)
# May differ between two reports of one result.
_BESIDE = {"reported_on", "note", "method", "protein_factor", "sample_id", "lab"}


@dataclass(frozen=True)
class Fate:
    """What becomes of a row.

    Parameters
    ----------
    candidate
        The row as read.
    fate
        ``new``, ``known``, ``corrected``, ``completed``, ``earlier report``, ``withdrawn`` or ``set aside``.
    why
        The reason, or what changed; empty for a plain new row.
    values
        The row that is stored, or empty.
    """

    candidate: Candidate
    fate: str
    why: str = ""
    values: Mapping[str, str] | None = None


def settle(candidate: Candidate, stored: Mapping[str, StoredTable]) -> Fate:
    """Decide about one row, and add it to the stored table if it is to be stored.

    Parameters
    ----------
    candidate
        A row as read.
    stored
        The tables as they stand, with what came before in this run.

    Returns
    -------
    Fate
        What became of it.
    """
    if candidate.problem:
        return Fate(candidate, ASIDE, candidate.problem)
    table = stored[candidate.table]
    rows = table.with_key(candidate.values)
    fate = _result(candidate, rows, table) if table.table.results else _own_record(candidate, rows)
    if fate.fate in STORED:
        table.add(fate.values or {})
    return fate


def _own_record(candidate: Candidate, rows: list[StoredRow]) -> Fate:
    """Vats, looks and pH readings have no corrections: a row that differs is for the dairy to settle."""
    for row in rows:
        changed = [c for c, v in candidate.values.items() if c != "note" and not _same(v, row.values.get(c, ""))]
        if not changed:
            return Fate(candidate, KNOWN, f"stands in row {row.row}")
        was = ", ".join(
            f"{c} {row.values.get(c, '') or 'empty'} there, {candidate.values[c]} here" for c in changed[:3]
        )
        return Fate(
            candidate,
            ASIDE,
            f"row {row.row} of {candidate.table}.csv has the same key and differs ({was}); correct it there by hand",
        )
    return Fate(candidate, NEW, values=candidate.values)


def _result(candidate: Candidate, rows: list[StoredRow], table: StoredTable) -> Fate:
    values = candidate.values
    if not rows:
        if candidate.empty:
            return Fate(candidate, ASIDE, "holds no figure")
        return Fate(candidate, NEW, _twin(candidate, table), values)
    newest = max(rows, key=lambda row: (row.values.get("reported_on", ""), row.row))
    if any(_says_the_same(candidate, row) for row in rows):
        same = next(row for row in rows if _says_the_same(candidate, row))
        return Fate(candidate, KNOWN, f"stands in row {same.row} of {table.table.file}")
    here, there = values.get("reported_on", ""), newest.values.get("reported_on", "")
    changed, added = _differences(candidate, newest)
    if not here or not there or here == there:
        what = ", ".join(changed or added)[:160]
        which = "neither has a later day of report" if here == there else "one of them has no day of report"
        return Fate(
            candidate,
            ASIDE,
            f"row {newest.row} of {table.table.file} has the same lab and sample and differs ({what}), and "
            f"{which}; say --reported-on DAY if this is the correction",
        )
    if here < there:
        return Fate(candidate, EARLIER, f"row {newest.row} was reported later and counts", values)
    if candidate.empty:
        return Fate(candidate, WITHDRAWN, f"replaces row {newest.row}: no value any more", values)
    # Columns that the file does not have at all say nothing; what the laboratory reported before still stands.
    carried = {
        c: v
        for c, v in newest.values.items()
        if c not in candidate.present and c in _carried(table) and v and not values.get(c)
    }
    fate = CORRECTED if changed else COMPLETED
    why = f"replaces row {newest.row}: {', '.join(changed or added)[:200]}"
    if carried:
        why += f"; taken over: {', '.join(carried)}"
    return Fate(candidate, fate, why, {**values, **carried})


def _carried(table: StoredTable) -> set[str]:
    return set(table.table.results) | {"protein_factor", "batch_id", "made_on", "pots_in_composite", "carbohydrate_by"}


def _says_the_same(candidate: Candidate, row: StoredRow) -> bool:
    changed, added = _differences(candidate, row)
    return not changed and not added and (not candidate.empty or not _any_result(row))


def _any_result(row: StoredRow) -> bool:
    return any(value and name.endswith(("_100g", "_ml", "_c")) for name, value in row.values.items())


def _differences(candidate: Candidate, row: StoredRow) -> tuple[list[str], list[str]]:
    """Return (what changed, what was added) by the file against a stored row."""
    changed, added = [], []
    for name in sorted({*candidate.values, *candidate.present} - _BESIDE):
        here, there = candidate.values.get(name, ""), row.values.get(name, "")
        if _same(here, there):
            continue
        if there:
            changed.append(f"{name} {there} -> {here or 'empty'}")
        else:
            added.append(f"{name} {here}")
    return changed, added


def _same(one: str, other: str) -> bool:
    if one == other:
        return True
    try:
        return abs(float(one) - float(other)) < 1e-9
    except ValueError:
        return False


def _twin(candidate: Candidate, table: StoredTable) -> str:
    """Say where the same figures stand under another number, as when a result was typed in before its file came."""
    values = candidate.values
    figures = [
        name for name in ("fat_g_100g", "protein_g_100g", "lactose_g_100g", "total_solids_g_100g") if values.get(name)
    ]
    if len(figures) < 2:
        return ""
    for row in table.on_day(values.get("sampled_on", "")):
        if row.values.get("source", "") == values.get("source", "") and all(
            _same(values[f], row.values.get(f, "")) for f in figures
        ):
            return f"look: row {row.row} has the same day, source and figures under another number"
    return ""


def renamed(candidate: Candidate, labs: Mapping[str, str]) -> Candidate:
    """Return the row with its laboratory written as the records write it (capitals and accents apart)."""
    from analysis.intake.words import plain

    lab = candidate.values.get("lab", "")
    right = labs.get(plain(lab), lab)
    return candidate if right == lab else replace(candidate, values={**candidate.values, "lab": right})
