"""What is in the pots: no test, one test, many tests; odd tests; joint draws that hold together."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.pot import NUTRIENTS, fit_pot
from analysis.pot.balance import Lot, pot_of, soft_loss
from analysis.pot.joint import dairy_inputs, milk_moves
from tests.units.pot_fakes import FakeMilk, Truth, made, season, true_milk

MILK = FakeMilk(n=300)
PLACE = {n: i for i, n in enumerate(NUTRIENTS)}


def yearly(fit) -> np.ndarray:
    """Draws (draw, nutrient) of the year's mean."""
    return np.nanmean(fit.draws["pot"].values, axis=1)


def truth_of_the_year(truth: Truth, milk: FakeMilk) -> np.ndarray:
    days = pd.DatetimeIndex(milk.draws["day"].values)
    part, one = true_milk(days), np.ones(len(days))
    pots = pot_of(
        Lot(
            part[:, 0], part[:, 1], part[:, 2], truth.loss * one, truth.acid * one, truth.share * one, truth.salt * one,
            truth.calcium * one, truth.minerals * one, 0.05 * one, 0 * one, 0 * one, 0 * one,
        )
    )  # fmt: skip
    return np.asarray([pots[n].mean() for n in NUTRIENTS])


@pytest.fixture(scope="module")
def untested():
    return fit_pot(season(), MILK)


@pytest.fixture(scope="module")
def tested():
    return fit_pot(season(made(30)), MILK)


def test_without_tests_the_mass_balance_speaks_and_says_so(untested) -> None:
    mean, sd = yearly(untested).mean(axis=0), yearly(untested).std(axis=0)
    # A full-fat sheep pot of 6.7 / 5.5 / 4.8 milk with 4 % lost: fat and protein up by 1 / 0.96, sugars 4.1, acid 1.
    for name, value in {
        "fat": 6.98,
        "protein": 5.73,
        "sugars": 4.10,
        "lactic_acid": 1.0,
        "salt": 0.135,
        "calcium": 198,
    }.items():
        assert mean[PLACE[name]] == pytest.approx(value, rel=0.03), name
    assert sd[PLACE["fat"]] > 0.2
    assert sd[PLACE["calcium"]] > 15
    assert {e.basis for e in untested.evidence.values()} == {"handbook values"}
    assert all(e.n_tests == 0 and e.newest is None for e in untested.evidence.values())


def test_milk_tests_alone_are_named_as_evidence() -> None:
    tables = season().tables
    one = pd.DataFrame({"fat_g_100g": [6.7], "protein_g_100g": [5.5], "lactose_g_100g": [np.nan]})
    fit = fit_pot(season({"milk_tests": tables["milk_tests"].reindex([0]).assign(**one)}), MILK)
    assert fit.evidence["fat"].basis == "milk tests and mass balance"
    assert fit.evidence["total_solids"].basis == "milk tests and mass balance"
    assert fit.evidence["sugars"].basis == "handbook values"
    assert fit.evidence["saturates"].basis == "handbook values"


def test_tests_narrow_what_they_measure(untested, tested) -> None:
    one = fit_pot(season(made(1)), MILK)
    wide, some, narrow = (yearly(f).std(axis=0) for f in (untested, one, tested))
    assert np.all(some < wide)
    assert np.all(narrow < some)
    assert np.all(narrow < 0.35 * wide)
    assert {e.basis for e in tested.evidence.values()} == {"pot tests"}
    assert tested.evidence["fat"].n_tests == 30
    assert tested.evidence["fat"].newest == tested.lots.tests["sampled_on"].max().date()


@pytest.mark.parametrize("how", [{}, {"vat_tests": True}, {"weighed": True}, {"by": "difference"}, {"factor": 6.25}])
def test_known_truth_is_recovered(how: dict) -> None:
    truth = Truth(loss=0.07, acid=0.9, share=0.69, salt=0.11, calcium=175.0, minerals=0.95)
    fit = fit_pot(season(made(40, truth, **how)), MILK)
    off = (truth_of_the_year(truth, MILK) - yearly(fit).mean(axis=0)) / yearly(fit).std(axis=0)
    assert np.all(np.abs(off) < 3.5), dict(zip(NUTRIENTS, off.round(1), strict=True))
    assert np.sqrt(np.mean(off**2)) < 2.0


