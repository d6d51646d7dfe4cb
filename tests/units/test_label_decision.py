"""The whole label answer: what the contract promises, and what is said when something is missing or odd."""

import json
from dataclasses import replace
from datetime import date
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from analysis.label import decide_labels, load_rulebook, try_values
from analysis.label.outlook import cut_into_months
from analysis.label.panel import _consistent, decide_panel
from analysis.places import place
from analysis.records.findings import CannotDo
from tests.units.label_pots import NUTRIENTS, Basis, FakePot, PotLabel, a_dairy, a_pot, a_season, a_table

COSTS = {
    "milk_test": 12.0,
    "pot_composite": 140.0,
    "print_run": 420.0,
    "failed_label": 3000.0,
    "lab_days": 10,
    "labels_left": 5000,
    "pots_per_week": 900,
}
CONTRACT = set(
    """rules nutrient unit basis declared ok_from ok_to on_pot_now on_pot_now_ok_worst_month expected ok_year
    ok_worst_month worst_month meets_risk evidence n_tests cautious""".split()  # noqa: SIM905 - as the contract lists it
)


@pytest.fixture(scope="module")
def pot() -> FakePot:
    return a_pot(draws=150)


@pytest.fixture(scope="module")
def answer(pot):
    return decide_labels(a_season(a_dairy(rules=("eu", "gb", "us", "codex"))), pot)


def codes(answer) -> list[str]:
    return [flag.code for flag in answer.flags]


def rows(answer, rules, key="label"):
    return {(row["nutrient"], row["unit"]): row for row in answer.decisions[key] if row["rules"] == rules}


def test_every_row_has_the_keys_of_the_contract(answer):
    assert set(answer.decisions) == {"label", "label_action", "label_sets", "claims", "next_tests"}
    for row in answer.decisions["label"]:
        assert set(row) >= CONTRACT
    for key, wanted in {
        "label_action": "rules action why decide_by",
        "label_sets": "rules labels from_month declared ok_worst_month",
        "claims": "rules claim verdict ok_worst_month worst_month",
    }.items():
        assert answer.decisions[key]
        for row in answer.decisions[key]:
            assert set(wanted.split()) <= set(row)


def test_probabilities_are_probabilities_and_the_worst_month_is_the_worst(answer):
    by_month = answer.tables["label_by_month"]
    assert by_month["ok"].between(0, 1).all()
    for row in answer.decisions["label"]:
        if row["ok_worst_month"] is None:
            assert row["worst_month"] is row["meets_risk"] is row["ok_year"] is None
            continue
        own = by_month[
            (by_month["rules"] == row["rules"])
            & (by_month["nutrient"] == row["nutrient"])
            & (by_month["unit"] == row["unit"])
            & (by_month["which"] == "declared")
        ]
        assert row["ok_worst_month"] == own["ok"].min()
        assert own.set_index("month")["ok"][row["worst_month"]] == row["ok_worst_month"]
        assert row["ok_worst_month"] <= row["ok_year"] + 1e-12
        assert row["panel_ok_worst_month"] <= row["ok_worst_month"] + 1e-12 or row["nutrient"] == "calcium"


def test_where_there_is_no_tolerance_the_probability_is_null_and_said_why(answer):
    energy = rows(answer, "eu")[("energy", "kJ")]
    assert energy["ok_worst_month"] is None
    assert energy["cautious"] > energy["declared"]
    assert all(row["ok_worst_month"] is None for row in rows(answer, "codex").values())
    said = [flag.text for flag in answer.flags if flag.code == "label-no-tolerance"]
    assert any(text.startswith("eu") for text in said)
    assert any(text.startswith("codex") for text in said)


def test_protein_is_in_the_nitrogen_factor_of_each_rulebook(answer):
    eu, us = rows(answer, "eu")[("protein", "g")], rows(answer, "us")[("protein", "g")]
    assert us["basis"] == "serving (200 g)"
    assert eu["expected"] / (us["expected"] / 2) == pytest.approx(6.25 / 6.38)


