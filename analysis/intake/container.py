"""A look at a file before anything reads it: what it really is, and whether reading it could do harm.

A workbook of 5 kB can ask for hundreds of gigabytes (one cell in the far corner, or padding that shrinks a
thousandfold), and a reader may die of it instead of raising an error. So each member of the archive is first counted through in pieces.
"""

import re
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

LARGEST_FILE = 60 * 1024 * 1024
LARGEST_INFLATED = 200 * 1024 * 1024
LARGEST_RATIO = 200
MOST_ENTRIES = 1000
MOST_CELLS = 5_000_000
_PIECE = 1 << 18
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_CELL = re.compile(rb"""\sr=["']([A-Z]{1,4})(\d{1,9})["']""")
_REPEATED_ROWS = re.compile(rb'number-rows-repeated="(\d+)"')
_REPEATED_COLUMNS = re.compile(rb'number-columns-repeated="(\d+)"')
_KINDS = {
    "xlsx": (".xlsx", ".xlsm", ".xltx"),
    "xlsb": (".xlsb",),
    "ods": (".ods", ".ots"),
    "xls": (".xls", ".xlt"),
    "pdf": (".pdf",),
    "text": (".csv", ".txt", ".tsv", ".tab", ".asc", ".dat", ".prn"),
}
_ENDINGS = {ending: kind for kind, endings in _KINDS.items() for ending in endings}
_WORDS = {
    "xlsx": "an xlsx workbook",
    "xlsb": "an xlsb workbook",
    "ods": "an ods workbook",
    "xls": "an old xls workbook",
    "pdf": "a PDF",
    "text": "plain text",
    "html": "a web page",
    "rtf": "a word processor's text",
    "picture": "a picture",
    "zip": "a zip archive that is no workbook",
    "ole": "an old office document that is no workbook",
    "docx": "a word processor's document",
    "packed": "a packed archive",
    "binary": "no text and no workbook",
}


class FileRefusedError(Exception):
    """A file that is not read; the message says why, in one line, and what to do."""


@dataclass(frozen=True)
class Limits:
    """What a file may ask for: bytes on disk, bytes inflated, ratio, entries, cells of a sheet's used rectangle."""

    file: int = LARGEST_FILE
    inflated: int = LARGEST_INFLATED
    ratio: int = LARGEST_RATIO
    entries: int = MOST_ENTRIES
    cells: int = MOST_CELLS


def look(path: Path, limits: Limits | None = None) -> str:
    """Return what kind of file this is, having made sure that it can be read without harm.

    Parameters
    ----------
    path
        The file.
    limits
        What it may ask for.

    Returns
    -------
    str
        ``text``, ``xlsx``, ``xlsb``, ``xls``, ``ods`` or ``pdf``.

    Raises
    ------
    FileRefusedError
        If it is too large, is something else than its ending says, is locked by a password, or could do harm.
    """
    limits = limits or Limits()
    size = path.stat().st_size
    if size == 0:
        raise FileRefusedError("the file is empty; ask for it again")
    if size > limits.file:
        raise FileRefusedError(
            f"the file has {size / 1e6:,.0f} MB, more than a file of results can have ({limits.file / 1e6:,.0f} MB); "
            "export the table of results alone"
        )
    kind = _kind(path)
    ending = path.suffix.lower()
    meant = _ENDINGS.get(ending)
    if kind not in _KINDS:
        raise FileRefusedError(
            f"the file is {_WORDS[kind]}; expected CSV or text, xlsx, xls, ods, or a PDF with a table in text"
        )
    if meant is not None and meant != kind:
        raise FileRefusedError(
            f"the name ends in {ending} but the file is {_WORDS[kind]}; if it is the right file, rename it to "
            f"end in {_KINDS[kind][0]}"
        )
    if kind in ("xlsx", "xlsb", "ods"):
        _look_into_archive(path, kind, limits)
    elif kind == "xls":
        _look_into_ole(path)
    return kind


