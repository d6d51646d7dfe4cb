"""Every check names the row that it must name, and leaves clean records alone."""

import pytest

from analysis.records.season import load_season, read_season
from tests.zoo import CLEAN, added, changed, season_folder

POT = CLEAN["pot_tests"][0]
MILK = CLEAN["milk_tests"][0]


def findings(tmp_path, **tables):
    return read_season(season_folder(tmp_path, **tables)).check()


def test_clean_records_have_no_findings(tmp_path):
    assert findings(tmp_path) == ()


# table, rows, code, severity, file row, column, and what happens: row out, cells emptied, or kept
CASES = {
    "unknown flock of a result": (
        "milk_tests",
        changed("milk_tests", 3, source="hil"),
        "unknown-flock",
        3,
        "source",
        "out",
    ),
    "no source": ("milk_tests", changed("milk_tests", 3, source=""), "missing-value", 3, "source", "out"),
    "reported before sampled": (
        "milk_tests",
        changed("milk_tests", 4, reported_on="2026-03-01"),
        "days-out-of-order",
        4,
        "reported_on",
        "out",
    ),
    "fat ten times": (
        "milk_tests",
        changed("milk_tests", 2, fat_g_100g="63"),
        "impossible-value",
        2,
        "fat_g_100g",
        "empty",
    ),
    "fat a tenth": (
        "milk_tests",
        changed("milk_tests", 2, fat_g_100g="0.63"),
        "factor-of-ten",
        2,
        "fat_g_100g",
        "empty",
    ),
    "protein in g per litre": (
        "milk_tests",
        changed("milk_tests", 2, protein_g_100g="53"),
        "impossible-value",
        2,
        "protein_g_100g",
        "empty",
    ),
    "negative fat": (
        "milk_tests",
        changed("milk_tests", 2, fat_g_100g="-6.3"),
        "impossible-value",
        2,
        "fat_g_100g",
        "empty",
    ),
    "zero fat": ("milk_tests", changed("milk_tests", 2, fat_g_100g="0"), "impossible-value", 2, "fat_g_100g", "empty"),
    "freezing point without its sign": (
        "milk_tests",
        changed("milk_tests", 2, freezing_point_c="0.562"),
        "impossible-value",
        2,
        "freezing_point_c",
        "empty",
    ),
    "cells per ml": (
        "milk_tests",
        changed("milk_tests", 2, somatic_cells_1000_ml="600000"),
        "impossible-value",
        2,
        "somatic_cells_1000_ml",
        "empty",
    ),
    "odd fat": (
        "milk_tests",
        changed("milk_tests", 2, fat_g_100g="10.4", total_solids_g_100g=""),
        "odd-value",
        2,
        "fat_g_100g",
        "kept",
    ),
    "solids below their parts": (
        "milk_tests",
        changed("milk_tests", 5, total_solids_g_100g="16.5"),
        "solids-do-not-add-up",
        5,
        "total_solids_g_100g",
        "out",
    ),
    "solids hardly above their parts": (
        "milk_tests",
        changed("milk_tests", 5, total_solids_g_100g="17.1"),
        "solids-hardly-add-up",
        5,
        "total_solids_g_100g",
        "kept",
    ),
    "fat and protein swapped": (
        "milk_tests",
        changed("milk_tests", 6, fat_g_100g="5.4", protein_g_100g="6.8"),
        "columns-swapped",
        6,
        "fat_g_100g",
        "out",
    ),
    "cows' milk": (
        "milk_tests",
        changed("milk_tests", 6, fat_g_100g="4.0", protein_g_100g="3.4", total_solids_g_100g=""),
        "like-cows-milk",
        6,
        "fat_g_100g",
        "kept",
    ),
    "instrument set for cows": (
        "milk_tests",
        changed("milk_tests", 6, protein_g_100g="3.2", total_solids_g_100g=""),
        "cow-settings",
        6,
        "protein_g_100g",
        "kept",
    ),
    "typed in twice": (
        "milk_tests",
        added("milk_tests", {**MILK, "sample_id": "M77"}),
        "entered-twice",
        8,
        "sample_id",
        "kept",
    ),
    "year typed wrong": (
        "milk_tests",
        changed("milk_tests", 2, sampled_on="2006-03-05", reported_on="2006-03-09"),
        "stray-day",
        2,
        "sampled_on",
        "kept",
    ),
    "late report": (
        "milk_tests",
        changed("milk_tests", 2, reported_on="2026-12-09"),
        "late-report",
        2,
        "reported_on",
        "kept",
    ),
    "lab in two spellings": (
        "milk_tests",
        changed("milk_tests", 4, lab="Valley Lab"),
        "spelt-differently",
        4,
        "lab",
        "kept",
    ),
    "text in a number": (
        "milk_tests",
        changed("milk_tests", 4, fat_g_100g="six"),
        "not-a-number",
        4,
        "fat_g_100g",
        "empty",
    ),
    "word instead of a method": (
        "milk_tests",
        changed("milk_tests", 4, method="infra red"),
        "wrong-word",
        4,
        "method",
        "empty",
    ),
    "day first": (
        "milk_tests",
        changed("milk_tests", 4, sampled_on="02/04/2026"),
        "not-a-date",
        4,
        "sampled_on",
        "out",
    ),
    "no such day": (
        "milk_tests",
        changed("milk_tests", 4, sampled_on="2026-02-30"),
        "not-a-date",
        4,
        "sampled_on",
        "out",
    ),
    "diary of an unknown flock": (
        "flock_diary",
        changed("flock_diary", 4, flock="brok"),
        "unknown-flock",
        4,
        "flock",
        "out",
    ),
    "diary of bulk": ("flock_diary", changed("flock_diary", 4, flock="bulk"), "unknown-flock", 4, "flock", "out"),
    "period ends before it starts": (
        "flock_diary",
        changed("flock_diary", 2, to_date="2026-02-10"),
        "days-out-of-order",
        2,
        "to_date",
        "out",
    ),
    "periods overlap": (
        "flock_diary",
        changed("flock_diary", 3, from_date="2026-04-05"),
        "overlapping-periods",
        3,
        "from_date",
        "out",
    ),
    "period left open": ("flock_diary", changed("flock_diary", 2, to_date=""), "open-period", 2, "to_date", "kept"),
    "lambed after the end": (
        "flock_diary",
        changed("flock_diary", 2, lambed_on="2026-04-20"),
        "lambed-after-end",
        2,
        "lambed_on",
        "empty",
    ),
    "lambed two years ago": (
        "flock_diary",
        changed("flock_diary", 2, lambed_on="2024-01-20"),
        "lambed-long-ago",
        2,
        "lambed_on",
        "kept",
    ),
    "dried off before the start": (
        "flock_diary",
        changed("flock_diary", 3, dried_on="2026-04-01"),
        "dried-before-start",
        3,
        "dried_on",
        "empty",
    ),
    "ewes in halves": (
        "flock_diary",
        changed("flock_diary", 3, ewes_milked="78.5"),
        "not-a-number",
        3,
        "ewes_milked",
        "empty",
    ),
    "batch name twice": (
        "batches",
        added("batches", {**CLEAN["batches"][0], "made_on": "2026-05-20"}),
        "batch-id-twice",
        5,
        "batch_id",
        "out",
    ),
    "batch of an unknown flock": (
        "batches",
        changed("batches", 3, source="hil"),
        "unknown-flock",
        3,
        "source",
        "empty",
    ),
    "incubator in Fahrenheit": (
        "batches",
        changed("batches", 3, incubator_c="111"),
        "fahrenheit",
        3,
        "incubator_c",
        "empty",
    ),
    "heat in Fahrenheit": ("batches", changed("batches", 3, heat_c="194"), "fahrenheit", 3, "heat_c", "empty"),
    "starter of one pot": (
        "batches",
        changed("batches", 3, starter_g_kg="5"),
        "starter-per-pot",
        3,
        "starter_g_kg",
        "empty",
    ),
    "little starter": ("batches", changed("batches", 3, starter_g_kg="9"), "odd-value", 3, "starter_g_kg", "kept"),
    "more failed than filled": (
        "batches",
        changed("batches", 3, pots_failed="800"),
        "more-failed-than-filled",
        3,
        "pots_failed",
        "empty",
    ),
    "failed of nobody knows how many": (
        "batches",
        changed("batches", 3, pots_filled=""),
        "failed-of-unknown",
        3,
        "pots_failed",
        "kept",
    ),
    "pots outweigh the milk": (
        "batches",
        changed("batches", 3, pots_filled="1700"),
        "more-in-pots",
        3,
        "pots_filled",
        "kept",
    ),
    "filled outweighs the milk": (
        "batches",
        changed("batches", 3, filled_kg="190"),
        "more-filled-than-milk",
        3,
        "filled_kg",
        "empty",
    ),
    "end pH of 47": ("batches", changed("batches", 3, end_ph="47"), "impossible-value", 3, "end_ph", "empty"),
    "starter from nowhere": (
        "batches",
        changed("batches", 3, starter_from="B9"),
        "unknown-starter",
        3,
        "starter_from",
        "kept",
    ),
    "starter from the future": (
        "batches",
        changed("batches", 3, starter_from="B3"),
        "starter-before-made",
        3,
        "starter_from",
        "empty",
    ),
    "starter of another age": (
        "batches",
        changed("batches", 3, starter_from="B1"),
        "starter-age",
        3,
        "starter_age_d",
        "kept",
    ),
    "looks at no batch": ("set_checks", changed("set_checks", 3, batch_id="B7"), "unknown-batch", 3, "batch_id", "out"),
    "set before it starts": (
        "set_checks",
        changed("set_checks", 3, minutes="-175"),
        "set-before-start",
        3,
        "minutes",
        "out",
    ),
    "looked at before it starts": (
        "set_checks",
        changed("set_checks", 2, minutes="-5"),
        "impossible-value",
        2,
        "minutes",
        "out",
    ),
    "liquid after set": (
        "set_checks",
        changed("set_checks", 2, minutes="190"),
        "contradictory-looks",
        2,
        "state",
        "out",
    ),
    "set in ten minutes": ("set_checks", changed("set_checks", 6, minutes="10"), "quick-set", 6, "minutes", "kept"),
    "neither liquid nor set": ("set_checks", changed("set_checks", 6, state="firm"), "wrong-word", 6, "state", "out"),
    "reading of no batch": (
        "ph_readings",
        changed("ph_readings", 3, batch_id="B7"),
        "unknown-batch",
        3,
        "batch_id",
        "out",
    ),
    "pH of 65": ("ph_readings", changed("ph_readings", 2, ph="65"), "impossible-value", 2, "ph", "out"),
    "pH rises": ("ph_readings", changed("ph_readings", 4, ph="5.9"), "ph-rises", 4, "ph", "kept"),
    "pots of no batch": ("pot_tests", changed("pot_tests", 2, batch_id="B7"), "unknown-batch", 2, "batch_id", "empty"),
    "pots sampled before made": (
        "pot_tests",
        changed("pot_tests", 2, made_on="2026-04-11"),
        "days-out-of-order",
        2,
        "made_on",
        "out",
    ),
    "pots made on another day": (
        "pot_tests",
        changed("pot_tests", 2, made_on="2026-04-07"),
        "days-differ",
        2,
        "made_on",
        "kept",
    ),
    "pots of an unknown day": (
        "pot_tests",
        changed("pot_tests", 2, made_on="", batch_id=""),
        "making-unknown",
        2,
        "made_on",
        "kept",
    ),
    "old pots": (
        "pot_tests",
        changed("pot_tests", 2, made_on="2026-01-08", batch_id=""),
        "old-pot",
        2,
        "sampled_on",
        "kept",
    ),
    "saturates above fat": (
        "pot_tests",
        changed("pot_tests", 2, saturates_g_100g="7.2"),
        "part-above-whole",
        2,
        "saturates_g_100g",
        "empty",
    ),
    "sugars above carbohydrate": (
        "pot_tests",
        changed("pot_tests", 2, sugars_g_100g="4.4"),
        "part-above-whole",
        2,
        "sugars_g_100g",
        "empty",
    ),
    "solids of a pot": (
        "pot_tests",
        changed("pot_tests", 2, total_solids_g_100g="15"),
        "solids-do-not-add-up",
        2,
        "total_solids_g_100g",
        "out",
    ),
    "one day twice": (
        "weather",
        changed("weather", 3, date="2026-03-01", t_mean_c="9"),
        "date-twice",
        3,
        "date",
        "out",
    ),
    "mean above highest": (
        "weather",
        changed("weather", 3, t_mean_c="17"),
        "mean-above-highest",
        3,
        "t_mean_c",
        "empty",
    ),
    "decided after it held": (
        "decisions_taken",
        changed("decisions_taken", 2, from_date="2026-04-15"),
        "days-out-of-order",
        2,
        "from_date",
        "kept",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_the_row_is_named(tmp_path, name):
    table, rows, code, row, column, fate = CASES[name]
    season = load_season(season_folder(tmp_path, **{table: rows}), "2027-02")
    named = [f for f in season.findings if (f.code, f.row, f.column) == (code, row, column)]
    assert len(named) == 1, [f.sentence() for f in season.findings]
    finding = named[0]
    assert finding.file == f"{table}.csv"
    assert finding.sentence().startswith(f"{table}.csv row {row}, column {column}: ")
    assert finding.advice or finding.expected
    # One fault makes one kind of error, so that people are not sent after its consequences.
    assert {f.code for f in season.findings if f.severity == "error"} <= {code}
    left = season.tables[table]
    kept = left[left["file_row"] == row]
    if fate == "out":
        assert finding.severity == "error"
        assert kept.empty
        assert row in season.set_aside.loc[season.set_aside["file"] == f"{table}.csv", "file_row"].tolist()
    elif fate == "empty":
        assert finding.severity == "error"
        assert kept[column].isna().all()
        assert len(kept) == 1
    else:
        assert finding.severity in ("warning", "note")
        assert len(kept) == 1


def test_advice_says_what_was_meant(tmp_path):
    said = {
        f.code: f.sentence() for f in findings(tmp_path, batches=changed("batches", 2, incubator_c="111", end_ph="47"))
    }
    assert "write 43.9" in said["fahrenheit"]
    assert "was 4.7 meant" in said["impossible-value"]


def test_contradictory_looks_leave_what_still_brackets(tmp_path):
    rows = [
        {"batch_id": "B1", "minutes": "120", "state": "liquid"},
        {"batch_id": "B1", "minutes": "160", "state": "set"},
        {"batch_id": "B1", "minutes": "170", "state": "liquid"},
        {"batch_id": "B1", "minutes": "180", "state": "set"},
    ]
    season = load_season(season_folder(tmp_path, set_checks=rows))
    assert season.tables["set_checks"]["file_row"].tolist() == [2, 5]
    assert season.set_aside["file_row"].tolist() == [3, 4]


def test_looks_at_a_batch_that_was_set_aside_go_with_it(tmp_path):
    season = load_season(season_folder(tmp_path, batches=changed("batches", 3, made_on="soon")))
    assert set(season.tables["set_checks"]["batch_id"]) == {"B1", "B3"}
    codes = set(season.set_aside.loc[season.set_aside["file"] == "set_checks.csv", "code"])
    assert codes == {"batch-set-aside"}
    assert {f.code for f in season.findings if f.severity == "error"} == {"not-a-date"}


def test_protein_factor_is_assumed_once(tmp_path):
    rows = [{**row, "protein_factor": ""} for row in CLEAN["milk_tests"]]
    said = findings(tmp_path, milk_tests=rows, pot_tests=changed("pot_tests", 2, protein_factor=""))
    assert [f.code for f in said] == ["protein-factor-assumed"]
    assert "6 of 6" in said[0].text
    assert "1 of 1" in said[0].text


def test_weather_in_fahrenheit_is_left_out_whole(tmp_path):
    rows = [{**row, "t_mean_c": "49", "t_max_c": "58"} for row in CLEAN["weather"]]
    season = load_season(season_folder(tmp_path, weather=rows))
    assert [f.code for f in season.findings] == ["fahrenheit"]
    assert season.tables["weather"]["t_mean_c"].isna().all()
    assert season.tables["weather"]["rain_mm"].notna().all()


def test_swapped_columns_are_judged_by_the_dairys_own_milk(tmp_path):
    # A poor sample with little fat is not a swap.
    said = findings(tmp_path, milk_tests=changed("milk_tests", 4, fat_g_100g="4.7", total_solids_g_100g=""))
    assert said == ()


def test_identical_batches_count_once(tmp_path):
    season = load_season(season_folder(tmp_path, batches=added("batches", CLEAN["batches"][0])))
    assert [(f.code, f.row, f.severity) for f in season.findings] == [("same-row-twice", 5, "note")]
    assert season.tables["batches"]["batch_id"].tolist() == ["B1", "B2", "B3"]


def test_days_after_today_are_named(tmp_path):
    from datetime import date

    records = read_season(season_folder(tmp_path))
    late = [f for f in records.check(date(2026, 5, 13)) if f.code == "day-to-come" and f.file == "milk_tests.csv"]
    assert [(f.row, f.column) for f in late] == [(7, "reported_on"), (7, "sampled_on")]