def test_a_level_error_of_the_milk_model_cancels() -> None:
    # Milk draws half a g of fat too high: the pots know better, and the pots to come follow them.
    high = FakeMilk(n=300, level_sd=(0.4, 0.06, 0.05), level_off=(0.5, 0.0, 0.0))
    fit = fit_pot(season(made(40)), high)
    fat = yearly(fit)[:, PLACE["fat"]]
    assert fat.mean() == pytest.approx(truth_of_the_year(Truth(), high)[PLACE["fat"]], abs=0.12)
    assert fat.std() < 0.10


def test_weighed_vats_sharpen_the_loss() -> None:
    plain, weighed = (fit_pot(season(made(20, weighed=w)), MILK) for w in (False, True))
    spread = [soft_loss(dairy_inputs(f.posterior, f.state)["loss"]).std() for f in (plain, weighed)]
    assert spread[1] < 0.4 * spread[0]


def test_one_wrong_result_is_named_and_drags_nothing(tested) -> None:
    tables = made(30)
    wrong = tables["pot_tests"].copy()
    wrong.loc[12, "fat_g_100g"] = 3.1
    fit = fit_pot(season({**tables, "pot_tests": wrong}), MILK)
    moved = np.abs(yearly(fit).mean(axis=0) - yearly(tested).mean(axis=0)) / yearly(tested).std(axis=0)
    assert moved[PLACE["fat"]] < 1.0
    assert moved.max() < 1.5
    flags = [f for f in fit.answer().flags if f.code == "pot-test-odd"]
    assert [(f.row, f.column, f.value) for f in flags if f.row == 14] == [(14, "fat_g_100g", "3.1")]


def test_another_lab_has_an_offset_of_its_own() -> None:
    tables = made(30)
    tests = tables["pot_tests"].copy()
    second = tests.index >= 20
    tests.loc[second, "lab"] = "Lab B"
    tests.loc[second, "fat_g_100g"] += 0.3
    fit = fit_pot(season({**tables, "pot_tests": tests}), MILK)
    assert fit.reference_lab == "Lab A"
    fat = yearly(fit)[:, PLACE["fat"]]
    without = yearly(fit_pot(season({**tables, "pot_tests": tests[~second]}), MILK))[:, PLACE["fat"]]
    assert abs(fat.mean() - without.mean()) < without.std()
    # The lab last used reads high, and so will its next result.
    first = fit.answer().decisions["pot_forecast"][0]
    assert first["component"] == "fat_g_100g"
    assert (first["one_lo90"] + first["one_hi90"]) / 2 > first["mean"] + 0.15
    named = fit_pot(season({**tables, "pot_tests": tests}, reference_lab="Lab B"), MILK)
    assert named.reference_lab == "Lab B"
    assert yearly(named)[:, PLACE["fat"]].mean() > fat.mean() + 0.15


def test_nutrients_are_drawn_together(tested) -> None:
    lots = tested.draws["pot"].values.reshape(-1, len(NUTRIENTS))
    together = np.corrcoef(lots.T)
    assert together[PLACE["fat"], PLACE["saturates"]] > 0.7
    assert together[PLACE["fat"], PLACE["total_solids"]] > 0.8
    assert together[PLACE["sugars"], PLACE["lactic_acid"]] < -0.3
    assert together[PLACE["sugars"], PLACE["carbohydrate"]] > 0.95


def test_days_of_one_draw_differ_as_lots_do(tested) -> None:
    # One lot a day: after the milk's course is taken out, neighbouring days still differ by their own loss and acid.
    acid = tested.draws["pot"].sel(nutrient="lactic_acid").values
    assert 0.03 < acid.std(axis=1).mean() < 0.2


