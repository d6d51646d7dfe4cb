"""Splits what moved by cause: the earlier review decided again, with one cause after the other put in.

The steps go program, month, new results, corrections, settings, rulebook, since nobody can run an earlier program; what
one step moves is that cause's part. The parts add up to the whole by construction, and in another order they would come
out somewhat differently where causes act together.
"""

import csv
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from analysis.records.findings import CannotDo
from analysis.review.input_rows import INPUTS, KEYS, key_of_row, rows_of_file
from analysis.review.inputs import INPUT_FILES
from analysis.review.moves import Move, value_at
from analysis.review.review_folder import Review
from analysis.review.words import listing, number, signed

Decide = Callable[[Path, str], Mapping[str, Any]]
ORDER = ("program", "a month has passed", "new results", "corrections", "settings", "rulebook")


def split_by_cause(
    before: Review,
    out_folder: Path,
    earlier: Mapping[str, Any],
    now: Mapping[str, Any],
    moved: Sequence[Move],
    causes: Iterable[str],
    decide: Decide | None,
) -> list[Move]:
    """Return the moves with their split by cause.

    Parameters
    ----------
    before
        The review before, with its inputs.
    out_folder
        Folder of the new review, with its inputs.
    earlier, now
        Decisions of both.
    moved
        What moved.
    causes
        What differs between the inputs; one cause alone takes everything and costs no refit.
    decide
        Decides a folder and a month; None leaves the split out where it would need a refit.

    Returns
    -------
    list of Move
        Each with one part a cause that moved it: ``cause``, ``before``, ``after`` and, for numbers, ``by``. Without
        parts where an intermediate step cannot be decided.
    """
    steps = [cause for cause in ORDER if cause in set(causes)]
    if not moved or not steps:
        return list(moved)
    if len(steps) > 1 and decide is None:
        return list(moved)
    try:
        stages = [earlier, *_between(before, out_folder, now, steps, decide), now]
    except CannotDo:
        return list(moved)
    return [_with_split(move, steps, [value_at(stage, move.place) for stage in stages]) for move in moved]


def _between(
    before: Review, out_folder: Path, now: Mapping[str, Any], steps: Sequence[str], decide: Decide | None
) -> list[Mapping[str, Any]]:
    """Decide the stages between the earlier review and the new one: all causes but the last, put in one by one."""
    stages: list[Mapping[str, Any]] = []
    month = before.month
    with tempfile.TemporaryDirectory(prefix="pasturepot-") as name:
        folder = Path(name)
        shutil.copytree(before.folder / INPUTS, folder, dirs_exist_ok=True)
        for step in steps[:-1]:
            if step == "a month has passed":
                month = str(now["month"])
            else:
                put_in(step, out_folder / INPUTS, folder)
            assert decide is not None
            stages.append(decide(folder, month))
    return stages


def put_in(cause: str, new: Path, folder: Path) -> None:
    """Change a copy of the earlier inputs by one cause.

    Parameters
    ----------
    cause
        One of ``ORDER``; the program and the month change no file.
    new
        The new inputs.
    folder
        The copy, changed in place.
    """
    if cause == "new results":
        for name, key in KEYS.items():
            _add_rows(new / name, folder / name, key)
    elif cause == "corrections":
        for name in KEYS:
            _take_over(new / name, folder / name)
    elif cause == "settings":
        _take_over(new / "dairy.toml", folder / "dairy.toml")
    elif cause == "rulebook":
        books = {path.relative_to(root) for root in (new, folder) for path in root.rglob("*") if path.is_file()}
        for book in sorted(books - {Path(name) for name in INPUT_FILES}):
            _take_over(new / book, folder / book)


def _take_over(source: Path, target: Path) -> None:
    if source.is_file():
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)
    else:
        target.unlink(missing_ok=True)


def _add_rows(source: Path, target: Path, key: tuple[str, ...]) -> None:
    """Add the rows whose key is not there yet; the others stay as they were."""
    old, new = rows_of_file(target), rows_of_file(source)
    known = {key_of_row(row, key) for row in old}
    added = [row for row in new if key_of_row(row, key) not in known]
    if not added:
        return
    columns = list(dict.fromkeys(name for row in (*old, *added) for name in row))
    with target.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows([*old, *added])


def _with_split(move: Move, steps: Sequence[str], values: Sequence[Any]) -> Move:
    """Return a move with its parts, and a sentence on the causes that made them."""
    parts: list[dict[str, Any]] = []
    for cause, start, end in zip(steps, values[:-1], values[1:], strict=True):
        if start == end:
            continue
        part: dict[str, Any] = {"cause": cause, "before": start, "after": end}
        if _is_number(start) and _is_number(end):
            part["by"] = float(f"{float(end) - float(start):.4g}")
        parts.append(part)
    said = listing(_part_words(part, move.unit) for part in parts)
    text = f"{move.text} Behind it: {said}." if parts else move.text
    return replace(move, split=tuple(parts), text=text)


def _part_words(part: Mapping[str, Any], unit: str) -> str:
    if "by" in part:
        by = signed(float(f"{part['by']:.2g}"))
        return f"{part['cause']} ({by} {unit})".replace(" )", ")")
    return f"{part['cause']} (from {_shown(part['before'])} to {_shown(part['after'])})"


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return number(value) if value is None or _is_number(value) else f"“{value}”"


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