def test_energy_is_that_of_the_unrounded_averages(answer):
    eu = rows(answer, "eu")
    acid = answer.decisions  # the acid is no line of the panel: it is what is left over
    assert acid
    parts = 37 * eu[("fat", "g")]["expected"] + 17 * (
        eu[("carbohydrate", "g")]["expected"] + eu[("protein", "g")]["expected"]
    )
    assert eu[("energy", "kJ")]["expected"] - parts == pytest.approx(13.0, abs=1.5)


def test_exemption_is_said_first_and_lines_not_carried_by_name(answer):
    assert codes(answer)[:4] == ["label-exemption"] * 4
    missing = next(flag.text for flag in answer.flags if flag.code == "label-lines-not-carried")
    assert "trans fat" in missing
    assert "added sugars" in missing
    assert codes(answer).count("label-caution") >= 4


def test_the_answer_is_plain_json_and_the_same_every_time(pot):
    season = a_season(a_dairy(rules=("eu", "us"), costs=COSTS))
    one, two = decide_labels(season, pot), decide_labels(season, pot)
    text = json.dumps(one.decisions, allow_nan=False, sort_keys=True)
    assert text == json.dumps(two.decisions, allow_nan=False, sort_keys=True)
    for name, table in one.tables.items():
        pd.testing.assert_frame_equal(table, two.tables[name])


def test_a_wanted_probability_that_no_single_value_meets_is_said_with_the_months():
    answer = decide_labels(a_season(), a_pot(draws=150, swing_fat=2.2))
    fat = rows(answer, "eu")[("fat", "g")]
    assert fat["ok_from"] is fat["ok_to"] is fat["cautious"] is None
    assert fat["meets_risk"] is False
    assert fat["departs_by"] == 0  # the number is not moved to hide it
    assert "2026-" in fat["why"]
    assert "label-no-single-value" in codes(answer)
    sets = answer.decisions["label_sets"]
    assert not sets[0]["meets_risk"]
    assert sets[-1]["ok_worst_month"] > sets[0]["ok_worst_month"]


def test_dry_months_are_left_out(pot):
    answer = decide_labels(a_season(), a_pot(draws=100, dry=(1, 2, 8)))
    months = set(answer.tables["label_by_month"]["month"])
    assert len(months) == 9
    assert not months & {"2027-01", "2027-02", "2026-08"}


def test_a_year_without_milk_gives_a_reason_and_no_rows():
    answer = decide_labels(a_season(), a_pot(draws=20, dry=tuple(range(1, 13))))
    assert all(rows == [] for rows in answer.decisions.values())
    assert "label-no-milk" in codes(answer)
    assert "label-exemption" in codes(answer)


# --- what the pots say today ------------------------------------------------------------------------------------------


def test_the_label_in_hand_is_judged_on_the_home_basis_only(answer):
    assert rows(answer, "eu")[("fat", "g")]["on_pot_now"] == 6.9
    assert rows(answer, "gb")[("fat", "g")]["on_pot_now"] == 6.9
    assert rows(answer, "us")[("fat", "g")]["on_pot_now"] is None
    assert rows(answer, "codex")[("fat", "g")]["on_pot_now"] is None
    assert [row["rules"] for row in answer.decisions["label_action"]] == ["eu", "gb"]
    assert "label-action-not-judged" in codes(answer)


@pytest.mark.parametrize("value", [-1.0, 101.0, float("nan"), float("inf")])
def test_an_impossible_value_on_the_pots_is_set_aside_and_named(pot, value):
    dairy = a_dairy(label=PotLabel({"fat_g": value, "protein_g": 5.6}))
    answer = decide_labels(a_season(dairy), pot)
    assert rows(answer, "eu")[("fat", "g")]["on_pot_now"] is None
    flag = next(flag for flag in answer.flags if flag.code == "label-value-impossible")
    assert flag.where == "dairy.toml, column label.fat_g"


