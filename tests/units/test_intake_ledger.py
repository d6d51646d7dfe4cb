"""The command: what is written, known, corrected or taken back, what is asked, and what is kept of a laboratory."""

import csv
import io
import json
import time
from pathlib import Path

import pytest

from analysis.cli import main
from analysis.intake import child, command, reading
from analysis.records.season import read_season
from tests.intake_corpus.season import make_season

HEAD = "Sample no;Date sampled;Date reported;Description;Fat %;Protein %\n"
FIRST = HEAD + "A1;13.05.2026;15.05.2026;Bulk tank;6,50;5,40\nA2;20.05.2026;22.05.2026;North flock;6,61;5,52\n"


@pytest.fixture(autouse=True)
def _in_this_process(monkeypatch):
    monkeypatch.setattr(reading, "_in_child", lambda path, page, memory, seconds: _answer(path, page))


def _answer(path: Path, page: str):
    try:
        return json.loads(json.dumps(child.read(path, page or None)))
    except child.FileRefusedError as why:
        return {"refused": str(why)}


@pytest.fixture
def season(tmp_path):
    return make_season(tmp_path / "season")


def _file(season: Path, text: str, name: str = "results.csv") -> str:
    path = season.parent / name
    path.write_text(text, encoding="utf-8")
    return str(path)


def _intake(season: Path, text: str, *words: str, name: str = "results.csv") -> int:
    return main(["intake", str(season), _file(season, text, name), "--yes", "--lab", "Alder", *words])


def _rows(season: Path, table: str = "milk_tests") -> list[dict[str, str]]:
    path = season / f"{table}.csv"
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8")))) if path.exists() else []


def _ledger(season: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((season / "intake" / "ledger.csv").read_text(encoding="utf-8"))))


def _fates(season: Path, identity: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((season / "intake" / identity / "rows.csv").read_text(encoding="utf-8"))))


def test_a_file_comes_in_and_is_kept_with_what_became_of_each_row(season):
    assert _intake(season, FIRST) == 0
    assert [(r["sample_id"], r["source"], r["fat_g_100g"], r["lab"]) for r in _rows(season)] == [
        ("A1", "bulk", "6.5", "Alder"),
        ("A2", "north", "6.61", "Alder"),
    ]
    entry = _ledger(season)[0]
    assert (entry["id"], entry["rows"], entry["new"], entry["state"]) == ("I0001", "2", "2", "in")
    assert (season / "intake" / "I0001" / "results.csv").read_text(encoding="utf-8") == FIRST
    row = _fates(season, "I0001")[1]
    assert (row["place"], row["fate"], json.loads(row["cells"])["fat_g_100g"]) == ("row 3", "new", "E3")
    assert len(read_season(season).as_of("2026-05").tables["milk_tests"]) == 2


def test_the_same_file_twice_does_nothing(season, capsys):
    assert _intake(season, FIRST) == 0
    before = {p: p.read_bytes() for p in season.rglob("*") if p.is_file()}
    assert _intake(season, FIRST, name="again.csv") == 0
    assert "this very file is in already (I0001)" in capsys.readouterr().out
    assert {p: p.read_bytes() for p in season.rglob("*") if p.is_file()} == before


def test_the_same_results_in_another_file_are_known(season):
    _intake(season, FIRST)
    assert _intake(season, FIRST.replace("Sample no", "Sample number").replace("6,50", "6,5")) == 0
    assert len(_rows(season)) == 2
    assert (_ledger(season)[1]["new"], _ledger(season)[1]["known"]) == ("0", "2")


def test_a_corrected_result_is_a_further_row_and_counts_from_its_report(season):
    _intake(season, FIRST)
    assert _intake(season, HEAD + "A1;13.05.2026;09.06.2026;Bulk tank;6,70;5,40\n") == 0
    assert [r["fat_g_100g"] for r in _rows(season)] == ["6.5", "6.61", "6.7"]
    records = read_season(season)
    fat = lambda month: records.as_of(month).tables["milk_tests"].set_index("sample_id")["fat_g_100g"]["A1"]  # noqa: E731
    assert (fat("2026-05"), fat("2026-06")) == (6.5, 6.7)


def test_a_result_that_differs_without_a_later_report_is_set_aside(season, capsys):
    _intake(season, FIRST)
    other = HEAD + "A1;13.05.2026;15.05.2026;Bulk tank;6,90;5,40\n"
    assert _intake(season, other) == 1
    assert "say --reported-on DAY" in capsys.readouterr().err
    assert len(_rows(season)) == 2
    undated = HEAD.replace("Date reported;", "") + "A1;13.05.2026;Bulk tank;6,90;5,40\n"
    assert _intake(season, undated, "--reported-on", "2026-06-01") == 0
    assert _rows(season)[-1]["reported_on"] == "2026-06-01"


