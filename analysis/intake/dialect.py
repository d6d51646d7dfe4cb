"""Text files of any dialect: code page, separator and quotation marks, decided by the trade's words that come out."""

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from charset_normalizer import from_bytes

from analysis.intake.container import FileRefusedError
from analysis.intake.units import take_apart
from analysis.intake.words import match

# Tried in this order; of those that show equally many of the trade's words the first is taken.
_CODE_PAGES = (
    "cp1252", "cp1250", "cp1253", "cp1254", "iso8859-15", "iso8859-7", "mac_roman", "cp850", "cp437", "cp737", "cp857",
    "cp869", "mac_greek", "mac_turkish",
)  # fmt: skip
_SEPARATORS = (";", "\t", ",", "|", "~", "^", ":")
_SOME_ROWS = 80
_NOT_ASCII_WORD = re.compile(r"[^\W\d_]*[^\x00-\x7f][^\W\d_]*")
MOST_ROWS = 200_000
LONGEST_CELL = 1_000_000


@dataclass(frozen=True)
class Text:
    """A text file read.

    Parameters
    ----------
    rows
        Cells of each row, blank rows kept.
    code_page
        How the bytes were read.
    guessed
        Whether the code page is a guess; ``samples`` then shows words that hang on it.
    separator
        What parts the cells; ``"  "`` for two or more blanks.
    """

    rows: list[list[str]]
    code_page: str
    guessed: bool
    samples: tuple[str, ...]
    separator: str


def read_text(data: bytes, code_page: str | None = None) -> Text:
    """Read the bytes of a text file.

    Parameters
    ----------
    data
        The file.
    code_page
        The laboratory's code page where it is known; used if the bytes are not UTF-8.

    Returns
    -------
    Text
        Rows of cells.

    Raises
    ------
    FileRefusedError
        If no table can be made of it.
    """
    text, page, guessed = _decode(data, code_page)
    if "\x00" in text:
        raise FileRefusedError("the file holds bytes that no text has; ask for it again")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    separator, quote = _separator(text)
    rows = _rows(text, separator, quote)
    samples = tuple(dict.fromkeys(_NOT_ASCII_WORD.findall(text)))[:6] if guessed else ()
    return Text(rows, page, guessed and bool(samples), samples, separator)


def _decode(data: bytes, code_page: str | None) -> tuple[str, str, bool]:
    for mark, page in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            try:
                return data.decode(page), page, False
            except UnicodeDecodeError as bad:
                raise FileRefusedError(f"the file says that it is {page} text, and is not (byte {bad.start})") from bad
    if data[:400].count(0) > 60:
        page = "utf-16-le" if data[1:400:2].count(0) > data[:400:2].count(0) else "utf-16-be"
        try:
            return data.decode(page), page, False
        except UnicodeDecodeError as bad:
            raise FileRefusedError("the file holds bytes that no text has; ask for it again") from bad
    try:
        return data.decode("utf-8"), "utf-8", False
    except UnicodeDecodeError:
        pass
    if code_page:
        try:
            return data.decode(code_page), code_page, False
        except (UnicodeDecodeError, LookupError) as bad:
            raise FileRefusedError(
                f"the file is not {code_page} text as this laboratory's files are said to be"
            ) from bad
    return _by_words(data)


def _by_words(data: bytes) -> tuple[str, str, bool]:
    """Try code pages; the one that shows most of the trade's words with letters beyond a to z is right."""
    best: tuple[int, int, str, str] | None = None
    for place, page in enumerate(_CODE_PAGES):
        try:
            text = data.decode(page)
        except UnicodeDecodeError:
            continue
        shown = _known_letters(text)
        if best is None or (shown, -place) > best[:2]:
            best = (shown, -place, page, text)
    if best is not None and best[0] > 0:
        return best[3], best[2], False
    guess = from_bytes(data[:200_000]).best()
    if guess is not None:
        try:
            return data.decode(guess.encoding), guess.encoding, True
        except (UnicodeDecodeError, LookupError):
            pass
    if best is None:
        return data.decode("latin-1"), "latin-1", True
    return best[3], best[2], True


def _known_letters(text: str) -> int:
    """Count the letters beyond a to z that stand in headings which are known words."""
    total = 0
    for line in text.splitlines()[:40]:
        for cell in re.split(r"[;\t,|]", line):
            beyond = sum(1 for c in cell if ord(c) > 127 and (c.isalpha() or c in "°³²×º‰"))
            if beyond and _known(cell.strip(' "')) >= 2:
                total += beyond
    return total


@lru_cache(maxsize=20_000)
def _known(heading: str) -> int:
    """Return 2 for a heading that is known for certain, 1 for one that may be, else 0."""
    if not heading or len(heading) > 80:
        return 0
    found = match(take_apart(heading).words)
    return 2 if found.certain else int(bool(found.meanings))


def _separator(text: str) -> tuple[str, str]:
    """Return (separator, quotation mark) that shows most of the trade's words in one row, and the evenest rows."""
    head = "\n".join(text.split("\n")[:_SOME_ROWS])
    best: tuple[tuple[float, ...], str, str] | None = None
    for separator in (*_SEPARATORS, "  "):
        if separator.strip() and separator not in head:
            continue
        for quote in ('"', "'"):
            if quote == "'" and (
                separator == "  " or not re.search(rf"(?:^|{re.escape(separator)})'", head, re.MULTILINE)
            ):
                continue
            try:
                rows = _rows(head, separator, quote)
            except FileRefusedError:
                continue
            score = _evenness(rows)
            # A quotation mark that parts cells well leaves none behind in them.
            left = sum(cell.count('"') + (cell.startswith("'") and cell.endswith("'")) for row in rows for cell in row)
            ranked = (score[0], score[1] - 0.01 * min(left, 50))
            if best is None or ranked > best[0]:
                best = (ranked, separator, quote)
    return (best[1], best[2]) if best else (",", '"')


def _evenness(rows: Sequence[Sequence[str]]) -> tuple[float, float]:
    across = max((sum(_weight(cell) for cell in set(row)) for row in rows), default=0.0)
    down = 0.0
    if rows and len(rows) < 60:
        down = sum(_weight(first) for first in {row[0] for row in rows if len(row) > 1} if _known(first) == 2)
    widths = [len(row) for row in rows if len(row) > 1]
    common = max(set(widths), key=widths.count, default=0)
    even = widths.count(common) / max(len(rows), 1)
    return (max(across, down), even + 0.001 * min(common, 60))


def _weight(heading: str) -> float:
    return (0.0, 0.25, 1.0)[_known(heading)]


def _rows(text: str, separator: str, quote: str) -> list[list[str]]:
    if separator == "  ":
        rows = [
            [cell.strip() for cell in re.split(r"\s{2,}", line.strip())] if line.strip() else []
            for line in text.split("\n")
        ]
    else:
        # The limit belongs to the whole process, and other readers rely on theirs: it is put back.
        before = csv.field_size_limit(LONGEST_CELL)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, quotechar=quote, skipinitialspace=True)
        try:
            rows = []
            for row in reader:
                rows.append([cell.strip() for cell in row])
                if len(rows) > MOST_ROWS:
                    raise FileRefusedError(f"the file has more than {MOST_ROWS:,} rows; bring it in piece by piece")
        except csv.Error as bad:
            raise FileRefusedError(f"the file cannot be read as a table ({bad}), near row {len(rows) + 1}") from bad
        finally:
            csv.field_size_limit(before)
    return rows