def test_odd_values_on_the_pots_are_named(pot):
    label = PotLabel({"fat_g": 6.94, "saturates_g": 7.5, "carbohydrate_g": 4.1, "protein_g": 5.6, "energy_kj": 350.0})
    answer = decide_labels(a_season(a_dairy(label=label)), pot)
    assert {"label-value-not-rounded", "label-values-disagree", "label-energy-gap"} <= set(codes(answer))


def test_a_gap_of_energy_up_to_rounding_is_no_finding(pot):
    # 6.36, 4.36 and 5.76 give 407 kJ; the printed lines give 410.
    label = PotLabel({"fat_g": 6.4, "carbohydrate_g": 4.4, "protein_g": 5.8, "energy_kj": 407.0, "energy_kcal": 98.0})
    assert "label-energy-gap" not in codes(decide_labels(a_season(a_dairy(label=label)), pot))


def test_a_claim_on_the_pots_tightens_the_tolerance_of_its_line(pot):
    label = {"fat_g": 6.9, "protein_g": 5.6, "calcium_mg": 195.0}
    plain = rows(decide_labels(a_season(a_dairy(label=PotLabel(label))), pot), "eu")
    claims = ("High protein", "source of calcium")
    tight = rows(decide_labels(a_season(a_dairy(label=PotLabel(label, claims))), pot), "eu")
    protein = tight[("protein", "g")]
    assert protein["tightened_by"] == ["high protein"]
    # 20 % of the expected energy in grams, less the control laboratory's 0.2 g.
    energy = tight[("energy", "kcal")]["expected"]
    assert protein["limits_low"] == pytest.approx(0.2 * energy / 4 - 0.2, abs=0.02)
    assert protein["limits_low"] > plain[("protein", "g")]["limits_low"] == pytest.approx(3.6)
    assert protein["ok_worst_month"] <= plain[("protein", "g")]["ok_worst_month"]
    assert tight[("fat", "g")] == plain[("fat", "g")] | {
        "panel_ok_worst_month": tight[("fat", "g")]["panel_ok_worst_month"]
    }
    # 194 mg: the ordinary band ends at 126.1, above the threshold of 120, so it stays.
    calcium = tight[("calcium", "mg")]
    assert calcium["limits_low"] == pytest.approx(0.65 * calcium["declared"])
    assert calcium["limits_low"] > 120


def test_a_claim_that_no_rule_lists_is_named_with_the_nearest_one(pot):
    answer = decide_labels(a_season(a_dairy(label=PotLabel({"fat_g": 6.9}, ("hi protein",)))), pot)
    flag = next(flag for flag in answer.flags if flag.code == "claim-unknown")
    assert 'did you mean "high protein"' in flag.sentence()


# --- what to do -------------------------------------------------------------------------------------------------------


def action(dairy, pot):
    return decide_labels(a_season(dairy), pot).decisions["label_action"][0]


def test_a_label_that_stands_is_kept_and_the_date_leaves_time_for_a_test(pot):
    found = action(a_dairy(costs=COSTS), pot)
    assert found["action"] == "keep"
    # 5000 labels at 900 a week from 31 May are 38 days: 8 July, less 10 days in the lab.
    assert found["labels_run_out"] == "2026-07-08"
    assert found["decide_by"] == "2026-06-28"


def test_a_label_that_fails_soon_is_printed_again_before_the_first_failing_month(pot):
    found = action(a_dairy(costs=COSTS, label=PotLabel({"fat_g": 5.2})), pot)
    assert found["action"] == "reprint"
    assert found["decide_by"] == "2026-05-31"
    assert "fat" in found["why"]
    assert found["recommended_panel_ok_worst_month"] > found["panel_ok_worst_month"]


def test_a_label_that_fails_after_the_labels_are_used_up_is_kept_until_then(pot):
    # 7.6 stands in the rich months to October; the labels last until July.
    found = action(a_dairy(costs=COSTS, label=PotLabel({"fat_g": 7.7})), pot)
    assert found["action"] == "keep"
    assert "until the labels in hand are used up" in found["why"]