def test_further_results_of_a_known_sample_keep_what_was_reported_before(season):
    _intake(season, FIRST)
    more = "Sample no;Date sampled;Date reported;Description;SCC x1000/ml\nA1;13.05.2026;19.05.2026;Bulk tank;812\n"
    assert _intake(season, more) == 0
    assert _fates(season, "I0002")[0]["fate"] == "completed"
    last = _rows(season)[-1]
    assert (last["fat_g_100g"], last["protein_g_100g"], last["somatic_cells_1000_ml"]) == ("6.5", "5.4", "812")


def test_a_result_without_values_and_a_later_report_withdraws(season):
    _intake(season, FIRST)
    assert _intake(season, HEAD + "A1;13.05.2026;09.06.2026;Bulk tank;;\n") == 0
    assert _fates(season, "I0002")[0]["fate"] == "withdrawn"
    assert "A1" not in set(read_season(season).as_of("2026-06").tables["milk_tests"]["sample_id"])


def test_a_bound_is_an_empty_cell_and_a_note(season):
    text = (
        "Sample no;Date sampled;Description;Fat %;Lactose %;TPC x1000 cfu/ml\nA1;13.05.2026;Bulk tank;6,50;n.d.;<10\n"
    )
    assert _intake(season, text) == 0
    row = _rows(season)[0]
    assert (row["plate_count_1000_cfu_ml"], row["lactose_g_100g"]) == ("", "")
    assert row["note"] == "lactose n.d.; plate count <10"


def test_taking_back_restores_every_byte_and_forgets_what_was_learnt(season, capsys):
    before = {p.name: p.read_bytes() for p in season.iterdir() if p.is_file()}
    _intake(season, FIRST.replace("Protein %", "Protein (N x 6.38) %"))
    assert "protein_factor" in _rows(season)[0]
    assert main(["intake", str(season), "--undo", "i0001"]) == 0
    assert {p.name: p.read_bytes() for p in season.iterdir() if p.is_file()} == before
    assert _ledger(season)[0]["state"].startswith("taken back on ")
    assert (season / "intake" / "I0001" / "results.csv").exists()
    assert "heading" not in (season / "intake" / "labs" / "alder.toml").read_text(encoding="utf-8").split("lab =")[1]
    assert main(["intake", str(season), "--undo", "I0001"]) == 2
    assert "taken back" in capsys.readouterr().err
    assert _intake(season, FIRST) == 0
    assert _ledger(season)[1]["id"] == "I0002"


def test_taking_back_leaves_what_a_later_file_brought_too(season):
    _intake(season, FIRST)
    _intake(season, FIRST.replace("Sample no", "Sample number"))
    assert main(["intake", str(season), "--undo", "I0001"]) == 0
    assert len(_rows(season)) == 2
    assert main(["intake", str(season), "--undo", "I0002"]) == 0
    assert _rows(season) == []


def test_rows_changed_by_hand_are_not_taken_back(season, capsys):
    _intake(season, FIRST)
    path = season / "milk_tests.csv"
    path.write_text(path.read_text().replace("6.61", "6.62"))
    before = path.read_bytes()
    assert main(["intake", str(season), "--undo", "I0001"]) == 2
    assert "A2" in capsys.readouterr().err
    assert path.read_bytes() == before


def test_what_stands_in_a_table_is_not_touched(season):
    path = season / "milk_tests.csv"
    crlf = (
        "\ufeff"
        + path.read_text().rstrip("\n").replace("\n", "\r\n")
        + '\r\n"M1",2026-04-02,,bulk,6.50,5.4,,,,,,,Alder,,"said, by telephone"'
    )
    path.write_bytes(crlf.encode())
    _intake(season, FIRST)
    assert path.read_bytes().startswith(crlf.encode() + b"\r\nA1,")
    main(["intake", str(season), "--undo", "I0001"])
    assert path.read_bytes().rstrip() == crlf.encode()


