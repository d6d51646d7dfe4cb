"""Review folders: worked on in a staging folder, renamed when whole.

Nothing named rN is ever incomplete. A staging folder left behind by a kill begins with a dot, is no review, and is
swept
by the next run, which holds the season folder's lock and so knows that nobody works in it.
"""

import contextlib
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from analysis.records.findings import CannotDo
from analysis.records.writing import staged_folder, write_text

REVIEWS = "reviews"
LATEST = "latest"
_NUMBERED = re.compile(r"r([1-9]\d*)")
_MONTH = re.compile(r"\d{4}-\d{2}")


@dataclass(frozen=True, order=True)
class Review:
    """A complete review: month, number and folder."""

    month: str
    number: int
    folder: Path

    @property
    def name(self) -> str:
        """The folder's name, such as "r2"."""
        return f"r{self.number}"


def reviews_of(season_folder: Path, month: str | None = None) -> list[Review]:
    """Return the complete reviews of a dairy, or of one month, oldest month and lowest number first."""
    root = season_folder / REVIEWS
    months = [root / month] if month else sorted(root.glob("*")) if root.is_dir() else []
    found = []
    for folder in months:
        if not _MONTH.fullmatch(folder.name) or not folder.is_dir():
            continue
        for path in folder.iterdir():
            numbered = _NUMBERED.fullmatch(path.name)
            if numbered and path.is_dir():
                found.append(Review(folder.name, int(numbered[1]), path))
    return sorted(found)


def review_before(season_folder: Path, month: str) -> Review | None:
    """Return the review that the next one of a month is compared with.

    Before rN it is r(N-1); before r1 the newest complete one of the newest earlier month; None if there is none.
    """
    same = reviews_of(season_folder, month)
    if same:
        return same[-1]
    earlier = [review for review in reviews_of(season_folder) if review.month < month]
    return earlier[-1] if earlier else None


@contextlib.contextmanager
def season_lock(season_folder: Path, wait_seconds: float = 600.0) -> Iterator[None]:
    """Hold the one lock of a season folder's reviews; wait for another run to end.

    Raises
    ------
    CannotDo
        If another run still holds it after the waiting time, or the folder cannot be written to.
    """
    root = season_folder / REVIEWS
    fresh = not root.exists()
    try:
        root.mkdir(exist_ok=True)
        lock = FileLock(root / ".lock")
        lock.acquire(timeout=wait_seconds)
    except Timeout as error:
        raise CannotDo(
            f"another review of {season_folder} has been running for {wait_seconds:g} s; wait until it is "
            "done, then run again"
        ) from error
    except OSError as error:
        raise CannotDo(f"{root} cannot be written to ({error.strerror}); make the folder writable") from error
    try:
        yield
    finally:
        lock.release()
        if fresh:
            _leave_no_empty_folder(root)


@contextlib.contextmanager
def new_review(season_folder: Path, month: str) -> Iterator[tuple[Path, Review]]:
    """Give a staging folder that becomes the month's next rN when the block ends well, and is gone when it does not.

    Call it only while holding :func:`season_lock`. The turn from staging folder to rN is one step of the file
    system, after
    everything in it was forced to disk; then `latest` names it.

    Yields
    ------
    tuple of Path and Review
        The folder to work in, and the review that it will be.
    """
    sweep(season_folder)
    folder = season_folder / REVIEWS / month
    taken = reviews_of(season_folder, month)
    number = taken[-1].number + 1 if taken else 1
    review = Review(month, number, folder / f"r{number}")
    folder.mkdir(exist_ok=True)
    try:
        with staged_folder(review.folder) as staging:
            yield staging, review
        _name_latest(review)
    finally:
        with contextlib.suppress(OSError):
            folder.rmdir()  # goes only if nothing came of it


def sweep(season_folder: Path) -> None:
    """Remove staging folders that a killed run left behind, and name the newest complete review again."""
    for stale in (season_folder / REVIEWS).glob("*/.r*.part"):
        shutil.rmtree(stale, ignore_errors=True)
    newest = {review.month: review for review in reviews_of(season_folder)}
    for review in newest.values():
        _name_latest(review)


def _leave_no_empty_folder(root: Path) -> None:
    """Remove a reviews folder that this run made and that came to hold nothing, as when nothing could be decided."""
    with contextlib.suppress(OSError):
        if {path.name for path in root.iterdir()} <= {".lock"}:
            (root / ".lock").unlink(missing_ok=True)
            root.rmdir()


def _name_latest(review: Review) -> None:
    path = review.folder.parent / LATEST
    text = f"{review.name}\n"
    if not path.is_file() or path.read_text(encoding="utf-8") != text:
        write_text(path, text)