def test_without_costs_there_is_no_date_and_it_is_said(pot):
    answer = decide_labels(a_season(), pot)
    assert answer.decisions["label_action"][0]["decide_by"] is None
    assert "costs-missing" in codes(answer)


def test_where_no_single_label_does_better_seasonal_ones_are_named():
    pot = a_pot(draws=150, swing_fat=1.9, swing_protein=0.1, level_sd=0.05, day_sd=0.05)
    now = {(row["nutrient"]): row["declared"] for row in decide_labels(a_season(), pot).decisions["label"]}
    label = PotLabel({"fat_g": now["fat"], "saturates_g": now["saturates"]})
    found = action(a_dairy(costs=COSTS, label=label), pot)
    assert found["action"] == "reprint"
    assert "seasonal labels" in found["why"]


def test_earlier_decisions_are_held_against_the_advice(pot):
    taken = a_table(
        "decisions_taken",
        {
            "decided_on": "2025-10-01",
            "rules": "eu",
            "nutrient": "fat",
            "value": 5.0,
            "by": "maker",
            "why": "lowest test",
        },
        {"decided_on": "2025-11-01", "rules": "eu", "nutrient": "protein", "value": 5.6, "by": "maker", "why": "mean"},
        {"decided_on": "2025-11-01", "rules": "eu", "nutrient": "fibre", "value": 1.0, "by": "maker", "why": ""},
        {"decided_on": "2025-11-01", "rules": "eu", "nutrient": "claim high protein", "by": "maker", "why": ""},
    )
    answer = decide_labels(a_season(decisions_taken=taken), pot)
    table = answer.tables["label_decisions_taken"].set_index("nutrient")
    assert table["stands"].to_dict() == {"fat": False, "protein": True}
    against = [flag for flag in answer.flags if flag.code == "decision-against-advice"]
    assert [flag.where for flag in against] == ["decisions_taken.csv row 2"]
    assert [flag.row for flag in answer.flags if flag.code == "decision-not-judged"] == [4]


# --- evidence ---------------------------------------------------------------------------------------------------------


def test_handbook_values_are_never_silent(pot):
    evidence = {
        name: Basis(0, None, "handbook values") if name in ("salt", "calcium") else pot.evidence[name]
        for name in NUTRIENTS
    }
    answer = decide_labels(a_season(), FakePot(pot.draws, evidence=evidence))
    eu = rows(answer, "eu")
    assert eu[("salt", "g")]["evidence"] == "handbook values"
    assert eu[("salt", "g")]["n_tests"] == 0
    assert "salt, calcium" in next(flag.text for flag in answer.flags if flag.code == "label-handbook-values")
    dossier = answer.tables["label_evidence"]
    assert dossier[dossier["nutrient"] == "salt"]["measured"].str.contains("generally established data").any()
    # The claim on calcium cannot be judged, and one composite is proposed for what was never tested.
    verdicts = {row["claim"]: row["verdict"] for row in answer.decisions["claims"]}
    assert verdicts["source of calcium"] == verdicts["low salt"] == "not tested"
    assert [(row["what"], row["how_many"]) for row in answer.decisions["next_tests"]] == [("pot composite", 1)]
    assert "salt" in answer.decisions["next_tests"][0]["why"]


def test_energy_rests_on_its_weakest_part(pot):
    evidence = dict(pot.evidence) | {"carbohydrate": Basis(0, None, "milk tests and mass balance")}
    tests = a_table(
        "milk_tests",
        *[
            {"sample_id": f"m{k}", "sampled_on": "2026-05-01", "source": "bulk", "lactose_g_100g": 4.8, "lab": "L"}
            for k in range(3)
        ],
    )
    answer = decide_labels(a_season(milk_tests=tests), FakePot(pot.draws, evidence=evidence))
    energy = rows(answer, "eu")[("energy", "kJ")]
    assert (energy["evidence"], energy["n_tests"]) == ("milk tests and mass balance", 3)


