"""The one place where files are written: whole or not at all, and inert in a spreadsheet."""

import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pandas as pd

# A cell that begins so would be taken for a formula by a spreadsheet program (the tab and the carriage return are
# dropped by some before they look). One apostrophe before it makes it text; reading takes the apostrophe off again.
_FORMULA = re.compile(r"'*[=+\-@\t\r]")
# Read once: asking for the mask means setting it for a moment, which other threads would see.
_UMASK = os.umask(0)
os.umask(_UMASK)


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file so that at any moment it is as before or as after.

    Parameters
    ----------
    path
        The file; an existing one is replaced, its permissions kept.
    data
        The whole content.

    Raises
    ------
    OSError
        If the disk or the folder will not have it; nothing is left behind.
    """
    target = Path(os.path.realpath(path))
    descriptor, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(target.stat().st_mode & 0o777 if target.exists() else 0o666 & ~_UMASK)
        Path(name).replace(target)
    except BaseException:
        with suppress(OSError):
            Path(name).unlink()
        raise
    _sync_folder(target.parent)


def write_text(path: Path, text: str) -> None:
    """Write a text file as UTF-8, line ends as they stand; see :func:`write_bytes`."""
    write_bytes(path, text.encode("utf-8"))


def inert(text: str) -> str:
    """Return a text cell that no spreadsheet takes for a formula."""
    return f"'{text}" if _FORMULA.match(text) else text


def csv_text(frame: pd.DataFrame) -> str:
    """Return a table as stored: comma, header row, ISO days, empty where missing, text cells inert.

    Numbers keep every digit that tells them apart; a negative number stays a number.
    """
    out = pd.DataFrame(index=frame.index)
    for name in frame.columns:
        values = frame[name]
        if pd.api.types.is_datetime64_any_dtype(values):
            midnight = values.dropna() == values.dropna().dt.normalize()
            shown = values.dt.strftime("%Y-%m-%d" if midnight.all() else "%Y-%m-%dT%H:%M:%S")
        elif pd.api.types.is_numeric_dtype(values) or pd.api.types.is_bool_dtype(values):
            shown = values
        else:
            shown = values.map(lambda cell: inert(cell) if isinstance(cell, str) else cell)
        out[inert(str(name))] = shown
    return out.to_csv(index=False, lineterminator="\n")


def write_csv(path: Path, frame: pd.DataFrame) -> None:
    """Write a table as :func:`csv_text` gives it; whole or not at all."""
    write_text(path, csv_text(frame))


@contextmanager
def staged_folder(target: Path) -> Iterator[Path]:
    """Fill a folder out of sight and move it into place when it is whole.

    Parameters
    ----------
    target
        Where the folder shall be; it must not be there yet, or be empty.

    Yields
    ------
    Path
        A fresh folder beside ``target`` to write into. If the block fails it is removed and ``target`` is as before.

    Raises
    ------
    OSError
        If ``target`` is there and holds something, or the disk will not have it.
    """
    target = target.absolute()
    stage = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
    try:
        yield stage
        stage.chmod(0o777 & ~_UMASK)
        for folder, _, files in os.walk(stage):
            for name in files:
                _sync(Path(folder) / name, os.O_RDONLY)
            _sync_folder(Path(folder))
        # Moving onto an empty folder replaces it; onto a full one it fails, which is wanted.
        stage.replace(target)
    except BaseException:
        shutil.rmtree(stage, ignore_errors=True)
        raise
    _sync_folder(target.parent)


def _sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where the system lets a folder be synced."""
    if hasattr(os, "O_DIRECTORY"):
        _sync(folder, os.O_RDONLY | os.O_DIRECTORY)


def _sync(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