def _kind(path: Path) -> str:
    with path.open("rb") as handle:
        head = handle.read(4096)
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return _kind_of_archive(path)
    if head.startswith(_OLE):
        data = path.read_bytes()
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise FileRefusedError(
                "the workbook is locked by a password; open it, save it without one, and bring that file in"
            )
        if "Workbook".encode("utf-16-le") in data or "Book".encode("utf-16-le") in data:
            return "xls"
        return "ole"
    if b"%PDF-" in head[:1024]:
        return "pdf"
    if head[:4] in (b"\x09\x08\x10\x00", b"\x09\x08\x08\x00", b"\x09\x04\x06\x00", b"\x09\x02\x06\x00"):
        return "xls"
    if head.startswith((b"\x89PNG", b"\xff\xd8\xff", b"GIF8", b"II*\x00", b"MM\x00*", b"BM")):
        return "picture"
    if head.startswith((b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"Rar!", b"7z\xbc\xaf")):
        return "packed"
    lowered = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if lowered.startswith((b"<!doctype html", b"<html", b"<table")):
        return "html"
    if lowered.startswith(b"{\\rtf"):
        return "rtf"
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "text"
    controls = sum(head.count(bytes([c])) for c in range(32) if c not in (9, 10, 12, 13, 26, 27))
    nulls_in_turn = head[1:200:2].count(0) > 60 or head[:200:2].count(0) > 60
    return "binary" if controls > 0 and not nulls_in_turn else "text"


def _kind_of_archive(path: Path) -> str:
    try:
        with zipfile.ZipFile(path) as archive:
            names = set(archive.namelist()[: MOST_ENTRIES * 20])
            if "xl/workbook.bin" in names:
                return "xlsb"
            if any(name.lower().endswith("xl/workbook.xml") or name.lower().startswith("xl/") for name in names):
                return "xlsx"
            if any(name.startswith("word/") for name in names):
                return "docx"
            if "mimetype" in names and "content.xml" in names:
                with archive.open("mimetype") as entry:
                    kind = entry.read(200)
                return "ods" if b"spreadsheet" in kind else "docx"
    except (zipfile.BadZipFile, OSError, RuntimeError, ValueError, NotImplementedError) as bad:
        raise FileRefusedError(f"the workbook is damaged ({_short(bad)}); ask for it again") from bad
    return "zip"


def _short(bad: BaseException) -> str:
    text = " ".join(str(bad).split())
    return (text[:80] + "…" if len(text) > 80 else text) or type(bad).__name__


def _look_into_archive(path: Path, kind: str, limits: Limits) -> None:
    with zipfile.ZipFile(path) as archive:
        entries = archive.infolist()
        if len(entries) > limits.entries:
            raise FileRefusedError(
                f"the workbook holds {len(entries):,} parts, more than {limits.entries:,}; save the sheet of "
                "results alone"
            )
        declared = sum(entry.file_size for entry in entries)
        if declared > limits.inflated:
            raise FileRefusedError(_too_much(declared, limits))
        read = 0
        for entry in entries:
            name = entry.filename
            if name.startswith(("/", "\\")) or ".." in PurePosixPath(name.replace("\\", "/")).parts or ":" in name[:3]:
                raise FileRefusedError(
                    "the workbook holds a part whose name points outside of it; ask for the file again"
                )
            if entry.flag_bits & 1:
                raise FileRefusedError(
                    "the workbook is locked by a password; open it, save it without one, and bring that file in"
                )
            read += _look_into_entry(archive, entry, kind, limits, read)


def _too_much(inflated: int, limits: Limits) -> str:
    return (
        f"the workbook unpacks to {inflated / 1e6:,.0f} MB or more, over {limits.inflated / 1e6:,.0f} MB; no "
        "file of results "
        "does that; save the sheet of results alone"
    )