def test_same_inputs_same_numbers_and_same_index(tested) -> None:
    again = fit_pot(season(made(30)), MILK)
    np.testing.assert_array_equal(again.draws["pot"].values, tested.draws["pot"].values)
    np.testing.assert_array_equal(tested.draws["draw"], MILK.draws["draw"])
    np.testing.assert_array_equal(tested.draws["day"], MILK.draws["day"])
    assert list(tested.draws["nutrient"].values) == list(NUTRIENTS)
    # The same draw of milk stands behind the same draw of pots.
    milk = MILK.draws["milk"].sel(source="bulk", component="fat_g_100g").values
    pots = tested.draws["pot"].sel(nutrient="fat").values
    assert np.corrcoef((milk - milk.mean(axis=0)).ravel(), (pots - pots.mean(axis=0)).ravel())[0, 1] > 0.5


def test_no_milk_no_pot() -> None:
    dry = FakeMilk(n=60, dry=("08", "09"))
    fit = fit_pot(season(made(3)), dry)
    has = np.isfinite(dry.draws["milk"].sel(source="bulk", component="fat_g_100g").values)
    np.testing.assert_array_equal(np.isfinite(fit.draws["pot"].values).all(axis=2), has)
    months = {row["month"] for row in fit.answer().decisions["pot_forecast"]}
    assert len(months) == 10
    assert not any(m.endswith(("-08", "-09")) for m in months)


def test_pots_of_a_dairy_without_any_milk_to_come() -> None:
    none = FakeMilk(n=40, dry=tuple(f"{m:02d}" for m in range(1, 13)))
    fit = fit_pot(season(made(3)), none)
    answer = fit.answer()
    assert answer.decisions["pot_forecast"] == answer.decisions["pot_outlook"] == []
    assert np.isnan(fit.draws["pot"].values).all()


def test_directions_of_the_milk_draws_rebuild_their_covariance() -> None:
    drawn = MILK.on_days(pd.date_range("2025-01-01", periods=12, freq="30D"), ["bulk"] * 12).values
    moves = milk_moves(drawn)
    for i in range(12):
        rebuilt = moves.loadings[i] @ moves.loadings[i].T + moves.rest[i]
        np.testing.assert_allclose(rebuilt, np.cov(drawn[:, i].T, bias=True), rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(moves.factors.T @ moves.factors / len(drawn), np.eye(moves.factors.shape[1]), atol=1e-8)


def test_more_lots_than_draws() -> None:
    few = FakeMilk(n=30)
    fit = fit_pot(season(made(20)), few)
    assert np.isfinite(fit.draws["pot"].values).all()


@settings(max_examples=8, deadline=None)
@given(
    n=st.integers(0, 6),
    seed=st.integers(0, 500),
    blank=st.lists(
        st.sampled_from(["fat", "saturates", "carbohydrate", "sugars", "protein", "salt", "total_solids"]), max_size=6
    ),
    acid=st.floats(0.3, 2.3),
    loss=st.floats(0.0, 0.2),
    noise=st.floats(0.2, 5.0),
)
def test_every_draw_is_a_possible_pot(
    n: int, seed: int, blank: list[str], acid: float, loss: float, noise: float
) -> None:
    milk = FakeMilk(n=40)
    measured = [m for m in NUTRIENTS if m not in blank]
    tables = made(n, replace(Truth(), acid=acid, loss=loss), seed=seed, noise=noise, measured=measured) if n else None
    pot = fit_pot(season(tables), milk).draws["pot"]
    assert np.isfinite(pot.values).all()
    assert (pot.values > 0).all()
    at = {name: pot.sel(nutrient=name).values for name in NUTRIENTS}
    assert (at["saturates"] < at["fat"]).all()
    assert (at["sugars"] <= at["carbohydrate"]).all()
    assert (at["fat"] + at["protein"] + at["carbohydrate"] + at["lactic_acid"] < at["total_solids"]).all()
