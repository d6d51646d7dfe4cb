"""Lab files into sheets of cells, by a reader in a process of its own that can neither hang nor eat the machine."""

import datetime as dt
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.intake.container import LARGEST_FILE, FileRefusedError

MEMORY = 1 << 30
SECONDS = 30
_MOST_SAID = 80 * 1024 * 1024
_ROOT = str(Path(__file__).resolve().parents[2])

Cell = str | int | float | dt.date | None


@dataclass(frozen=True)
class Sheet:
    """One sheet (or page, or text file) as it was read.

    Parameters
    ----------
    name
        Name of the sheet or page; empty for a text file.
    rows
        Cells of each row; the first is row 1.
    """

    name: str
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True)
class LabFile:
    """What was read of a file.

    Parameters
    ----------
    path
        The file.
    kind
        ``text``, ``xlsx``, ``xlsb``, ``xls``, ``ods`` or ``pdf``.
    sheets
        Its sheets.
    notes
        What is worth saying about the reading.
    code_page
        How the bytes of a text were read; empty for others.
    guessed
        Whether that is a guess.
    """

    path: Path
    kind: str
    sheets: tuple[Sheet, ...]
    notes: tuple[str, ...]
    code_page: str = ""
    guessed: bool = False


def read_lab_file(path: Path, code_page: str | None = None, *, memory: int = MEMORY, seconds: int = SECONDS) -> LabFile:
    """Read a file of any kind that laboratories send.

    Parameters
    ----------
    path
        The file: CSV or text, xlsx, xlsb, xls, ods, or a PDF with text.
    code_page
        Code page of this laboratory's text files where known.
    memory, seconds
        What the reader may take: bytes of address space, seconds.

    Returns
    -------
    LabFile
        Sheets of cells.

    Raises
    ------
    FileRefusedError
        If the file cannot be read, with the reason in one line.
    """
    try:
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except OSError as bad:
        raise FileRefusedError(f"the file cannot be opened ({bad.strerror or bad})") from bad
    if path.is_dir():
        raise FileRefusedError("this is a folder; name the files in it")
    if size > LARGEST_FILE:
        # said here, before a process is started for it
        raise FileRefusedError(
            f"the file has {size / 1e6:,.0f} MB, more than a file of results can have ({LARGEST_FILE / 1e6:,.0f} MB); "
            "export the table of results alone"
        )
    said = _in_child(path, code_page or "", memory, seconds)
    if "refused" in said:
        raise FileRefusedError(str(said["refused"]))
    return as_lab_file(path, said)


def as_lab_file(path: Path, said: dict[str, Any]) -> LabFile:
    """Return what the reader said (its JSON, read) as a LabFile."""
    sheets = tuple(
        Sheet(sheet["name"], tuple(tuple(_cell(cell) for cell in row) for row in sheet["rows"]))
        for sheet in said["sheets"]
    )
    return LabFile(
        path, said["kind"], sheets, tuple(said["notes"]), said.get("code_page", ""), said.get("guessed", False)
    )


def _cell(cell: Any) -> Cell:
    if isinstance(cell, dict):
        return dt.date.fromisoformat(cell["d"])
    return cell  # type: ignore[no-any-return]


def _in_child(path: Path, code_page: str, memory: int, seconds: int) -> dict[str, Any]:
    start = (
        "import sys; sys.path.insert(0, sys.argv.pop(1)); from analysis.intake.child import main; "
        "sys.exit(main(sys.argv[1:]))"
    )
    environment = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    environment |= {"PYTHONUTF8": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        command = [sys.executable, "-c", start, _ROOT, str(path.resolve()), code_page, str(memory), str(seconds)]
        try:
            done = subprocess.run(  # noqa: S603 - our own interpreter and module, the file's name is one argument
                command,
                stdout=out,
                stderr=err,
                stdin=subprocess.DEVNULL,
                env=environment,
                timeout=seconds + 5,
                check=False,
            )
        except subprocess.TimeoutExpired as late:
            raise FileRefusedError(
                f"reading the file took more than {seconds} s; save the table of results alone"
            ) from late
        if out.tell() > _MOST_SAID or os.fstat(out.fileno()).st_size > _MOST_SAID:
            raise FileRefusedError("the file holds more than a file of results can; bring it in piece by piece")
        out.seek(0)
        text = out.read()
        if done.returncode != 0 or not text:
            err.seek(0)
            raise FileRefusedError(_why(done.returncode, err.read()[-2000:], seconds))
    said: dict[str, Any] = json.loads(text)
    return said


def _why(code: int, errors: bytes, seconds: int) -> str:
    """Say in one line why the reader ended without an answer."""
    last = errors.decode("utf-8", errors="replace").strip().splitlines()
    if b"memory" in errors.lower() or b"MemoryError" in errors or code in (-6, -9, 134, 137):
        return "the file asks for more memory than a file of results needs; save the table of results alone"
    if code in (-24, 152):
        return f"reading the file took more than {seconds} s; save the table of results alone"
    return (
        "the file cannot be read, it may be damaged "
        f"({last[-1][:80] if last else f'the reader ended with {code}'}); ask for it again"
    )