def test_an_unknown_nitrogen_factor_is_judged_both_ways_and_the_worse_taken():
    # Share of energy near 20 %: with the other factor it would be higher, so the assumed one decides.
    pot = a_pot(draws=200, fat=7.5, protein=5.45, swing_fat=0.2, swing_protein=0.1)
    known = decide_labels(a_season(), pot)
    unsure = FakePot(pot.draws, evidence=pot.evidence | {"protein": Basis(12, date(2026, 5, 1), "pot tests", 4)})
    asked = decide_labels(a_season(), unsure)

    def ok(answer, claim):
        return next(row for row in answer.decisions["claims"] if row["claim"] == claim)

    assert ok(asked, "high protein")["both_factors"]
    assert ok(asked, "high protein")["ok_worst_month"] <= ok(known, "high protein")["ok_worst_month"]
    assert 0.02 < ok(known, "high protein")["ok_worst_month"] < 0.98
    assert not ok(asked, "source of calcium")["both_factors"]
    assert {"label-factor-unknown", "claims-both-factors"} <= set(codes(asked))


def test_the_dossier_leads_from_the_printed_value_to_each_result(pot):
    pot_tests = a_table(
        "pot_tests",
        {
            "sample_id": "p1", "made_on": "2026-04-01", "sampled_on": "2026-04-02", "reported_on": "2026-04-12",
            "pots_in_composite": 6, "fat_g_100g": 6.8, "protein_g_100g": 5.7, "protein_factor": 6.25,
            "calcium_mg_100g": 190.0,
            "lab": "North lab", "method": "reference",
        },
        {"sample_id": "p2", "sampled_on": "2026-05-02", "protein_g_100g": 5.9, "lab": "North lab"},
    )  # fmt: skip
    aside = pd.DataFrame([{"file": "pot_tests.csv", "file_row": 9, "code": "x", "text": "two results under one key"}])
    season = a_season(a_dairy(rules=("eu", "us")), pot_tests=pot_tests)
    season = type(season)(season.dairy, season.tables, set_aside=aside)
    dossier = decide_labels(season, pot).tables["label_evidence"]
    protein = dossier[(dossier["nutrient"] == "protein") & (dossier["rules"] == "eu")].set_index("sample_id")
    # 5.7 as N x 6.25 stays 5.7 under the EU rules; 5.9 without factor is taken as N x 6.38.
    assert protein["as_declared"].to_dict() == pytest.approx({"p1": 5.7, "p2": 5.9 * 6.25 / 6.38})
    assert protein.loc["p2", "why_not"].startswith("used; no nitrogen factor")
    us = dossier[(dossier["nutrient"] == "protein") & (dossier["rules"] == "us")].set_index("sample_id")
    assert us["as_declared"].to_dict() == pytest.approx({"p1": 2 * 5.7 * 6.38 / 6.25, "p2": 2 * 5.9})
    calcium = dossier[(dossier["nutrient"] == "calcium") & (dossier["rules"] == "eu")].iloc[0]
    assert (calcium["lab"], calcium["table"], calcium["file_row"]) == ("North lab", "pot_tests.csv", 2)
    assert "Annex XIII" in calcium["rule_source"]
    last = dossier[dossier["used"] == False]  # noqa: E712 - the column holds texts and truth values
    assert last["why_not"].tolist() == ["two results under one key"]


# --- rulebooks and servings -------------------------------------------------------------------------------------------


def test_a_rulebook_that_needs_a_serving_is_left_out_and_the_others_go_on(pot, tmp_path):
    text = (place("analysis", "label", "rulebooks") / "us_2021-01-01.toml").read_text(encoding="utf-8")
    text = text.replace('name = "us"', 'name = "mine"').replace(
        "reference_amount_g = 170.0, single_serving_below = 2.0, ", ""
    )
    text = text.replace('"reference amount"', '"serving"')
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    season = a_season(a_dairy(rules=("eu", "mine.toml")))
    season = type(season)(season.dairy, season.tables, folder=tmp_path)
    answer = decide_labels(season, pot)
    assert {row["rules"] for row in answer.decisions["label"]} == {"eu"}
    assert "serving_g" in next(flag for flag in answer.flags if flag.code == "serving-missing").sentence()
    served = type(season)(a_dairy(rules=("eu", "mine.toml"), serving_g=150.0), season.tables, folder=tmp_path)
    assert {row["basis"] for row in decide_labels(served, pot).decisions["label"]} == {"100 g", "serving (150 g)"}


