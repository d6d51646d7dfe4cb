"""The worth of the next test: the update against conjugate algebra and simulation, and its laws."""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pytest
import xarray as xr

from analysis.label import decide_labels, load_rulebook
from analysis.label.next_tests import (
    Watched,
    after_test,
    month_means,
    plans,
    sampling_sheet,
    watch_claims,
    watch_lines,
    worth_buying,
)
from analysis.label.outlook import cut_into_months
from analysis.label.panel import decide_panel
from tests.units.label_pots import FakePot, PotLabel, a_dairy, a_pot, a_season

DAY = date(2026, 5, 31)
COSTS = {"milk_test": 12.0, "pot_composite": 140.0, "print_run": 420.0, "failed_label": 3000.0}


def panel_of(pot, dairy):
    book = load_rulebook("eu", DAY)
    return decide_panel(cut_into_months(pot), book, dairy, book, 100.0)[0]


@dataclass(frozen=True)
class FakeMilk:
    """Milk that is the pot's fat and protein, thinner by a share that each draw has of its own."""

    draws: xr.Dataset
    result_error: dict[str, float]


def milk_of(pot, share_sd=0.01) -> FakeMilk:
    rng = np.random.default_rng(9)
    share = 0.96 + rng.normal(0, share_sd, (pot.draws.sizes["draw"], 1, 1))
    fat = pot.draws["pot"].sel(nutrient=["fat", "protein", "sugars"]).values * share
    milk = np.stack([fat, fat], axis=2)
    data = xr.Dataset(
        {
            "milk": (("draw", "day", "source", "component"), milk),
            "kg": (("draw", "day", "source"), np.stack([pot.draws["kg"].values] * 2, axis=2)),
        },
        coords={
            "draw": pot.draws["draw"],
            "day": pot.draws["day"],
            "source": ["north", "bulk"],
            "component": ["fat_g_100g", "protein_g_100g", "lactose_g_100g"],
        },
    )
    return FakeMilk(data, {"fat_g_100g": 0.12, "protein_g_100g": 0.08, "lactose_g_100g": 0.08})


def one_level(level_sd: float, test_sd: float, n_draws: int = 20000) -> tuple[Watched, tuple[np.ndarray, float, float]]:
    """One month whose mean is unknown; a test of it."""
    level = 7.0 + level_sd * np.random.default_rng(2).standard_normal(n_draws)
    level = 7.0 + (level - level.mean()) / level.std() * level_sd
    own = Watched(
        name="fat", means=level[:, None], within=np.zeros(1), error=0.04, low=np.array([6.5]),
        high=np.array([7.5]), now=0,
        stands=True, test_error=(test_sd**2, 0.0), milk_component=None, is_claim=False,
    )  # fmt: skip
    return own, (level, test_sd**2, 0.0)


def test_the_update_is_that_of_the_conjugate_normal_model():
    # Prior N(7, 0.3^2), a test with sd 0.15: posterior variance 0.3^2 0.15^2 / (0.3^2 + 0.15^2), reading adds 0.2^2.
    from scipy.stats import norm

    own, news = one_level(0.3, 0.15)
    after = after_test(own, news, 1, np.array([1.3]))[0, 0, 0]
    predicted = np.sqrt(0.3**2 + 0.15**2)
    mean = 7.0 + 0.3**2 / predicted**2 * (1.3 * predicted)
    sd = np.sqrt(0.3**2 * 0.15**2 / predicted**2 + 0.04)
    assert after == pytest.approx(norm.cdf(7.5, mean, sd) - norm.cdf(6.5, mean, sd), abs=1e-9)


def test_four_tests_count_as_one_four_times_as_precise():
    own, news = one_level(0.3, 0.2)
    _, finer = one_level(0.3, 0.1)
    score = np.linspace(-2, 2, 5)
    assert after_test(own, news, 4, score) == pytest.approx(after_test(own, finer, 1, score))


def test_before_it_is_made_a_test_leaves_the_probability_as_it_is_on_average():
    own, news = one_level(0.3, 0.15)
    score = np.random.default_rng(0).standard_normal(40000)
    now = after_test(own, None, 1, np.zeros(1))[0, 0, 0]
    assert after_test(own, news, 1, score).mean() == pytest.approx(now, abs=0.004)


def test_month_means_are_plain_means_over_milk_days():
    pot = a_pot(draws=20, dry=(2,))
    outlook = cut_into_months(pot)
    means, within = month_means(outlook, outlook.true_values({"fat": 1.0}))
    months = pot.draws["day"].values.astype("datetime64[M]").astype(str)
    june = pot.draws["pot"].sel(nutrient="fat", day=months == "2026-06").values
    assert means[:, 0] == pytest.approx(june.mean(axis=1))
    assert within[0] == pytest.approx(june.var(axis=1).mean())
    assert means.shape == (20, 11)