def _look_into_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, kind: str, limits: Limits, before: int) -> int:
    """Count one member through in pieces; return its size."""
    name = entry.filename.lower()
    is_xml = name.endswith((".xml", ".rels", ".vml"))
    is_sheet = is_xml and kind == "xlsx" and "worksheets/" in name
    is_content = kind == "ods" and name == "content.xml"
    corner = _Corner()
    rows_repeated = columns_repeated = 1
    count, tail = 0, b""
    try:
        with archive.open(entry) as handle:
            while piece := handle.read(_PIECE):
                count += len(piece)
                if before + count > limits.inflated:
                    raise FileRefusedError(_too_much(before + count, limits))
                if count > 1_000_000 and count > limits.ratio * max(entry.compress_size, 1):
                    raise FileRefusedError(
                        f"the workbook is packed more than {limits.ratio} to 1, as no file of results is; ask "
                        "for it again"
                    )
                window = tail + piece
                if is_xml and (b"<!DOCTYPE" in window or b"<!ENTITY" in window or b"<\x00!\x00D" in window):
                    raise FileRefusedError(
                        "the workbook defines entities of its own, as no spreadsheet program does; ask for "
                        "the file again"
                    )
                if is_sheet:
                    corner.see(window)
                if is_content:
                    rows_repeated = _most(_REPEATED_ROWS, window, rows_repeated)
                    columns_repeated = _most(_REPEATED_COLUMNS, window, columns_repeated)
                if kind == "ods" and name.endswith("manifest.xml") and b"encryption-data" in window:
                    raise FileRefusedError(
                        "the workbook is locked by a password; open it, save it without one, and bring that file in"
                    )
                tail = window[-64:]
    except (zipfile.BadZipFile, EOFError, OSError, RuntimeError, NotImplementedError, ValueError) as bad:
        raise FileRefusedError(f"the workbook is damaged ({_short(bad)}); ask for it again") from bad
    except Exception as bad:  # zlib.error and what other unpackers raise
        if isinstance(bad, FileRefusedError):
            raise
        raise FileRefusedError(f"the workbook is damaged ({_short(bad)}); ask for it again") from bad
    if corner.cells > limits.cells:
        raise FileRefusedError(
            f"a sheet reaches from {corner.first} to {corner.last}, {corner.cells:,} cells, over "
            f"{limits.cells:,}; delete what stands "
            "far from the table and save it again"
        )
    return count


def _most(pattern: re.Pattern[bytes], window: bytes, so_far: int) -> int:
    return max([so_far, *(min(int(n), 10**9) for n in pattern.findall(window))])


class _Corner:
    """The used rectangle of a sheet, seen from the references of its cells."""

    def __init__(self) -> None:
        self.low = [10**9, 10**9]
        self.high = [0, 0]

    def see(self, window: bytes) -> None:
        refs = set(_CELL.findall(window))
        if not refs:
            return
        rows = [int(row) for _, row in refs]
        columns = [_column_number(letters) for letters in {letters for letters, _ in refs}]
        self.low = [min(self.low[0], *rows), min(self.low[1], *columns)]
        self.high = [max(self.high[0], *rows), max(self.high[1], *columns)]

    @property
    def cells(self) -> int:
        return 0 if not self.high[0] else (self.high[0] - self.low[0] + 1) * (self.high[1] - self.low[1] + 1)

    @property
    def first(self) -> str:
        return f"{column_letters(self.low[1])}{self.low[0]}"

    @property
    def last(self) -> str:
        return f"{column_letters(self.high[1])}{self.high[0]}"


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def column_letters(number: int) -> str:
    """Return the letters of a spreadsheet's column: 1 is A, 27 is AA."""
    letters = ""
    while number > 0:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _look_into_ole(path: Path) -> None:
    data = path.read_bytes()
    # A FILEPASS record (0x002F) right after the first BOF of the workbook stream: the old way of locking.
    at = data.find(b"\x09\x08\x10\x00\x00\x06\x05\x00")
    if at >= 0 and data[at + 20 : at + 22] == b"\x2f\x00":
        raise FileRefusedError(
            "the workbook is locked by a password; open it, save it without one, and bring that file in"
        )