def test_an_unknown_rulebook_stops_with_one_line(pot):
    with pytest.raises(CannotDo, match='no rulebook "ue"'):
        decide_labels(a_season(a_dairy(rules=("ue",))), pot)


def test_an_old_month_is_decided_by_the_rulebook_in_force_then():
    season = a_season(a_dairy(rules=("us",), pot_g=400.0))
    old = type(season)(season.dairy, season.tables, month="2018-05")
    then = decide_labels(old, a_pot(draws=30, month="2018-05"))
    now = decide_labels(season, a_pot(draws=30))
    # Below twice 225 g one pot was one serving; at 170 g it no longer is.
    assert {row["basis"] for row in then.decisions["label"]} == {"serving (400 g)"}
    assert {row["basis"] for row in now.decisions["label"]} == {"serving (170 g)"}


# --- values of one's own ----------------------------------------------------------------------------------------------


def test_try_says_how_a_value_would_fare_month_by_month(pot):
    season = a_season()
    tried = try_values(season, pot, "eu", {"fat": 6.5, "protein_g": 5.6, "energy_kj": 430.0})
    label = pd.DataFrame(decide_labels(season, pot).decisions["label"])
    assert set(label.columns) - {"panel_ok_worst_month"} <= set(tried.columns)
    months = [column for column in tried.columns if column[:2] == "20"]
    assert len(months) == 12
    fat = tried.iloc[0]
    assert fat["declared"] == 6.5
    assert fat["ok_worst_month"] == fat[months].min()
    assert fat[months].astype(float).idxmin() == fat["worst_month"]
    assert np.isnan(tried.iloc[2][months].astype(float)).all()
    same = try_values(season, pot, "eu", {"fat": label.set_index("nutrient").loc["fat", "declared"]}).iloc[0]
    assert same["ok_worst_month"] == label.set_index("nutrient").loc["fat", "ok_worst_month"]


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"fibre": 1.0}, 'no single line "fibre"'),
        ({"fat": -1.0}, "cannot be declared"),
        ({"fat": 150.0}, "cannot hold more than 100 g"),
        ({"energy": 430.0}, 'no single line "energy"'),
    ],
)
def test_a_value_that_cannot_be_tried_is_named(pot, values, words):
    with pytest.raises(CannotDo, match=words):
        try_values(a_season(), pot, "eu", values)


def test_a_part_is_not_declared_above_its_whole(pot):
    book = load_rulebook("eu", date(2026, 5, 31))
    panel, _ = decide_panel(cut_into_months(pot), book, a_dairy(), book, 100.0)
    lines = tuple(
        replace(line, choice=replace(line.choice, declared=Decimal("4.2"), cautious=Decimal("4.6")))
        if line.line.key == "sugars"
        else line
        for line in panel.lines
    )
    whole = next(line.choice for line in panel.lines if line.line.key == "carbohydrate")
    found, findings = _consistent(lines, 0.95)
    sugars = next(line.choice for line in found if line.line.key == "sugars")
    assert Decimal("4.2") > whole.declared == sugars.declared
    assert sugars.cautious <= max(whole.cautious, sugars.declared)
    assert [finding.code for finding in findings] == ["label-part-above-whole"]


def test_the_window_table_gives_the_band_that_describes_a_control_result(answer):
    window = answer.tables["label_window"].set_index(["rules", "nutrient"])
    eu = window.loc[("eu", "protein")]
    # Declared 5.6: 5.55 to 5.64, less and plus 2, rounded.
    assert (eu["declared"], eu["control_low"], eu["control_high"]) == (5.6, 3.6, 7.6)
    us = window.loc[("us", "protein")]
    assert us["control_low"] == us["limits_low"] == 0.8 * us["declared"]
