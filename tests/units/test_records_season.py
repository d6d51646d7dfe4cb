"""A season as of a day: corrections, days that lie ahead, and the old answer for an old month."""

from datetime import date

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from analysis.records.findings import CannotDo
from analysis.records.months import add_months
from analysis.records.season import load_season, newest_month, read_season
from tests.zoo import CLEAN, DAIRY, HEADERS, added, changed, season_folder

FIRST = CLEAN["milk_tests"][0]


def milk(tmp_path, *more, month="2026-05", **cells):
    """Season whose first sample has further rows; cells change the first row."""
    rows = [{**FIRST, **cells}, *({**FIRST, **row} for row in more)]
    return load_season(season_folder(tmp_path, milk_tests=rows), month)


def codes(season):
    return [(f.code, f.severity) for f in season.findings]


class TestCorrections:
    def test_a_later_report_replaces_the_whole_row(self, tmp_path):
        season = milk(tmp_path, {"reported_on": "2026-04-02", "fat_g_100g": "6.5", "ph": "", "total_solids_g_100g": ""})
        (row,) = season.tables["milk_tests"].to_dict("records")
        assert row["fat_g_100g"] == 6.5
        assert pd.isna(row["ph"])
        assert row["file_row"] == 3
        assert season.findings == ()

    def test_it_counts_from_the_day_it_was_reported(self, tmp_path):
        season = milk(tmp_path, {"reported_on": "2026-04-02", "fat_g_100g": "6.5", "total_solids_g_100g": ""})
        assert season.as_of("2026-03").tables["milk_tests"]["fat_g_100g"].tolist() == [6.3]
        assert season.as_of("2026-04").tables["milk_tests"]["fat_g_100g"].tolist() == [6.5]

    def test_the_order_of_the_rows_does_not_matter(self, tmp_path):
        season = milk(tmp_path, {"reported_on": "2026-03-09", "fat_g_100g": "6.2"}, reported_on="2026-04-02")
        assert season.tables["milk_tests"]["fat_g_100g"].tolist() == [6.3]

    @pytest.mark.parametrize("day", ["2026-03-05", ""])
    def test_all_values_empty_withdraws(self, tmp_path, day):
        empty = dict.fromkeys([name for name in FIRST if "_g_100g" in name or name.endswith(("ml", "_c", "ph"))], "")
        season = milk(tmp_path, {**empty, "reported_on": "2026-04-02", "sampled_on": day, "source": ""})
        assert len(season.tables["milk_tests"]) == 0
        assert codes(season) == [("withdrawn", "note")]
        assert len(season.as_of("2026-03").tables["milk_tests"]) == 1

    @pytest.mark.parametrize("day", ["2026-03-09", ""])
    def test_identical_rows_are_one_with_a_note(self, tmp_path, day):
        season = milk(tmp_path, {"note": "by post"}, reported_on=day)
        season = milk(tmp_path / "b", {"reported_on": day, "note": "by post"}, reported_on=day)
        assert season.tables["milk_tests"]["file_row"].tolist() == [2]
        assert codes(season) == [("same-row-twice", "note")]
        assert season.findings[0].row == 3

    @pytest.mark.parametrize(
        ("one", "two"), [("2026-03-09", "2026-03-09"), ("", ""), ("", "2026-03-09"), ("2026-03-09", "")]
    )
    def test_rows_that_differ_are_all_set_aside(self, tmp_path, one, two):
        season = milk(tmp_path, {"reported_on": two, "fat_g_100g": "6.4"}, reported_on=one)
        assert len(season.tables["milk_tests"]) == 0
        assert codes(season) == [("two-results", "error")]
        assert season.set_aside["file_row"].tolist() == [2, 3]
        assert "rows 2, 3" in season.findings[0].text

    def test_a_later_correction_settles_a_quarrel(self, tmp_path):
        season = milk(
            tmp_path,
            {"fat_g_100g": "6.4"},
            {"fat_g_100g": "6.6", "reported_on": "2026-04-01", "total_solids_g_100g": ""},
        )
        assert season.tables["milk_tests"]["fat_g_100g"].tolist() == [6.6]
        assert season.findings == ()
        assert codes(season.as_of("2026-03")) == [("two-results", "error")]

    def test_other_labs_and_samples_are_other_results(self, tmp_path):
        season = milk(
            tmp_path,
            {"lab": "hill lab", "fat_g_100g": "6.4"},
            {"sample_id": "", "fat_g_100g": "6.5"},
            {"sample_id": "", "fat_g_100g": "6.6"},
        )
        assert season.tables["milk_tests"]["fat_g_100g"].tolist() == [6.3, 6.4, 6.5, 6.6]

    def test_what_was_wrong_in_a_corrected_row_no_longer_matters(self, tmp_path):
        season = milk(tmp_path, {"reported_on": "2026-04-02"}, fat_g_100g="63")
        assert season.findings == ()
        assert codes(season.as_of("2026-03")) == [("impossible-value", "error")]

    def test_pots_are_corrected_too(self, tmp_path):
        pot = CLEAN["pot_tests"][0]
        rows = added("pot_tests", {**pot, "reported_on": "2026-05-02", "fat_g_100g": "6.9"})
        season = load_season(season_folder(tmp_path, pot_tests=rows), "2026-05")
        assert season.tables["pot_tests"]["fat_g_100g"].tolist() == [6.9]
        assert season.as_of("2026-04").tables["pot_tests"]["fat_g_100g"].tolist() == [6.8]


