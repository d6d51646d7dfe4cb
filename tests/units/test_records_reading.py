"""Files that are not as they should be: one clear finding each, and the rest goes on."""

import numpy as np
import pandas as pd
import pytest

from analysis.records.findings import CannotDo
from analysis.records.reading import read_table
from analysis.records.schema import table, tables
from analysis.records.season import load_season, read_season
from tests.zoo import CLEAN, HEADERS, MILK, csv_text, season_folder


def read(tmp_path, content, name="milk_tests"):
    (tmp_path / f"{name}.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_table(tmp_path, table(name))


CLEAN_MILK = csv_text("milk_tests", CLEAN["milk_tests"])

# content, code, row, column, words that must stand in the sentence
BAD_FILES = {
    "empty": ("", "empty-file", None, None, "header row"),
    "blank lines alone": ("\n\n  \n", "empty-file", None, None, "header row"),
    "other header": ("a,b,c\n1,2,3\n", "wrong-header", 1, None, "sample_id"),
    "semicolons": (CLEAN_MILK.replace(",", ";"), "wrong-header", 1, None, "commas"),
    "no header": ("\n".join(CLEAN_MILK.splitlines()[1:]), "wrong-header", 1, None, "first row"),
    "missing day": (CLEAN_MILK.replace("sampled_on", "sampled"), "missing-column", 1, "sampled_on", 'rename "sampled"'),
    "column twice": (
        CLEAN_MILK.replace("reported_on", "sampled_on"),
        "column-twice",
        1,
        "sampled_on",
        "one of the two",
    ),
    "latin text": (CLEAN_MILK.replace("valley", "vallée").encode("latin-1"), "not-utf8", 2, None, "UTF-8"),
    "utf-16": (CLEAN_MILK.encode("utf-16"), "not-utf8", 1, None, "UTF-8"),
    "open quotation": (CLEAN_MILK + '"' + "x" * 200_000, "not-csv", None, None, "quotation mark"),
    "bytes of a picture": (b"\x89PNG\r\n\x1a\n\x00\x00", "not-utf8", 1, None, "UTF-8"),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_a_file_that_cannot_be_read_gets_one_finding(tmp_path, name):
    content, code, row, column, words = BAD_FILES[name]
    result = read(tmp_path, content)
    assert [f.code for f in result.findings] == [code]
    finding = result.findings[0]
    assert finding.severity == "error"
    assert row is None or finding.row == row
    assert finding.column == column
    assert words in finding.sentence()
    assert "\n" not in finding.sentence()
    assert result.stop is finding
    assert len(result.frame) == 0


def test_a_season_without_readable_milk_tests_stops_with_the_reason(tmp_path):
    folder = season_folder(tmp_path, milk_tests="")
    with pytest.raises(CannotDo, match=r"milk_tests\.csv: the file is empty"):
        load_season(folder, "2026-05")
    assert "empty-file" in {f.code for f in read_season(folder).check()}


def test_other_tables_that_cannot_be_read_are_left_out(tmp_path):
    season = load_season(season_folder(tmp_path, weather="day,warmth\n1,2\n", flock_diary=""))
    assert {(f.file, f.code) for f in season.findings} == {
        ("weather.csv", "wrong-header"),
        ("flock_diary.csv", "empty-file"),
    }
    assert season.has_errors
    assert len(season.tables["weather"]) == len(season.tables["flock_diary"]) == 0


@pytest.mark.parametrize("name", ["milk_tests", "flock_diary", "batches"])
def test_a_required_file_that_is_missing_stops(tmp_path, name):
    with pytest.raises(CannotDo, match=rf"{name}.csv is missing"):
        read_season(season_folder(tmp_path, **{name: None}))


def test_optional_files_may_be_missing(tmp_path):
    optional = dict.fromkeys(["set_checks", "ph_readings", "pot_tests", "weather", "decisions_taken"])
    season = load_season(season_folder(tmp_path, **optional))
    assert season.findings == ()
    assert set(season.tables) == set(tables())


def test_an_unknown_column_is_said_with_the_nearest_right_one(tmp_path):
    result = read(tmp_path, CLEAN_MILK.replace("fat_g_100g", "fat_g_100ml"))
    assert [(f.code, f.severity, f.column) for f in result.findings] == [
        ("unknown-column", "warning", "fat_g_100ml"),
        ("missing-column", "warning", "fat_g_100g"),
    ]
    assert 'did you mean "fat_g_100g"' in result.findings[0].sentence()
    assert result.frame["fat_g_100g"].isna().all()


def test_optional_columns_may_be_missing_and_columns_stand_in_any_order(tmp_path):
    frame = pd.DataFrame(CLEAN["milk_tests"]).drop(columns="protein_factor").iloc[:, ::-1].assign(note="")
    result = read(tmp_path, frame.to_csv(index=False))
    assert result.findings == ()
    assert result.frame["protein_factor"].isna().all()
    assert result.frame["fat_g_100g"].tolist() == [6.3, 6.4, 6.5, 6.6, 6.7, 6.8]


@pytest.mark.parametrize("mark", [b"\xef\xbb\xbf", b""])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_byte_order_mark_and_line_ends_do_not_matter(tmp_path, mark, end):
    result = read(tmp_path, mark + CLEAN_MILK.replace("\n", end).encode())
    assert result.findings == ()
    assert result.frame["sample_id"].tolist() == [f"M{n:02d}" for n in range(1, 7)]


def test_rows_are_numbered_as_a_spreadsheet_shows_them(tmp_path):
    lines = CLEAN_MILK.splitlines()
    spread = [lines[0], "", lines[1], lines[2].replace(",infrared,", ',infrared,"two\nlines"', 1), "", lines[3]]
    result = read(tmp_path, "\n".join(spread))
    assert result.frame["file_row"].tolist() == [3, 4, 6]


def test_types_are_those_promised(tmp_path):
    for name in tables():
        for content in (csv_text(name, CLEAN[name]), HEADERS[name]):
            frame = read(tmp_path, content, name).frame
            for column in table(name).columns:
                kind = {"text": "str", "date": "datetime64[us]"}.get(column.kind, "float64")
                assert frame[column.name].dtype == kind, (name, column.name)
            assert frame["file_row"].dtype == np.int64


BAD_NUMBERS = {
    "6,8": "write a decimal point: 6.8",
    "<0.5": "stands by",
    "n.d.": "leave the cell empty",
    "6.8 %": "write the number alone",
    "nan": "leave the cell empty",
    "inf": "correct it",
    "1e999": "correct it",
    "0x10": "correct it",
    "1_000": "correct it",
    "six": "correct it",
}


@pytest.mark.parametrize("text", BAD_NUMBERS)
def test_text_in_a_number_empties_the_cell_alone(tmp_path, text):
    rows = [{**CLEAN["milk_tests"][0], "fat_g_100g": f'"{text}"'}]
    result = read(tmp_path, csv_text("milk_tests", rows))
    (finding,) = result.findings
    assert (finding.code, finding.row, finding.column, finding.value) == ("not-a-number", 2, "fat_g_100g", text)
    assert BAD_NUMBERS[text] in finding.sentence()
    assert np.isnan(result.frame["fat_g_100g"].iloc[0])
    assert result.frame["protein_g_100g"].iloc[0] == 5.2
    assert result.frame["usable"].all()


def test_a_decimal_comma_without_quotation_marks_makes_the_row_too_long(tmp_path):
    rows = [{**CLEAN["milk_tests"][0], "fat_g_100g": "6,3"}, CLEAN["milk_tests"][1]]
    result = read(tmp_path, csv_text("milk_tests", rows))
    assert next((f.code, f.row) for f in result.findings if f.severity == "error") == ("long-row", 2)
    assert result.frame["usable"].tolist() == [False, True]


def test_a_row_cut_short_is_kept_and_said(tmp_path):
    result = read(tmp_path, CLEAN_MILK.splitlines()[0] + "\nM1,2026-05-01,,bulk,6.5,5.4\n")
    assert [(f.code, f.severity, f.row) for f in result.findings] == [("short-row", "warning", 2)]
    assert result.frame["fat_g_100g"].tolist() == [6.5]


def test_words_of_a_column_are_read_whatever_their_capitals(tmp_path):
    rows = [{"batch_id": "B1", "minutes": "10", "state": " Liquid "}]
    assert read(tmp_path, csv_text("set_checks", rows), "set_checks").frame["state"].tolist() == ["liquid"]


def test_control_characters_in_a_value_are_shown_by_name(tmp_path):
    rows = [{**CLEAN["milk_tests"][0], "fat_g_100g": "6\x1b[31m3"}]
    (finding,) = read(tmp_path, csv_text("milk_tests", rows)).findings
    assert "\x1b" not in finding.sentence()
    assert "\\x1b" in finding.sentence()


def test_header_alone_is_mentioned(tmp_path):
    assert [f.code for f in read(tmp_path, MILK + "\n").findings] == ["no-rows"]
