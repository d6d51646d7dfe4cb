"""Files that would harm a reader: each is refused in one clear line, or read right, and the program stays small."""

import json
import os
import random
import subprocess
import sys
import zipfile
from pathlib import Path

import openpyxl
import pytest

from analysis.intake.container import FileRefusedError, Limits, look
from analysis.intake.reading import read_lab_file
from tests.intake_corpus import paper
from tests.intake_corpus.season import make_season

GRID = [
    ["Sample no", "Date sampled", "Description", "Fat %", "Protein %"],
    ["A1", "2026-05-13", "Bulk tank", 6.5, 5.4],
    ["A2", "2026-05-20", "Bulk tank", 6.6, 5.5],
]
SHEET = '<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">{dim}<sheetData>{rows}</sheetData></worksheet>'


def _xlsx(path: Path) -> Path:
    paper.write_xlsx(path, {"Results": GRID})
    return path


def _with(path: Path, changes: dict[str, bytes], *, drop: tuple[str, ...] = ()) -> Path:
    """Write a small workbook anew with some parts changed or added."""
    plain = path.with_name("plain.xlsx")
    _xlsx(plain)
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            if name not in changes and name not in drop:
                new.writestr(name, old.read(name))
        for name, data in changes.items():
            new.writestr(name, data)
    plain.unlink()
    return path


def _sheet(rows: str, dim: str = "") -> bytes:
    return SHEET.format(rows=rows, dim=dim).encode()


def far_corner(path: Path) -> Path:
    rows = '<row r="1"><c r="A1"><v>1</v></c></row><row r="1048576"><c r="XFD1048576"><v>2</v></c></row>'
    return _with(path, {"xl/worksheets/sheet1.xml": _sheet(rows)})


def padded(path: Path) -> Path:
    return _with(path, {"xl/worksheets/sheet1.xml": _sheet(" " * 60_000_000)})


def bomb(path: Path) -> Path:
    with zipfile.ZipFile(_xlsx(path), "a", zipfile.ZIP_DEFLATED) as archive:
        for n in range(8):
            archive.writestr(f"xl/media/{n}.bin", bytes(40_000_000))
    return path


def entities(path: Path) -> Path:
    head = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;">]>'
    text = head + b"<worksheet>&b;</worksheet>"
    return _with(path, {"xl/worksheets/sheet1.xml": text})


def many_sheets(path: Path) -> Path:
    return _with(path, {f"xl/worksheets/sheet{n}.xml": b"<worksheet/>" for n in range(2, 10_002)})


def outside(path: Path) -> Path:
    return _with(path, {"../../escaped.txt": b"x"})


def locked(path: Path) -> Path:
    # The head and the directory names of a workbook that is locked by a password (an OLE container).
    data = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504) + "EncryptionInfo".encode("utf-16-le") + bytes(100)
    path.write_bytes(data + "EncryptedPackage".encode("utf-16-le") + bytes(3000))
    return path


