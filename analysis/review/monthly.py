"""The whole monthly review: decide once, run the six notebooks, write the page, put the folder in its place."""

import json
import logging
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.places import place
from analysis.review.changes import store_changes
from analysis.review.notebook_failures import NotebookFailure, SeveralFailures
from analysis.review.notebook_runner import NotebookTask, read_notebook, run_notebooks
from analysis.review.outcome import VOUCHED, StoredOutcome, decide_into, season_path
from analysis.review.page import PAGE
from analysis.review.progress import Progress
from analysis.review.review_folder import new_review, season_lock

logger = logging.getLogger(__name__)

NOTEBOOKS = (
    "01_check_records",
    "02_milk_season",
    "03_milk_to_pot",
    "04_set_time",
    "05_label_value",
    "06_monthly_review",
)
# The longest first, so that two lanes end together; the last one needs the figures of the others.
_ORDER = ("02_milk_season", "05_label_value", "04_set_time", "03_milk_to_pot", "01_check_records")


@dataclass(frozen=True)
class ReviewResult:
    """A finished review.

    Attributes
    ----------
    path
        The review folder, ``reviews/YYYY-MM/rN``.
    page
        The page in it.
    had_errors
        Whether records were set aside because of errors.
    """

    path: Path
    page: Path
    had_errors: bool


def review_month(
    folder: Path | str, month: str | None = None, *, quiet: bool = False, out: Path | str | None = None
) -> ReviewResult:
    """Run the monthly review of a season folder; see :func:`analysis.review.run_review`."""
    season_folder = season_path(folder)
    asked = month or _newest(season_folder)
    keeps = season_folder if out is None else Path(out).expanduser().resolve()
    keeps.mkdir(parents=True, exist_ok=True)
    with season_lock(keeps), new_review(keeps, asked) as (staging, review):
        notebooks = {name: place("notebooks", f"{name}.ipynb") for name in NOTEBOOKS}
        cells = sum(len(read_notebook(path).cells) + 1 for path in notebooks.values())
        with Progress(cells, quiet=quiet) as progress:
            progress.step("deciding")
            decide_into(season_folder, asked, staging)
            outcome = StoredOutcome(season_folder, asked, staging)
            progress.step("finding what changed and why")
            store_changes(outcome, keeps, _decided_again)
            tasks = {name: _task(path, season_folder, asked, staging, keeps) for name, path in notebooks.items()}
            failures = run_notebooks([tasks[name] for name in _ORDER], progress)
            if not failures:
                failures = run_notebooks([tasks[NOTEBOOKS[-1]]], progress)
        _raise_failures(failures)
        had_errors = any(flag["severity"] == "error" for flag in outcome.decisions["flags"])
    logger.info("review %s of %s is in %s", review.name, asked, review.folder)
    return ReviewResult(review.folder, review.folder / PAGE, had_errors)


def _decided_again(folder: Path, month: str) -> dict[str, Any]:
    """Decide a folder as decisions.json would say it."""
    from analysis.decide import decide, write_decisions

    found: dict[str, Any] = json.loads(write_decisions(decide(folder, month).decisions))
    return found


def _task(source: Path, season_folder: Path, month: str, out: Path, keeps: Path) -> NotebookTask:
    shown = "../../.." if keeps == season_folder else str(season_folder)
    return NotebookTask(
        source=source,
        parameters={"season_folder": str(season_folder), "month": month, "out_folder": str(out)},
        out_folder=out,
        output=out / source.name,
        # As seen from reviews/YYYY-MM/rN, where the notebook comes to lie; run again by hand it writes elsewhere.
        shown_parameters={"season_folder": shown, "month": month, "out_folder": ""},
        environment={VOUCHED: str(out)},
    )


def _raise_failures(failures: list[NotebookFailure]) -> None:
    if len(failures) == 1:
        raise failures[0]
    if failures:
        raise SeveralFailures(failures)


def _newest(season_folder: Path) -> str:
    from analysis.records.season import newest_month

    return newest_month(season_folder)
