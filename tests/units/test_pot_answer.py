"""What the pot room says: rows of decisions, tables and flags."""

import json

import numpy as np
import pandas as pd
import pytest

from analysis.pot import fit_pot
from analysis.pot.raw_milk import cautions, rolling_means, rules_for
from analysis.pot.texture import CENTRE, fit_texture
from tests.units.pot_fakes import FakeMilk, empty_tables, made, season

MILK = FakeMilk(n=200)


@pytest.fixture(scope="module")
def answer():
    tables = made(30, vat_tests=True, weighed=True)
    rng = np.random.default_rng(8)
    tables["pot_tests"] = tables["pot_tests"].assign(
        firmness_g=180 * np.exp(0.1 * rng.standard_normal(30)), whey_g_100g=2 + 0.4 * rng.standard_normal(30)
    )
    tables["batches"] = tables["batches"].assign(
        end_ph=4.5 + 0.05 * rng.standard_normal(30), moved_out_min=180.0, incubator_c=44.0, starter_g_kg=25.0,
        starter_age_d=3.0,
    )  # fmt: skip
    return fit_pot(season(tables), MILK).answer()


def test_twelve_months_of_nine_nutrients(answer) -> None:
    rows = answer.decisions["pot_forecast"]
    assert len(rows) == 12 * 9
    assert rows[0]["month"] == "2026-06"
    for row in rows:
        assert row["mean_lo90"] < row["mean"] < row["mean_hi90"]
        assert row["one_lo90"] < row["mean_lo90"]
        assert row["one_hi90"] > row["mean_hi90"]
    json.dumps(answer.decisions, allow_nan=False)


def test_one_is_what_a_lab_by_difference_would_report() -> None:
    tables = made(20, by="difference")
    rows = fit_pot(season(tables), MILK).answer().decisions["pot_forecast"]
    row = next(r for r in rows if r["component"] == "carbohydrate_g_100g")
    # The lab's result holds about 1.1 g of acid; the content that is declared does not.
    assert (row["one_lo90"] + row["one_hi90"]) / 2 == pytest.approx(row["mean"] + 1.2, abs=0.15)


def test_outlook_has_three_outcomes_a_month(answer) -> None:
    rows = answer.decisions["pot_outlook"]
    assert len(rows) == 36
    assert {r["outcome"] for r in rows} == {"firmness_g", "whey_g_100g", "end_ph"}
    by = {r["outcome"]: r for r in rows if r["month"] == "2026-06"}
    assert by["firmness_g"]["mean"] == pytest.approx(180, rel=0.1)
    assert by["end_ph"]["mean"] == pytest.approx(4.5, abs=0.05)
    assert all(r["lo90"] < r["mean"] < r["hi90"] for r in rows)


def test_outcomes_say_unit_and_share_from_records(answer) -> None:
    for row in answer.decisions["outcomes"]:
        assert row["lo90"] <= row["effect"] <= row["hi90"]
        assert 0.0 <= row["from_records"] <= 1.0
        assert " per " in row["unit"]
    warmth = next(r for r in answer.decisions["outcomes"] if (r["outcome"], r["driver"]) == ("end_ph", "incubator_c"))
    # Every vat stood at 44 C, so nothing was learnt of warmth.
    assert warmth["from_records"] < 0.05


def test_what_was_never_measured_is_null_and_said() -> None:
    answer = fit_pot(season(), MILK).answer()
    codes = {f.code for f in answer.flags}
    assert {"pot-from-mass-balance", "firmness-not-measured", "whey-from-handbook", "end-ph-not-measured"} <= codes
    by = {r["outcome"]: r for r in answer.decisions["pot_outlook"] if r["month"] == "2026-06"}
    assert by["firmness_g"]["mean"] is None
    assert by["end_ph"]["lo90"] is None
    # Al-Bedrani 2023: spontaneous whey of sheep set yogurt 2.1 %.
    assert by["whey_g_100g"]["lo90"] < 2.1 < by["whey_g_100g"]["hi90"]
    assert by["whey_g_100g"]["hi90"] - by["whey_g_100g"]["lo90"] > 2
    assert answer.decisions["outcomes"] == []


def test_assumptions_are_said() -> None:
    tables = made(5)
    tests = tables["pot_tests"].assign(protein_factor=np.nan, carbohydrate_by="", sugars_g_100g=np.nan)
    tests.loc[4, ["batch_id"]] = "no such vat"
    tests.loc[4, "made_on"] = pd.NaT
    fit = fit_pot(season({**tables, "pot_tests": tests}), MILK)
    flags = {f.code: f for f in fit.answer().flags}
    assert fit.evidence["protein"].factor_unknown == 4
    assert fit.evidence["fat"].factor_unknown == 0
    assert "4 protein results" in flags["protein-factor-unknown"].text
    assert "4 carbohydrate results" in flags["carbohydrate-convention-unknown"].text
    assert flags["pot-test-unpaired"].row == 6


def test_every_flag_defers_where_pots_are_not_acid_enough() -> None:
    tables = made(6)
    tables["batches"] = tables["batches"].assign(end_ph=4.9)
    late = tables["batches"]["made_on"] + (pd.Timestamp("2026-05-25") - tables["batches"]["made_on"].max())
    tables["batches"]["made_on"] = late
    flags = {f.code: f for f in fit_pot(season(tables), MILK).answer().flags}
    assert "hygiene plan" in flags["end-ph-outlook"].sentence()
    assert "wait" not in flags["end-ph-outlook"].sentence()


