"""The review: runs the notebooks, writes the page, says what changed.

Importing this costs little; what runs notebooks is loaded when a review is run.
"""

from pathlib import Path
from typing import TYPE_CHECKING

from analysis.review.outcome import StoredOutcome, load_or_decide

if TYPE_CHECKING:
    from analysis.review.monthly import ReviewResult

__all__ = ["StoredOutcome", "load_or_decide", "run_review"]


def run_review(
    folder: Path | str, month: str | None = None, *, quiet: bool = False, out: Path | str | None = None
) -> "ReviewResult":
    """Run the whole monthly review of a season folder through the notebooks.

    Parameters
    ----------
    folder
        Season folder of a dairy.
    month
        Month under review, ``YYYY-MM``; the newest month with records if None.
    quiet
        Show no progress. None is shown either where stderr is no terminal.
    out
        Folder that gets the ``reviews``; the season folder if None.

    Returns
    -------
    ReviewResult
        Folder and page of the new review, and whether records were set aside because of errors.

    Raises
    ------
    analysis.records.findings.CannotDo
        If the month cannot be reviewed, another run holds the folder, or a notebook failed (then one of
        :mod:`analysis.review.notebook_failures`); no half review is left.
    """
    from analysis.review.monthly import review_month

    return review_month(folder, month, quiet=quiet, out=out)