class TestCutOff:
    def test_results_count_from_sampling_and_report(self, tmp_path):
        season = load_season(season_folder(tmp_path), "2026-04")
        # Sampled on 29 April, reported on 4 May: not known in April.
        assert season.tables["milk_tests"]["sample_id"].tolist() == ["M01", "M02", "M03", "M04"]
        assert season.cutoff == date(2026, 4, 30)

    def test_without_a_report_day_sampling_counts(self, tmp_path):
        season = load_season(season_folder(tmp_path, milk_tests=changed("milk_tests", 6, reported_on="")), "2026-04")
        assert "M05" in season.tables["milk_tests"]["sample_id"].tolist()

    def test_every_table_stops_at_the_day(self, tmp_path):
        season = load_season(season_folder(tmp_path), "2026-03")
        assert season.tables["batches"]["batch_id"].tolist() == ["B1"]
        assert set(season.tables["set_checks"]["batch_id"]) == {"B1"}
        assert len(season.tables["pot_tests"]) == 0
        assert season.tables["weather"]["date"].max() == pd.Timestamp(2026, 3, 31)
        assert len(season.tables["decisions_taken"]) == 0
        assert season.findings == ()

    def test_an_end_that_lies_ahead_is_empty(self, tmp_path):
        diary = load_season(season_folder(tmp_path), "2026-03").tables["flock_diary"]
        assert diary["file_row"].tolist() == [2, 4]
        assert diary["to_date"].isna().all()

    @pytest.mark.parametrize("column", ["to_date", "dried_on", "lambed_on"])
    def test_days_ahead_are_known_where_the_row_was_written(self, tmp_path, column):
        rows = changed("flock_diary", 4, **{column: "2026-04-20"})
        written = changed("flock_diary", 4, **{column: "2026-04-20", "written_on": "2026-03-15"})
        without = load_season(season_folder(tmp_path, flock_diary=rows), "2026-03").tables["flock_diary"]
        known = load_season(season_folder(tmp_path / "b", flock_diary=written), "2026-03").tables["flock_diary"]
        assert without.set_index("file_row").loc[4, [column]].isna().all()
        assert known.set_index("file_row").loc[4, column] == pd.Timestamp(2026, 4, 20)

    def test_a_plan_is_used_where_it_was_written_down(self, tmp_path):
        rows = changed("flock_diary", 3, written_on="2026-03-28")
        diary = load_season(season_folder(tmp_path, flock_diary=rows), "2026-03").tables["flock_diary"]
        assert diary["file_row"].tolist() == [2, 3, 4]
        # The period before it ends where the plan starts, without a complaint.
        assert diary["to_date"].iloc[0] == pd.Timestamp(2026, 4, 10)

    def test_a_row_written_later_was_not_known(self, tmp_path):
        rows = changed("flock_diary", 4, written_on="2026-05-02")
        season = load_season(season_folder(tmp_path, flock_diary=rows), "2026-05")
        assert season.as_of("2026-04").tables["flock_diary"]["file_row"].tolist() == [2, 3]
        assert season.tables["flock_diary"]["file_row"].tolist() == [2, 3, 4]

    def test_a_wrong_row_is_named_from_its_own_month_on(self, tmp_path):
        season = load_season(
            season_folder(tmp_path, batches=changed("batches", 4, end_ph="47", pots_failed="x")), "2026-05"
        )
        assert {code for code, _ in codes(season)} == {"impossible-value", "not-a-number"}
        assert season.as_of("2026-04").findings == ()

    def test_earlier_settings_hold_until_their_day(self, tmp_path):
        text = DAIRY + (
            "[[earlier]]\nuntil = 2026-03-31\nlabel = { fat_g = 5.8 }\nusual = { incubator_c = 42.0 }\n"
            "[[earlier]]\nuntil = 2025-12-31\nlabel = { fat_g = 5.2 }\n"
        )
        season = load_season(season_folder(tmp_path, dairy=text), "2026-04")
        assert season.dairy.label.values == {"fat_g": 6.5, "protein_g": 5.5}
        march = season.as_of("2026-03").dairy
        assert march.label.values == {"fat_g": 5.8}
        assert march.label.claims == ()
        assert (march.usual.incubator_c, march.usual.starter_g_kg) == (42.0, 25.0)
        assert season.as_of("2025-12").dairy.label.values == {"fat_g": 5.2}
        assert season.as_of("2025-12").dairy.usual.incubator_c == 42.0


