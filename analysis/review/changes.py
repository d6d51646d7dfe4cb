"""What changed since the review before: what moved, by how much, and what lies behind it.

Results that fell outside the interval that was forecast for them come first. What moved is split by cause: the earlier
review is decided again with one cause after the other put in, and what each step moves is that cause's part.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.records.writing import write_text
from analysis.review.input_rows import Cause, causes_between, keep_inputs
from analysis.review.moves import Move, moves
from analysis.review.outcome import StoredOutcome
from analysis.review.refits import Decide, split_by_cause
from analysis.review.review_folder import Review, review_before
from analysis.review.surprises import surprises
from analysis.review.words import listing, month_words

CHANGES = "changes.json"


def store_changes(outcome: StoredOutcome, keeps: Path | None = None, decide: Decide | None = None) -> None:
    """Keep the inputs of a review in its folder and write changes.json against the review before.

    Parameters
    ----------
    outcome
        The new outcome.
    keeps
        Folder whose ``reviews`` hold the review before; the season folder if None.
    decide
        Decides a folder and a month again, for the split by cause; None leaves the split out.
    """
    keep_inputs(outcome.season_folder, outcome.out_folder)
    before = review_before(keeps or outcome.season_folder, outcome.month)
    changes = changes_between(before, outcome.out_folder, outcome.decisions, decide)
    write_text(outcome.out_folder / CHANGES, json.dumps(changes, indent=1, ensure_ascii=False, allow_nan=False) + "\n")


def load_changes(outcome: StoredOutcome) -> dict[str, Any]:
    """Return the changes against the review before, as the run left them or, for a notebook opened by itself, anew."""
    path = outcome.out_folder / CHANGES
    if not path.is_file():
        store_changes(outcome)
    found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return found


def changes_between(
    before: Review | None, out_folder: Path, decisions: Mapping[str, Any], decide: Decide | None = None
) -> dict[str, Any]:
    """Return the content of changes.json.

    Parameters
    ----------
    before
        The review before; None for the first one.
    out_folder
        Folder of the new review; holds its inputs and manifest.
    decisions
        The new decisions.
    decide
        Decides a folder and a month again, for the split by cause; None leaves the split out.
    """
    if before is None:
        return {
            "contract": 1,
            "month": decisions["month"],
            "against": None,
            "causes": [],
            "surprises": [],
            "moved": [],
            "text": "This is the first review of this dairy; there is none to compare it with.",
        }
    earlier = json.loads((before.folder / "decisions.json").read_text(encoding="utf-8"))
    moved = moves(earlier, decisions)
    causes = causes_between(before.folder, out_folder)
    moved = split_by_cause(before, out_folder, earlier, decisions, moved, [cause.cause for cause in causes], decide)
    return {
        "contract": 1,
        "month": decisions["month"],
        "against": {"month": before.month, "review": before.name},
        "causes": [asdict(cause) for cause in causes],
        "surprises": surprises(earlier, before.folder, out_folder),
        "moved": [asdict(move) for move in moved],
        "text": _summary(before, causes, moved),
    }


def _summary(before: Review, causes: list[Cause], moved: list[Move]) -> str:
    against = f"Compared with review {before.name} of {month_words(before.month)}"
    if not causes:
        return f"{against}: the same records, settings and program, so nothing changed."
    behind = listing(cause.cause for cause in causes)
    if not moved:
        return f"{against}: {behind} changed, and no decision moved by more than its own uncertainty explains."
    return f"{against}. What lies behind the changes: {behind}."