def test_a_lab_is_asked_once_and_then_known(season, monkeypatch, capsys):
    text = "Sample no;Sampled;What;Fett im Rest\nA1;03/04/2026;Bulk tank;6,50\nA2;05/04/2026;Bulk tank;6,61\n"
    assert _intake(season, text) == 2
    err = capsys.readouterr().err
    assert "--column" in err
    assert not (season / "intake").exists()
    answers = iter(["Alder", "fat;g/100g", "day first", "y"])
    asked = []
    monkeypatch.setattr("builtins.input", lambda question: asked.append(question) or next(answers))
    monkeypatch.setattr(command.sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(command.sys.stdout, "isatty", lambda: True, raising=False)
    assert main(["intake", str(season), _file(season, text)]) == 0
    assert len(asked) == 4
    assert [r["sampled_on"] for r in _rows(season)] == ["2026-04-03", "2026-04-05"]
    monkeypatch.setattr("builtins.input", lambda question: pytest.fail(question))
    again = text.replace("A1;03", "A3;07").replace("A2;05", "A4;09")
    assert main(["intake", str(season), _file(season, again, "june.csv"), "--yes"]) == 0
    assert [r["sampled_on"] for r in _rows(season)][2:] == ["2026-04-07", "2026-04-09"]
    assert _ledger(season)[1]["lab"] == "Alder"


def test_what_a_person_writes_into_the_lab_file_counts(season):
    (season / "intake" / "labs").mkdir(parents=True)
    (season / "intake" / "labs" / "alder.toml").write_text(
        'lab = "Alder"\ndensity_g_ml = 1.040\nsource = "hill"\n[[column]]\nheading = "Wert 1"\nmeans = '
        '"fat"\nunit = "g/l"\n'
    )
    text = "Sample no;Date sampled;Wert 1;Protein %;Lactose %\nA1;13.05.2026;67,6;5,4;4,8\n"
    assert _intake(season, text) == 0
    row = _rows(season)[0]
    assert (row["fat_g_100g"], row["source"]) == ("6.5", "hill")
    assert "density 1.04 as said for the lab" in row["note"]


def test_rules_for_samples_can_be_edited(season):
    _intake(season, FIRST)
    path = season / "intake" / "samples.toml"
    path.write_text(path.read_text() + '\n[[rule]]\nwords = ["Kanne 7"]\nis = "milk"\nsource = "hill"\n')
    assert _intake(season, HEAD + "B1;13.05.2026;15.05.2026;Kanne 7;6,5;5,4\n") == 0
    assert _rows(season)[-1]["source"] == "hill"


def test_a_look_writes_nothing(season, capsys):
    before = {p: p.read_bytes() for p in season.rglob("*") if p.is_file()}
    assert main(["intake", str(season), _file(season, FIRST), "--dry-run"]) == 0
    out = capsys.readouterr().out
    assert 'E "Fat %" is fat' in out
    assert "row 2: A1, 2026-05-13, bulk: fat_g_100g 6,50 -> 6.5" in out
    assert "milk_tests.csv: 2 new" in out
    assert {p: p.read_bytes() for p in season.rglob("*") if p.is_file()} == before


def test_by_volume_is_turned_with_the_density_that_is_said(season):
    text = (
        "Sample no;Date sampled;Description;Matière grasse g/l;Densité g/ml\nA1;13.05.2026;Bulk "
        "tank;67,0;1,0310\nA2;14.05.2026;Bulk tank;67,0;\n"
    )
    assert _intake(season, text) == 0
    # 67.0 g/l over ten times the density in g/ml: 6.4985 and, at the published 1.034, 6.4797 g/100 g
    assert [r["fat_g_100g"] for r in _rows(season)] == ["6.4985", "6.4797"]
    assert "density 1.031 as measured" in _rows(season)[0]["note"]
    assert "density 1.034 taken" in _rows(season)[1]["note"]


@pytest.mark.parametrize("text", ["=1+1", "@cmd", "+49 1", "-x"])
def test_text_that_a_spreadsheet_would_run_is_made_inert(text, season):
    body = HEAD.replace(";", ",") + f'"{text}",2026-05-13,2026-05-15,Bulk tank,6.5,5.4\n'
    assert _intake(season, body) == 0
    assert _rows(season)[0]["sample_id"] == f"'{text}"
    assert read_season(season).as_of("2026-05").tables["milk_tests"]["sample_id"].tolist() == [text]
    assert _intake(season, body.replace("Sample no", "Sample number")) == 0
    assert len(_rows(season)) == 1


def test_rows_in_are_rows_stored_and_rows_set_aside(season):
    text = (
        FIRST
        + "A3;31.04.2026;;Bulk tank;6,5;5,4\nA4;14.05.2026;;Bulk tank;65;5,4\nA5;14.05.2026;;Bulk tank;6,l;5,4\nMean;;;;6,5;5,4\n* outside the range;;;;;\n"
    )
    assert _intake(season, text) == 1
    entry = _ledger(season)[0]
    assert int(entry["rows"]) == int(entry["new"]) + int(entry["set_aside"]) == 5
    fates = [row["fate"] for row in _fates(season, "I0001")]
    assert len(fates) == 7
    assert fates[-2:] == ["no result: summary", "no result: text"]


@pytest.mark.slow
def test_ten_thousand_rows_come_in_within_seconds(season):
    lines = [
        f"L{i};{1 + i % 28:02d}.{1 + i % 12:02d}.2025;;Bulk tank;{6 + i % 300 // 100},{i % 100:02d};5,4\n"
        for i in range(10_000)
    ]
    text = HEAD + "".join(lines)
    start = time.process_time()
    assert _intake(season, text) == 0
    assert time.process_time() - start < 20
    assert len(_rows(season)) == 10_000
    assert main(["intake", str(season), "--undo", "I0001"]) == 0
    assert _rows(season) == []