class TestMonth:
    def test_the_newest_month_with_records(self, tmp_path):
        assert newest_month(season_folder(tmp_path)) == "2026-05"
        assert load_season(tmp_path / "season").month == "2026-05"

    def test_a_year_typed_wrong_is_not_the_newest_month(self, tmp_path):
        rows = changed("milk_tests", 3, sampled_on="2062-03-19", reported_on="")
        assert newest_month(season_folder(tmp_path, milk_tests=rows)) == "2026-05"

    def test_before_the_first_record_cannot_be_done(self, tmp_path):
        with pytest.raises(CannotDo, match="before the first record, which is of 2026-02"):
            load_season(season_folder(tmp_path), "2026-01")

    def test_without_records_a_month_must_be_named(self, tmp_path):
        empty = dict.fromkeys(CLEAN, ())
        folder = season_folder(tmp_path, **empty)
        with pytest.raises(CannotDo, match="no records yet"):
            load_season(folder)
        season = load_season(folder, "2026-05")
        assert [f.code for f in season.findings] == ["no-rows"]

    @pytest.mark.parametrize("count", [0, 1, 5])
    def test_few_results(self, tmp_path, count):
        season = load_season(season_folder(tmp_path, milk_tests=CLEAN["milk_tests"][:count]), "2026-05")
        assert len(season.tables["milk_tests"]) == count
        assert not season.has_errors

    @pytest.mark.parametrize("month", ["2026-13", "2026-5", "May", "26-05", "2026-05-01", ""])
    def test_what_is_no_month(self, tmp_path, month):
        with pytest.raises(CannotDo, match="YYYY-MM"):
            load_season(season_folder(tmp_path), month)


def test_no_folder(tmp_path):
    with pytest.raises(CannotDo, match="there is no folder"):
        read_season(tmp_path / "nowhere")
    (tmp_path / "file").write_text("")
    with pytest.raises(CannotDo, match="is a file"):
        read_season(tmp_path / "file")


