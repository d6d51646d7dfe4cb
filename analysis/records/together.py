"""Several files of a season folder written as one: after any kill all of them are as before or all as after.

The new contents are first written into a folder of their own, which is moved into place in one step: from then on they count.
A run that was ended between that step and its last file is finished by whoever opens the season folder next.
"""

import hashlib
import json
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from analysis.records.findings import CannotDo
from analysis.records.writing import staged_folder, write_bytes

JOURNAL = "intake/.journal"
DONE = "intake/.journal.done.part"
LOCK = "intake/.lock"
WAIT = 120.0  # seconds
_PLAN = "plan.json"


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Hold the season folder's lock, so that two runs never write at the same time.

    Parameters
    ----------
    folder
        The season folder.

    Raises
    ------
    CannotDo
        If another run holds it and does not end within ``WAIT`` seconds, or the folder cannot be written.
    """
    lock = FileLock(folder / LOCK)
    try:
        (folder / LOCK).parent.mkdir(exist_ok=True)
        lock.acquire(timeout=WAIT)
    except Timeout:
        raise CannotDo(f"another run is writing in {folder.name}; wait until it is done and run this again") from None
    except OSError as bad:
        raise CannotDo(f"{folder} cannot be written ({bad.strerror or bad})") from None
    try:
        yield
    finally:
        lock.release()


def write_together(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Write several files as one. To be called under :func:`alone`.

    Parameters
    ----------
    folder
        The season folder.
    contents
        Whole content by path below the folder, in the order in which the files are to be put into place.

    Raises
    ------
    OSError
        If the disk or the folder will not have it. Before the step that counts, nothing has changed; after it the rest is
        written by :func:`finish_interrupted`.
    """
    plan = []
    with staged_folder(folder / JOURNAL) as stage:
        for number, (path, data) in enumerate(contents.items()):
            (stage / f"{number}.new").write_bytes(data)
            plan.append({"path": path, "new": f"{number}.new", "sha256": hashlib.sha256(data).hexdigest()})
        (stage / _PLAN).write_text(json.dumps(plan), encoding="utf-8")
    _put_into_place(folder)


def is_interrupted(folder: Path) -> bool:
    """Return whether a run was ended between the step that counts and its last file."""
    return (folder / JOURNAL / _PLAN).is_file()


def finish_interrupted(folder: Path) -> bool:
    """Finish what a run that was ended had begun to put into place, and clear away what it left behind.

    Returns
    -------
    bool
        Whether there was anything to finish.

    Raises
    ------
    CannotDo
        If another run holds the folder, or the folder cannot be written.
    """
    cleared = folder / DONE
    if not is_interrupted(folder) and not cleared.exists():
        return False
    with alone(folder):
        begun = is_interrupted(folder)
        try:
            if begun:
                _put_into_place(folder)
            clear_leftovers(folder)
        except OSError as bad:
            raise CannotDo(
                f"an intake that was ended could not be finished in {folder} ({bad.strerror or bad})"
            ) from None
    return begun


def clear_leftovers(folder: Path) -> None:
    """Remove parts of files that runs left behind when they were killed. To be called under :func:`alone`."""
    for part in [*folder.glob(".*.part"), *folder.glob("intake/.*.part"), *folder.glob("intake/**/.*.part")]:
        if part.is_dir():
            shutil.rmtree(part, ignore_errors=True)
        elif part.exists():
            part.unlink()


def _put_into_place(folder: Path) -> None:
    journal = folder / JOURNAL
    plan = json.loads((journal / _PLAN).read_text(encoding="utf-8"))
    for entry in plan:
        target = folder / entry["path"]
        target.parent.mkdir(parents=True, exist_ok=True)
        write_bytes(target, (journal / entry["new"]).read_bytes())
    # The journal goes in one step; what is left of it then is only litter.
    done = folder / DONE
    journal.replace(done)
    shutil.rmtree(done)
