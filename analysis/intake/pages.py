"""Tables in the text of a PDF report: by ruled lines where there are any, else by the white gaps between words."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pdfplumber
from pdfminer.pdfdocument import PDFPasswordIncorrect
from pdfplumber.utils.exceptions import PdfminerException

from analysis.intake.container import FileRefusedError

MOST_PAGES = 200


def read_pages(path: Path) -> list[tuple[str, list[list[str]]]]:
    """Return the rows of each page (name, rows of cells).

    Parameters
    ----------
    path
        A PDF whose pages hold text; a scanned page holds none.

    Raises
    ------
    FileRefusedError
        If it is damaged, locked, too long, or a scan.
    """
    try:
        with pdfplumber.open(path) as pdf:
            if len(pdf.pages) > MOST_PAGES:
                raise FileRefusedError(
                    f"the PDF has {len(pdf.pages)} pages, more than {MOST_PAGES}; bring in the pages with results alone"
                )
            if not pdf.pages:
                raise FileRefusedError("the PDF has no page; it may be damaged, so ask for it again")
            pages = [(f"page {number}", _rows(page)) for number, page in enumerate(pdf.pages, start=1)]
            has_pictures = any(page.images for page in pdf.pages)
    except FileRefusedError:
        raise
    except (PdfminerException, PDFPasswordIncorrect) as bad:
        if "Password" in repr(bad):
            raise FileRefusedError(
                "the PDF is locked by a password; save it without one and bring that file in"
            ) from bad
        raise FileRefusedError("the PDF is damaged and cannot be read; ask for it again") from bad
    except Exception as bad:  # the reader raises many kinds on damaged files
        raise FileRefusedError(
            f"the PDF is damaged and cannot be read ({type(bad).__name__}); ask for it again"
        ) from bad
    if not any(rows for _, rows in pages):
        why = "a scan: a picture of a page without text" if has_pictures else "without any text"
        raise FileRefusedError(
            f"the PDF is {why}, and figures are never guessed from a picture; ask for the results as a table"
        )
    return pages


def _rows(page: Any) -> list[list[str]]:
    """Return the rows of a page from top to bottom, those of ruled tables by their cells, the others by gaps."""
    tables = [table for table in page.find_tables() if len(table.rows) > 1 and len(table.rows[0].cells) > 1]
    placed: list[tuple[float, list[str]]] = []
    rest = page
    for table in tables:
        for row, cells in zip(table.rows, table.extract(), strict=True):
            placed.append((row.bbox[1], [" ".join((cell or "").split()) for cell in cells]))
        rest = rest.outside_bbox(table.bbox)
    placed += _by_gaps(rest)
    placed.sort(key=lambda item: item[0])
    return [cells for _, cells in placed]


def _by_gaps(page: Any) -> list[tuple[float, list[str]]]:
    """Return (top, cells) of each line; cells are parted by gaps, columns by gaps that all lines of a block share."""
    words = page.extract_words(x_tolerance=1.5, y_tolerance=2, keep_blank_chars=False, use_text_flow=False)
    lines: list[list[dict[str, Any]]] = []
    for word in sorted(words, key=lambda w: (round(w["bottom"], 0), w["x0"])):
        if lines and abs(lines[-1][0]["bottom"] - word["bottom"]) <= 2.5:
            lines[-1].append(word)
        else:
            lines.append([word])
    pieces = [(min(w["top"] for w in line), _pieces(sorted(line, key=lambda w: w["x0"]))) for line in lines]
    placed: list[tuple[float, list[str]]] = []
    block: list[tuple[float, list[tuple[float, float, str]]]] = []
    steps = sorted(b[0] - a[0] for a, b in zip(pieces, pieces[1:], strict=False))  # noqa: RUF007 - pairs of neighbours
    usual = steps[len(steps) // 2] if steps else 0.0
    for top, line in pieces:
        if block and top - block[-1][0] > 1.7 * usual:
            placed += _columns(block)
            block = []
        if len(line) >= 2:
            block.append((top, line))
        else:
            placed += _columns(block)
            block = []
            placed.append((top, [text for _, _, text in line]))
    return placed + _columns(block)


def _pieces(line: Sequence[dict[str, Any]]) -> list[tuple[float, float, str]]:
    """Return (left, right, text) of the cells of one line: words nearer than a good blank belong together."""
    pieces: list[tuple[float, float, str]] = []
    for word in line:
        height = word["bottom"] - word["top"]
        letter = (word["x1"] - word["x0"]) / max(len(word["text"]), 1)
        if pieces and word["x0"] - pieces[-1][1] < max(0.55 * height, 1.2 * letter):
            left, _, text = pieces[-1]
            pieces[-1] = (left, word["x1"], f"{text} {word['text']}")
        else:
            pieces.append((word["x0"], word["x1"], word["text"]))
    return pieces


def _columns(block: Sequence[tuple[float, list[tuple[float, float, str]]]]) -> list[tuple[float, list[str]]]:
    """Put the pieces of a block of lines into columns: bands that no line crosses between."""
    if not block:
        return []
    wide = max(len(line) for _, line in block)
    spans = sorted((left, right) for _, line in block if len(line) >= max(2, 0.6 * wide) for left, right, _ in line)
    bands: list[list[float]] = []
    for left, right in spans:
        if bands and left < bands[-1][1] + 0.5:
            bands[-1][1] = max(bands[-1][1], right)
        else:
            bands.append([left, right])
    placed = []
    for top, line in block:
        cells = [""] * len(bands)
        for left, right, text in line:
            overlap = [min(right, hi) - max(left, lo) for lo, hi in bands]
            at = overlap.index(max(overlap))
            cells[at] = f"{cells[at]} {text}".strip()
        placed.append((top, cells))
    return placed