def test_tables_hold_what_figures_need(answer) -> None:
    assert {
        "pot_pairs",
        "pot_milk",
        "evaporation",
        "evaporation_vats",
        "pot_months",
        "pot_evidence",
        "texture",
        "texture_rows",
        "end_ph",
        "plate_count",
    } <= set(answer.tables)
    pairs = answer.tables["pot_pairs"]
    inside = (pairs["measured"] > pairs["lo90"]) & (pairs["measured"] < pairs["hi90"])
    assert 0.80 < inside.mean() < 0.99
    loss = answer.tables["evaporation"].set_index("stage")
    assert loss.loc["with the pot tests", "loss"] == pytest.approx(0.055, abs=0.006)
    assert len(answer.tables["pot_months"]) == 108


def test_firmness_learns_a_steep_slope() -> None:
    rng = np.random.default_rng(2)
    protein = rng.uniform(5.0, 6.5, 60)
    value = 170 * np.exp(0.35 * (protein - 5.7) + 0.08 * rng.standard_normal(60))
    rows = pd.DataFrame({"file_row": range(60), "made_on": pd.date_range("2025-01-01", periods=60), "value": value})
    fit = fit_texture("firmness_g", rows.assign(protein_g_100g=protein), {})
    assert fit.relation.mean[1] == pytest.approx(0.35, abs=0.06)
    assert np.exp(fit.relation.mean[0]) == pytest.approx(170, rel=0.05)
    assert fit.relation.from_records[1] > 0.7


def test_a_recent_lean_of_the_end_ph_fades() -> None:
    days = pd.date_range("2025-06-01", periods=120, freq="3D")
    value = np.full(120, 4.45) + 0.02 * np.random.default_rng(3).standard_normal(120)
    value[-18:] += 0.15
    rows = pd.DataFrame({"file_row": range(120), "made_on": days, "value": value, "protein_g_100g": 5.5})
    fit = fit_texture("end_ph", rows, {})
    assert fit.lean > 0.05
    rng = np.random.default_rng(1)
    drivers = {"protein_g_100g": np.full(2000, CENTRE["end_ph"]["protein_g_100g"])}
    means = [fit.monthly(drivers, ahead, rng, 2000) for ahead in (1, 11)]
    assert means[0][0] > means[1][0] + 0.03


def milk_tests(plate: list[float], days: list[str], source: str = "bulk", cells: float = np.nan) -> pd.DataFrame:
    shape = empty_tables()["milk_tests"].reindex(range(len(plate)))
    return shape.assign(
        sampled_on=pd.to_datetime(days), source=source, plate_count_1000_cfu_ml=plate, somatic_cells_1000_ml=cells
    )


def test_plate_count_is_a_geometric_mean_over_two_months() -> None:
    days = ["2026-03-03", "2026-04-03", "2026-04-20", "2026-05-04", "2026-05-18"]
    means = rolling_means(milk_tests([9000.0, 400.0, 1600.0, 2000.0, 3200.0], days), ("eu",))
    plate = means[means["measure"] == "plate_count_1000_cfu_ml"].set_index("month")
    # (400 x 1600 x 2000 x 3200)^(1/4) in 1000 per ml; March has left the window.
    assert plate.loc["2026-05", "geometric_mean"] == pytest.approx((400 * 1600 * 2000 * 3200) ** 0.25)
    assert plate.loc["2026-05", "n"] == 4
    assert not plate.loc["2026-05", "above"]
    assert plate.loc["2026-04", "above"]


@pytest.mark.parametrize(
    ("plate", "rules", "code", "severity"),
    [
        # Regulation (EC) No 853/2004, Annex III, Section IX: at most 1 500 000 per ml for species other than cows.
        (1600.0, ("eu",), "plate-count-high", "warning"),
        (1400.0, ("eu",), None, None),
        (150.0, ("eu", "us"), "plate-count-high", "note"),
        (150.0, ("us",), "plate-count-high", "warning"),
    ],
)
def test_plate_count_rules(plate: float, rules: tuple[str, ...], code: str | None, severity: str | None) -> None:
    days = ["2026-04-03", "2026-04-20", "2026-05-04", "2026-05-18"]
    found = cautions(rolling_means(milk_tests([plate] * 4, days), rules), "2026-05", rules)
    said = [(f.code, f.severity) for f in found if f.code == "plate-count-high"]
    assert said == ([] if code is None else [(code, severity)])
    assert all("hygiene plan" in f.sentence() for f in found)


def test_too_few_samples_are_said() -> None:
    found = cautions(rolling_means(milk_tests([100.0], ["2026-05-04"]), ("eu",)), "2026-05", ("eu",))
    assert [f.code for f in found] == ["plate-count-few"]


def test_cells_are_a_note_on_quality_in_europe() -> None:
    # Regulation (EC) No 853/2004 sets a limit for cells in cows' milk only.
    assert not any(r.hygiene and r.column == "somatic_cells_1000_ml" for r in rules_for(("eu", "gb")))
    tests = milk_tests([np.nan, np.nan], ["2026-05-04", "2026-05-18"], cells=2400.0)
    found = cautions(rolling_means(tests, ("eu",)), "2026-05", ("eu",))
    assert [(f.code, f.severity) for f in found] == [("cells-many", "note")]


def test_old_counts_say_nothing() -> None:
    old = rolling_means(milk_tests([9000.0] * 2, ["2025-05-04", "2025-05-18"]), ("eu",))
    assert cautions(old, "2026-05", ("eu",)) == []