def same_season(one, two):
    assert one.findings == two.findings
    assert one.dairy == two.dairy
    pd.testing.assert_frame_equal(one.set_aside, two.set_aside)
    for name, frame in one.tables.items():
        pd.testing.assert_frame_equal(frame, two.tables[name])


MONTHS = ["2026-02", "2026-03", "2026-04"]
LATER = st.dates(date(2026, 5, 1), date(2027, 3, 1))
VALUES = st.sampled_from(["6.1", "63", "x", "", "5.0", "-1"])
LATER_MILK = st.builds(
    lambda sampled, wait, sample, fat, protein, reported: {
        **FIRST,
        "sample_id": sample,
        "sampled_on": sampled.isoformat(),
        "reported_on": (sampled + wait).isoformat() if reported else "",
        "fat_g_100g": fat,
        "protein_g_100g": protein,
        "total_solids_g_100g": "",
    },
    LATER,
    st.timedeltas(pd.Timedelta(0).to_pytimedelta(), pd.Timedelta(30, "D").to_pytimedelta()),
    st.sampled_from(["M01", "M03", "N1", ""]),
    VALUES,
    VALUES,
    st.booleans(),
)
CORRECTION = st.builds(
    lambda row, reported, fat: {**row, "reported_on": reported.isoformat(), "fat_g_100g": fat},
    st.sampled_from(CLEAN["milk_tests"]),
    LATER,
    VALUES,
)
LATER_BATCH = st.builds(
    lambda name, made, failed: {
        **CLEAN["batches"][0],
        "batch_id": name,
        "made_on": made.isoformat(),
        "pots_failed": failed,
    },
    st.sampled_from(["B1", "B9", "B10"]),
    LATER,
    st.sampled_from(["1", "900", "x", ""]),
)
LATER_DIARY = st.builds(
    lambda flock, start, days, written: {
        "flock": flock,
        "from_date": start.isoformat(),
        "to_date": (start + days).isoformat(),
        "forage": "hay",
        "written_on": start.isoformat() if written else "",
    },
    st.sampled_from(["hill", "brook", "nobody"]),
    LATER,
    st.timedeltas(pd.Timedelta(0).to_pytimedelta(), pd.Timedelta(90, "D").to_pytimedelta()),
    st.booleans(),
)


@settings(
    max_examples=8,
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    milk=st.lists(st.one_of(LATER_MILK, CORRECTION), max_size=4),
    batches=st.lists(LATER_BATCH, max_size=2),
    diary=st.lists(LATER_DIARY, max_size=2),
    month=st.sampled_from(MONTHS),
)
def test_what_comes_later_never_changes_an_earlier_month(tmp_path_factory, milk, batches, diary, month):
    tmp_path = tmp_path_factory.mktemp("as-of")
    before = read_season(season_folder(tmp_path)).as_of(month)
    after = read_season(
        season_folder(
            tmp_path,
            folder="later",
            milk_tests=added("milk_tests", *milk),
            batches=added("batches", *batches),
            flock_diary=added("flock_diary", *diary),
        )
    ).as_of(month)
    same_season(before, after)


def test_the_order_of_rows_and_columns_does_not_matter(tmp_path):
    season = load_season(season_folder(tmp_path))
    turned = {
        name: pd.DataFrame(rows[::-1], columns=HEADERS[name].split(",")[::-1]).to_csv(index=False)
        for name, rows in CLEAN.items()
    }
    other = load_season(season_folder(tmp_path, folder="turned", **turned))
    assert other.findings == ()
    for name, frame in season.tables.items():
        key = list(frame.columns[:2])
        one = frame.drop(columns="file_row").sort_values(key).reset_index(drop=True)
        two = other.tables[name].drop(columns="file_row").sort_values(key).reset_index(drop=True)
        pd.testing.assert_frame_equal(one, two)


def test_steps_of_months():
    assert add_months("2026-01", -1) == "2025-12"
    assert add_months("2026-11", 14) == "2028-01"
