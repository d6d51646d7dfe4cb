"""What was seen of vats, the warmth curve, the pH curve, and vats gone wrong."""

import numpy as np
import pandas as pd
import pytest

from analysis.setting import fit_setting
from analysis.setting.acidity import PH_WHEN_SET, curve_position, ph_at, read_acidity
from analysis.setting.failed_pots import longest_age
from analysis.setting.set_time import PRIORS, learn_renewal, native_share, quantiles_of_mixture
from analysis.setting.vats import looked_between
from analysis.setting.warmth import log_slowness, relative_rate
from tests.units.test_setting_season import Milk, codes, look, season, vats


def looks(*rows):
    table = pd.DataFrame(rows, columns=["batch_id", "minutes", "state"])
    return table.astype({"batch_id": "str", "state": "str", "minutes": float})


@pytest.mark.parametrize(
    ("rows", "lower", "upper", "contradicts"),
    [
        ([(120, "liquid"), (150, "liquid"), (170, "set"), (190, "set")], 150, 170, False),
        ([(150, "liquid"), (200, "liquid")], 200, np.inf, False),
        ([(160, "set")], 0, 160, False),
        # liquid after set: the widest span that any look allows
        ([(120, "liquid"), (150, "set"), (170, "liquid"), (190, "set")], 120, 190, True),
        ([(150, "set"), (170, "liquid")], 0, np.inf, True),
        # a look before inoculation says nothing
        ([(-10, "set"), (100, "liquid")], 100, np.inf, False),
    ],
)
def test_set_lies_between_last_liquid_and_first_set(rows, lower, upper, contradicts):
    seen = looked_between(looks(*[("A", *row) for row in rows])).loc["A"]
    assert (seen["lower_min"], seen["upper_min"], seen["contradicts"]) == (lower, upper, contradicts)


def test_relative_rate_has_the_values_of_the_published_curve():
    # Cardinal-temperature curve (Rosso et al. 1993) with Tmin 18, Topt 43.5, Tmax 51.5 (judgement), tabled by hand.
    warmth = [30, 36, 38, 40, 42, 43.5, 45, 46, 47, 48, 49, 50, 51]
    rate = [0.37, 0.72, 0.83, 0.92, 0.98, 1.00, 0.98, 0.94, 0.87, 0.77, 0.62, 0.42, 0.16]
    assert relative_rate(warmth, 43.5, 51.5, 18.0) == pytest.approx(rate, abs=0.012)


def test_set_time_is_shortest_at_42_to_45_and_turns_over():
    # Shaker et al. 2001 (40, 45, 48 C: acid fastest at 45); McGee (2-3 h at 40-45 C, up to 18 h at 30 C).
    time = np.exp(log_slowness([30.0, 40.0, 42.0, 43.5, 45.0, 48.0], 43.5, 51.5, 18.0))
    assert np.argmin(time) in (2, 3, 4)
    assert time[5] > time[4]
    assert time[0] > 2.0 * time.min()
    assert time[4] < 1.10 * time[1]
    assert np.isfinite(log_slowness(60.0, 43.5, 51.5, 18.0))


def test_a_ten_day_starter_is_5_to_30_percent_slower_than_a_fresh_one():
    # From counts of cold yogurt over 29 days (PMC4304562, table 4): half the dose after ten days.
    assert 0.05 < np.expm1(9 * PRIORS["starter_age_d"][0]) < 0.30


def test_long_heating_leaves_no_native_whey_protein():
    # 85 C 30 min or 90-95 C 5-10 min: more than 85-90 % denatured; 90 C 60 min: complete (from memory in the trade).
    native = native_share(np.array([90.0, 85.0, 90.0, 72.0]), np.array([60.0, 30.0, 7.5, 0.25]))
    assert native == pytest.approx([0.0, 0.12, 0.12, 1.0], abs=0.02)


def test_ph_curve_passes_the_published_course_of_ewes_milk():
    # Sheep, 43 C, 2.5 %: 5.3 at 130-170 min, 4.6 at 190-270 min (judgement, checked with a course of 181 min to 4.54).
    course = ph_at(np.array([30.0, 150.0, 230.0, 2000.0]), 155.0, PH_WHEN_SET[0], 3.0)
    assert 6.3 < course[0] < 6.56
    assert 5.1 < course[1] < 5.5
    assert 4.4 < course[2] < 4.8
    assert (np.diff(course) < 0).all()


def test_readings_on_the_curve_point_to_its_set_time():
    minutes = np.array([100.0, 140.0, 180.0])
    readings = pd.DataFrame({"batch_id": ["A"] * 3, "minutes": minutes, "ph": ph_at(minutes, 160.0, 5.225, 3.0)})
    learnt = read_acidity(readings)
    assert learnt.steep == pytest.approx(3.0, abs=0.01)
    row = learnt.by_batch.iloc[0]
    assert np.exp(row["log_minutes"] + curve_position(5.225) / learnt.steep) == pytest.approx(160.0, rel=0.01)
    assert row["readings"] == 3
    assert not read_acidity(readings.assign(ph=65.0)).any


def test_mixture_quantiles_are_those_of_a_large_sample():
    rng = np.random.default_rng(1)
    mean, sd = rng.normal(5.0, 0.3, (400, 2)), rng.uniform(0.05, 0.2, 400)
    sample = (mean + sd[:, None] * rng.standard_normal((500, 400, 1))).reshape(-1, 2)
    got = quantiles_of_mixture(mean, sd, (0.10, 0.50, 0.95))
    assert got == pytest.approx(np.quantile(sample, [0.10, 0.50, 0.95], axis=0), abs=0.006)


