"""Writers of lab files: text of any dialect, xlsx, ods and PDF, as small as they can be."""

import csv
import datetime as dt
import io
import zipfile
from pathlib import Path
from xml.sax.saxutils import escape

import openpyxl
from openpyxl.utils import get_column_letter

Cell = str | int | float | dt.date | None
Grid = list[list[Cell]]
_FIXED = (2026, 1, 2, 3, 4, 6)


def write_text(
    path: Path, grid: Grid, *, separator=";", page="utf-8", end="\r\n", quote='"', quoting=csv.QUOTE_MINIMAL
):
    out = io.StringIO()
    rows = [["" if c is None else c.isoformat() if isinstance(c, dt.date) else str(c) for c in row] for row in grid]
    if separator == "  ":
        widths = [max(len(r[i]) for r in rows if i < len(r)) + 3 for i in range(max(map(len, rows)))]
        for row in rows:
            out.write("".join(c.ljust(w) for c, w in zip(row, widths, strict=False)).rstrip() + end)
    else:
        writer = csv.writer(out, delimiter=separator, lineterminator=end, quotechar=quote, quoting=quoting)
        writer.writerows(rows)
    path.write_bytes(out.getvalue().encode(page))


def write_xlsx(path: Path, sheets: dict[str, Grid], *, merged=(), day_format="DD/MM/YYYY"):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, grid in sheets.items():
        sheet = book.create_sheet(name)
        for r, row in enumerate(grid, start=1):
            for c, value in enumerate(row, start=1):
                if value is None:
                    continue
                cell = sheet.cell(r, c, value)
                if isinstance(value, dt.date):
                    cell.number_format = day_format
                if isinstance(value, str):
                    cell.data_type = "s"
        for area in merged:
            sheet.merge_cells(area)
    book.save(path)


def write_ods(path: Path, sheets: dict[str, Grid]):
    parts = []
    for name, grid in sheets.items():
        rows = []
        for row in grid:
            cells = []
            for value in row:
                if value is None:
                    cells.append("<table:table-cell/>")
                elif isinstance(value, dt.date):
                    cells.append(
                        f'<table:table-cell office:value-type="date" office:date-value="{value.isoformat()}">'
                        f"<text:p>{value.isoformat()}</text:p></table:table-cell>"
                    )
                elif isinstance(value, str):
                    cells.append(
                        f'<table:table-cell office:value-type="string"><text:p>{escape(value)}</text:p>'
                        "</table:table-cell>"
                    )
                else:
                    cells.append(
                        f'<table:table-cell office:value-type="float" office:value="{value!r}">'
                        f"<text:p>{value}</text:p></table:table-cell>"
                    )
            rows.append("<table:table-row>" + "".join(cells) + "</table:table-row>")
        parts.append(f'<table:table table:name="{escape(name)}">' + "".join(rows) + "</table:table>")
    content = (
        '<?xml version="1.0" encoding="UTF-8"?><office:document-content '
        'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
        'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
        'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" office:version="1.2"><office:body>'
        "<office:spreadsheet>" + "".join(parts) + "</office:spreadsheet></office:body></office:document-content>"
    )
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = (
        '<?xml version="1.0" encoding="UTF-8"?><manifest:manifest '
        'xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
        '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>'
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("mimetype", _FIXED), kind)
        archive.writestr(zipfile.ZipInfo("content.xml", _FIXED), content, zipfile.ZIP_DEFLATED)
        archive.writestr(zipfile.ZipInfo("META-INF/manifest.xml", _FIXED), manifest, zipfile.ZIP_DEFLATED)


def write_pdf(path: Path, pages: list[Grid], *, ruled=False, size=9, width=595, height=842):
    """A PDF with text in columns (Helvetica, Western letters only); ``ruled`` draws the lines of the table."""
    objects: list[bytes] = [
        b"",
        b"",
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
    ]
    kids = []
    for grid in pages:
        wide = [row for row in grid if sum(c is not None for c in row) > 1]
        columns = max(len(row) for row in grid)
        spans = [max([len(_shown(r[c])) for r in wide if c < len(r)] + [2]) * size * 0.56 + 14 for c in range(columns)]
        scale = min(1.0, (width - 60) / sum(spans))
        lefts = [30 + scale * sum(spans[:c]) for c in range(columns + 1)]
        small = size * scale
        stream, y = [], height - 50
        for row in grid:
            for c, cell in enumerate(row):
                text = _shown(cell)
                if text:
                    inner = text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
                    stream.append(f"BT /F1 {small:.2f} Tf {lefts[c] + 2:.2f} {y:.2f} Td ({inner}) Tj ET")
            if ruled and sum(c is not None for c in row) > 1:
                for left, right in zip(lefts, lefts[1:], strict=False):
                    stream.append(f"{left:.2f} {y - 4:.2f} {right - left:.2f} 14 re S")
            y -= 14
        data = "\n".join(stream).encode("cp1252")
        objects.append(b"<< /Length %d >>\nstream\n%s\nendstream" % (len(data), data))
        page = (
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width} {height}] /Contents {len(objects)} 0 R "
            "/Resources << /Font << /F1 3 0 R >> >> >>"
        )
        objects.append(page.encode())
        kids.append(f"{len(objects)} 0 R")
    objects[0] = b"<< /Type /Catalog /Pages 2 0 R >>"
    objects[1] = f"<< /Type /Pages /Kids [{' '.join(kids)}] /Count {len(kids)} >>".encode()
    out, places = bytearray(b"%PDF-1.4\n"), []
    for number, body in enumerate(objects, start=1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % place for place in places)
    out += b"trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(objects) + 1, start)
    path.write_bytes(bytes(out))


def _shown(cell: Cell) -> str:
    if cell is None:
        return ""
    return cell.isoformat() if isinstance(cell, dt.date) else str(cell)


__all__ = ["Cell", "Grid", "get_column_letter", "write_ods", "write_pdf", "write_text", "write_xlsx"]
