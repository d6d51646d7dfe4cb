"""What is shown before anything is written: columns, units, first rows, and what becomes of each row."""

from collections.abc import Sequence

from analysis.intake import compare
from analysis.intake.columns import Taken, Understood
from analysis.intake.plan import FilePlan
from analysis.intake.tables import LabTable
from analysis.intake.units import unit_words
from analysis.records.schema import table as described_table

_SHOWN = 3
_MOST_REASONS = 12
_WHY = {
    "words": "by its words",
    "kept": "as confirmed for this lab",
    "said": "as said",
    "figures": "unit by its figures",
}


def preview(plan: FilePlan) -> str:
    """Return the preview of one file as lines for a terminal."""
    lab = plan.lab.name or "no laboratory named"
    lines = [f"{plan.path.name}: {_kind(plan)}, lab: {lab}{'' if plan.lab_known else ' (first file)'}"]
    lines += [f"  note: {note}" for note in plan.notes]
    for table, columns in plan.tables:
        lines += _table(table, columns)
    if plan.order in ("day first", "month first"):
        lines.append(f"  days: {plan.order}")
    lines += _rows(plan)
    lines += _fates(plan)
    return "\n".join(lines)


def _kind(plan: FilePlan) -> str:
    return {"text": "text", "pdf": "PDF"}.get(plan.kind, f"{plan.kind} workbook")


def _table(table: LabTable, columns: Understood) -> list[str]:
    place = f'sheet "{table.sheet}", ' if table.sheet else ""
    lines = [f"  {place}{len(table.rows)} rows{', turned on its side' if table.sideways else ''}"]
    return lines + [f"    {_column(column)}" for column in columns.columns if column.verdict != "empty"]


def _column(column: Taken) -> str:
    heading = f'{column.letter} "{column.heading}"'
    if column.verdict == "used":
        said = f"{heading} is {column.meaning.replace('_', ' ')}"
        if column.unit:
            said += f", {unit_words(column.unit)}"
        if column.factor is not None:
            said += f", nitrogen x {column.factor:g}"
        if column.turn is not None and column.turn.words:
            said += f" ({column.turn.words})"
        why = _WHY.get(column.why, "")
        return "; ".join(part for part in (said, why, column.remark) if part)
    verdict = {
        "not kept": "is not kept in the records",
        "refused": "is refused",
        "not known": "is not read",
        "asked": "is not decided",
    }[column.verdict]
    return f"{heading} {verdict}" + (f": {column.remark}" if column.remark else "")


def _rows(plan: FilePlan) -> list[str]:
    lines: list[str] = []
    shown = [f for f in plan.fates if f.fate in compare.STORED][:_SHOWN]
    if shown:
        lines.append("  first rows, before -> after:")
    for fate in shown:
        c = fate.candidate
        values = fate.values or {}
        pairs = [f"{name} {c.before[name]} -> {values.get(name, 'empty')}" for name in c.before]
        head = ", ".join(
            values[k] for k in ("sample_id", "batch_id", "sampled_on", "made_on", "source") if values.get(k)
        )
        lines.append(f"    {c.place}: {head}: {'; '.join(pairs)}")
    return lines


def _fates(plan: FilePlan) -> list[str]:
    if plan.questions:
        return []
    lines = []
    for table in sorted({f.candidate.table for f in plan.fates}):
        counts = [
            (fate, sum(1 for f in plan.fates if f.fate == fate and f.candidate.table == table))
            for fate in (*compare.STORED, compare.KNOWN, compare.ASIDE)
        ]
        name = described_table(table).file if table else "neither milk nor pot"
        lines.append(f"  {name}: " + ", ".join(f"{n} {fate}" for fate, n in counts if n))
    if plan.other:
        lines.append(f"  {len(plan.other)} rows without a result (titles, sums, remarks)")
    said = [f for f in plan.fates if f.why and f.fate != compare.KNOWN]
    for fate in said[:_MOST_REASONS]:
        lines.append(f"    {reason(fate)}")
    if len(said) > _MOST_REASONS:
        lines.append(f"    … and {len(said) - _MOST_REASONS} more; the whole list goes into the ledger")
    return lines


def reason(fate: compare.Fate) -> str:
    """Return one line that says where a row stands, what became of it and why."""
    c = fate.candidate
    place = f'sheet "{c.sheet}" {c.place}' if c.sheet else c.place
    sample = c.values.get("sample_id") or c.values.get("batch_id") or ""
    return f"{place}{f' ({sample})' if sample else ''} {fate.fate}: {fate.why}"


def questions(plan: FilePlan) -> Sequence[str]:
    """Return the open questions, one a line, with the option that answers each."""
    return [f"{question.text} (say {question.option})" for question in plan.questions]