def test_renewals_when_slow_are_learnt_as_such():
    rng = np.random.default_rng(2)
    state = 0.1 * rng.standard_normal(400)
    start = np.r_[False, rng.random(399) < np.clip(0.05 * np.exp(10.0 * state[:-1]), 0, 1)]
    rows = pd.DataFrame({"made_on": pd.date_range("2024-01-01", periods=400, freq="2D"), "epoch_start": start})
    learnt = learn_renewal(rows, state)
    assert learnt.rate(np.array([0.15])) > 2.0 * learnt.rate(np.array([-0.15]))
    assert learnt.rate(np.array([0.0])) == pytest.approx(0.025, rel=0.5)
    assert learn_renewal(rows.assign(epoch_start=False), state) is None


def test_longest_age_stops_at_the_first_age_that_fails_too_often():
    curve = pd.DataFrame({"starter_age_d": [1, 3, 7, 9], "failed_share": [0.01, 0.015, 0.03, 0.018]})
    assert longest_age(curve, 0.02) == 3
    assert longest_age(curve, 0.001) is None


def test_older_starter_with_more_failures_shows_in_the_starter_rows():
    table, minutes = vats(n=150)
    rng = np.random.default_rng(5)
    share = 1 / (1 + np.exp(-(-5.0 + 0.35 * (table["starter_age_d"] - 1) + rng.standard_normal(150))))
    table["pots_failed"] = rng.binomial(300, share).astype(float)
    answer = fit_setting(season(table, look(table, minutes)), Milk()).answer()
    rows = answer.decisions["starter"]
    assert [row["starter_age_d"] for row in rows] == [1, 2, 3, 4, 5, 6, 7]  # tried ages only
    assert rows[-1]["failed_share"] > 3.0 * rows[0]["failed_share"]
    assert all(row["lo90"] < row["failed_share"] < row["hi90"] for row in rows)
    seen = table["pots_failed"].sum() / table["pots_filled"].sum()
    assert rows[0]["failed_share"] < seen < rows[-1]["failed_share"]
    said = next(flag.text for flag in answer.flags if flag.code == "starter-age")
    assert "not proof" in said


@pytest.fixture(scope="module")
def wrong():
    table, minutes = vats(n=80)
    minutes[70], minutes[60] = 420.0, 420.0
    table.loc[70, ["pots_failed", "failed_as", "inhibitor"]] = [280.0, "not set", "positive"]
    table.loc[60, "fill_c"] = 53.0
    table.loc[78, ["pots_failed", "failed_as", "end_ph"]] = [40.0, "broken", 4.9]
    table.loc[79, ["heat_c", "hold_min"]] = [60.0, 10.0]
    table.loc[77, "incubator_c"] = 49.5
    table["fill_c"] = table["fill_c"].fillna(44.0)
    return fit_setting(season(table, look(table, minutes)), Milk())


def test_vats_gone_wrong_are_named_with_a_likely_cause(wrong):
    named = wrong.answer().tables["batches_gone_wrong"].set_index("batch_id")
    assert "residue in the milk" in named.loc["B0070", "likely_cause"]
    assert "hurt by heat" in named.loc["B0060", "likely_cause"]
    assert "shaken" in named.loc["B0078", "likely_cause"]
    assert len(named) < 10


def test_a_positive_inhibitor_test_keeps_the_vat_out_of_the_fit(wrong):
    assert "B0070" not in set(wrong.set_time.rows["batch_id"])
    assert "B0070" not in set(wrong.failed.rows["batch_id"])


def test_cautions_name_the_row_and_defer_to_the_plan(wrong):
    answer = wrong.answer()
    flags = {flag.code: flag for flag in answer.flags}
    assert flags["end-ph-above-target"].where == "batches.csv row 80, column end_ph"
    assert flags["heat-below-pasteurisation"].row == 81
    assert flags["warmth-outside-bounds"].row == 79
    assert "hygiene plan" in flags["end-ph-above-target"].sentence()
    assert "the local code decides" in flags["heat-below-pasteurisation"].sentence()


def test_contradictory_looks_and_moved_out_vats_are_used_for_what_they_are():
    table, minutes = vats(n=60)
    seen = look(table, minutes)
    table["moved_out_min"] = minutes + 15.0
    seen = seen[~seen["batch_id"].isin(["B0001", "B0002"])]
    extra = looks(("B0003", minutes[3] + 30.0, "liquid"))
    fit = fit_setting(season(table, pd.concat([seen, extra], ignore_index=True)), Milk())
    rows = fit.set_time.rows.set_index("batch_id")
    assert rows.loc["B0001", "seen"] == "set when moved out"
    assert rows.loc["B0001", "slip"] == pytest.approx(7.0 / 78)  # of 58 looked at, one was not set at its last look
    assert np.isfinite(rows.loc["B0001", "upper_min"])
    assert "looks-contradict" in codes(fit.answer())


def test_missing_settings_are_taken_as_usual_with_more_doubt():
    table, minutes = vats(n=30)
    table.loc[3, ["incubator_c", "starter_g_kg", "starter_age_d"]] = np.nan
    table.loc[4, "incubator_c"] = 109.0  # Fahrenheit
    rows = fit_setting(season(table, look(table, minutes)), Milk()).set_time.rows
    assert rows.loc[3, "incubator_c"] == rows.loc[4, "incubator_c"] == 43.0
    assert rows.loc[3, "extra_var"] > rows.loc[0, "extra_var"] + 0.003