def damaged_workbook(path: Path) -> Path:
    data = _xlsx(path).read_bytes()
    path.write_bytes(data[: len(data) // 2])
    return path


def no_workbook(path: Path) -> Path:
    path.write_bytes(b"%PDF-1.4\n%\xe2\xe3\n" + random.Random(3).randbytes(4000))
    return path


def huge(path: Path) -> Path:
    with path.open("wb") as handle:
        handle.truncate(1_000_000_000)
    return path


def picture(path: Path) -> Path:
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(2000))
    return path


def empty(path: Path) -> Path:
    path.write_bytes(b"")
    return path


def workbook_as_text(path: Path) -> Path:
    _xlsx(path.with_suffix(".xlsx")).rename(path)
    return path


def text_as_workbook(path: Path) -> Path:
    path.write_text("Sample no;Date sampled\nA1;2026-05-13\n", encoding="utf-8")
    return path


def page_as_workbook(path: Path) -> Path:
    path.write_text("<html><body><table><tr><td>Fat</td></tr></table></body></html>", encoding="utf-8")
    return path


def nested(path: Path) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(_xlsx(path.with_name("inner.xlsx")), "inner.xlsx")
    return path


def lying_size(path: Path) -> Path:
    """A part whose header says that it is small, and is not."""
    data = bytearray(_with(path, {"xl/worksheets/sheet1.xml": _sheet(" " * 5_000_000)}).read_bytes())
    size = len(_sheet(" " * 5_000_000)).to_bytes(4, "little")
    at = data.find(size)
    while at >= 0:
        data[at : at + 4] = (500).to_bytes(4, "little")
        at = data.find(size, at)
    path.write_bytes(bytes(data))
    return path


def nulls(path: Path) -> Path:
    path.write_bytes(b"Sample no;Date sampled;Fat %\nA1;2026-05-13;6.5\n" + bytes(10) + b"\n")
    return path


HOSTILE = {
    "far.xlsx": (far_corner, "cells, over"),
    "padded.xlsx": (padded, "packed more than 200 to 1"),
    "bomb.xlsx": (bomb, "unpacks to"),
    "entities.xlsx": (entities, "entities of its own"),
    "sheets.xlsx": (many_sheets, "parts, more than"),
    "outside.xlsx": (outside, "points outside"),
    "locked.xlsx": (locked, "locked by a password"),
    "half.xlsx": (damaged_workbook, "damaged"),
    "broken.pdf": (no_workbook, "damaged"),
    "huge.csv": (huge, "1,000 MB"),
    "picture.csv": (picture, "a picture"),
    "empty.csv": (empty, "is empty"),
    "really.csv": (workbook_as_text, "is an xlsx workbook"),
    "really.xlsx": (text_as_workbook, "is plain text"),
    "page.xls": (page_as_workbook, "is a web page"),
    "nested.zip": (nested, "zip archive that is no workbook"),
    "lying.xlsx": (lying_size, "damaged"),
    "nulls.csv": (nulls, "no text"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_is_refused_in_one_line(name, tmp_path):
    make, words = HOSTILE[name]
    path = make(tmp_path / name)
    with pytest.raises(FileRefusedError) as refused:
        read_lab_file(path)
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)
    assert "Traceback" not in str(refused.value)


def test_the_far_corner_is_refused_only_by_the_guard(tmp_path):
    # with a guard that lets it pass, the reader's own limit still holds and the program lives on
    path = far_corner(tmp_path / "far.xlsx")
    assert look(path, Limits(cells=10**12)) == "xlsx"


def test_a_wrong_dimension_loses_no_row(tmp_path):
    rows = "".join(
        f'<row r="{r}"><c r="A{r}" t="inlineStr"><is><t>{a}</t></is></c><c r="B{r}" '
        f't="inlineStr"><is><t>{b}</t></is></c><c r="C{r}"><v>{c}</v></c></row>'
        for r, (a, b, c) in enumerate([("M1", "2026-05-13", 6.5)] * 40, start=1)
    )
    for dim in ('<dimension ref="A1"/>', '<dimension ref="A1:XFD1048576"/>', '<dimension ref="Z9:A1"/>'):
        path = _with(tmp_path / "dim.xlsx", {"xl/worksheets/sheet1.xml": _sheet(rows, dim)})
        assert len(read_lab_file(path).sheets[0].rows) == 40


def test_formulas_are_read_by_their_saved_values_and_said(tmp_path):
    cells = (
        '<c r="A1" t="inlineStr"><is><t>Fat</t></is></c><c r="B1"><f>1+5.5</f><v>6.5</v></c><c r="C1"><f>B1*2</f></c>'
    )
    path = _with(tmp_path / "f.xlsx", {"xl/worksheets/sheet1.xml": _sheet(f'<row r="1">{cells}</row>')})
    found = read_lab_file(path)
    assert found.sheets[0].rows[0] == ("Fat", 6.5, "=not calculated")
    assert any("1 cells hold formulas" in note for note in found.notes)
    assert any("saved without a value (C1)" in note for note in found.notes)


def test_a_workbook_without_calculated_values_is_not_read_as_empty(tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Sample no", "Date sampled", "Description", "Fat %", "Protein %"])
    sheet.append(["A1", "2026-05-13", "Bulk tank", "=6+0.5", 5.4])
    book.save(tmp_path / "f.xlsx")
    out = _run(make_season(tmp_path / "s"), tmp_path / "f.xlsx")
    assert out["status"] == 1
    assert "not calculated" in out["err"]
    assert "6.5" not in (tmp_path / "s" / "milk_tests.csv").read_text()


def test_a_reader_that_takes_too_much_memory_or_time_is_ended(tmp_path):
    path = tmp_path / "wide.csv"
    path.write_text("Sample no;Date sampled;Fat %\n" + "A1;2026-05-13;6.5\n" * 150_000, encoding="utf-8")
    with pytest.raises(FileRefusedError, match="memory"):
        read_lab_file(path, memory=70 << 20)


RUN = """
import json, sys
from analysis.cli import main
status = main(sys.argv[1:])
# Not getrusage: its peak begins with what the parent of this process held when it was started.
own = int(next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1])
print("\\n" + json.dumps({"status": status, "rss_mb": own / 1024}))
"""


def _run(season: Path, *words) -> dict:
    done = subprocess.run(
        [sys.executable, "-c", RUN, "intake", str(season), *map(str, words)],
        capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=120, check=False,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )  # fmt: skip
    return {**json.loads(done.stdout.splitlines()[-1]), "err": done.stderr, "out": done.stdout}


@pytest.mark.slow
def test_all_hostile_files_at_once_leave_the_program_small_and_the_folder_as_it_was(tmp_path):
    season = make_season(tmp_path / "season")
    before = {p.name: p.read_bytes() for p in season.iterdir()}
    box = tmp_path / "box"
    box.mkdir()
    paths = [make(box / name) for name, (make, _) in HOSTILE.items()]
    out = _run(season, *paths)
    assert out["status"] == 2
    assert out["rss_mb"] < 300
    assert len(out["err"].splitlines()) == len(HOSTILE)
    assert {p.name: p.read_bytes() for p in season.iterdir()} == before