def test_more_tests_are_worth_more_and_nothing_is_worth_less_than_nothing():
    dairy = a_dairy(costs=COSTS)
    pot = a_pot(draws=300, level_sd=0.5, swing_fat=0.9)
    panel = panel_of(pot, dairy)
    found = plans(panel, watch_lines(panel), milk_of(pot), dairy, 1)
    assert {(plan.what, plan.source) for plan in found} == {
        ("pot composite", "pots"),
        ("milk test", "north"),
        ("milk test", "bulk"),
    }
    assert all(plan.drop >= 0 and plan.worth >= 0 for plan in found)
    for plan in found:
        more = [
            other for other in found if (other.month, other.what, other.source) == (plan.month, plan.what, plan.source)
        ]
        drops = [other.drop for other in sorted(more, key=lambda other: other.how_many)]
        assert drops == sorted(drops)
    by_count = {plan.how_many: plan for plan in found if plan.what == "pot composite" and plan.month == 0}
    assert by_count[1].cost == 140.0
    assert by_count[4].cost == 560.0
    assert by_count[1].drop > 0.01


def test_a_milk_test_says_less_the_less_the_pot_follows_the_milk():
    dairy = a_dairy(costs=COSTS)
    pot = a_pot(draws=400, level_sd=0.5, swing_fat=0.9)
    panel = panel_of(pot, dairy)
    watched = [own for own in watch_lines(panel) if own.name == "fat"]

    def drop(share_sd):
        found = plans(panel, watched, milk_of(pot, share_sd), dairy, 1)
        return next(plan.drop for plan in found if plan.source == "bulk")

    assert drop(0.001) > drop(0.2) >= 0


def test_where_everything_is_known_no_test_is_worth_buying():
    for costs in ({}, COSTS):
        pot = a_pot(draws=150, level_sd=0.02, swing_fat=0.2, swing_protein=0.1)
        answer = decide_labels(a_season(a_dairy(costs=costs, label=PotLabel({"fat_g": 6.9}))), pot)
        assert answer.decisions["next_tests"] == []
        assert "no-test-worth-buying" in [flag.code for flag in answer.flags]
        assert answer.tables["sampling_sheet"].empty
        assert not answer.tables["next_tests_considered"]["chosen"].any()


def test_where_much_is_at_stake_a_test_is_proposed_with_its_price_and_a_sheet():
    pot = a_pot(draws=300, level_sd=0.5, swing_fat=0.9)
    answer = decide_labels(a_season(a_dairy(costs=COSTS, label=PotLabel({"fat_g": 6.6}))), pot)
    row = answer.decisions["next_tests"][0]
    assert row["worth"] > row["cost"] == 140.0 * row["how_many"]
    assert "worth about" in row["why"]
    sheet = answer.tables["sampling_sheet"]
    assert len(sheet) == row["how_many"]
    assert sheet["how"].str.contains("6 whole pots").all()
    assert answer.tables["next_tests_considered"]["chosen"].sum() == 1
    assert "milk-tests-not-weighed" in [flag.code for flag in answer.flags]


def test_the_price_decides():
    pot = a_pot(draws=200, level_sd=0.5, swing_fat=0.9)
    dear = COSTS | {"pot_composite": 1e6}
    assert decide_labels(a_season(a_dairy(costs=dear)), pot).decisions["next_tests"] == []


def test_the_milk_of_the_pot_is_weighed_where_it_is_at_hand():
    @dataclass(frozen=True)
    class WithMilk(FakePot):
        milk: FakeMilk | None = None

    pot = a_pot(draws=200, level_sd=0.5, swing_fat=0.9)
    both = WithMilk(pot.draws, milk=milk_of(pot))
    answer = decide_labels(a_season(a_dairy(costs=COSTS)), both)
    considered = answer.tables["next_tests_considered"]
    assert set(considered["source"]) == {"pots", "north", "bulk"}
    assert "milk-tests-not-weighed" not in [flag.code for flag in answer.flags]
    # A milk test costs 12 and tells nearly as much as a composite at 140.
    assert answer.decisions["next_tests"][0]["what"] == "milk test"
    sheet = sampling_sheet(answer.decisions["next_tests"], a_dairy())
    assert sheet["source"].isin(["North", "the mixed vat milk"]).all()


def test_a_test_can_turn_a_claim_that_hangs_in_the_balance():
    pot = a_pot(draws=300, fat=7.3, protein=5.6, swing_fat=0.1, swing_protein=0.05, level_sd=0.3)
    dairy = a_dairy(label=PotLabel({"fat_g": 7.3}, ("high protein",)))
    panel = panel_of(pot, dairy)
    claims = watch_claims(panel, {"high protein": np.full(12, 0.8)})
    assert [own.name for own in claims] == ["high protein"]
    found = plans(panel, claims, None, dairy, 1)
    assert found[0].moves['the claim "high protein"'] > 0.1
    assert worth_buying(found) is not None
    assert worth_buying([replace(plan, moves={}, drop=0.0) for plan in found]) is None
