"""The choice of a value: against brute force over everything that can be declared, and by its own laws."""

from dataclasses import replace
from datetime import date
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.label import load_rulebook
from analysis.label.outlook import LineOutlook, ReadingLaw, cut_into_months, line_outlook
from analysis.label.rulebook import Allowed, Line
from analysis.label.values import Curve, choose, curve_of, limits_for, nearest_index
from tests.units.label_pots import a_pot

DAY = date(2026, 5, 31)
BOOKS = {name: load_rulebook(name, DAY) for name in ("eu", "gb", "us", "codex")}
LINES = [(name, line.key) for name, book in BOOKS.items() for line in book.lines]
BOUNDED = [(name, key) for name, key in LINES if BOOKS[name].line(key).has_tolerance]

amounts = st.floats(0, 60, allow_nan=False) | st.sampled_from(
    [0.0, 0.5, 0.1, 0.0125, 1.0, 1.25, 4.0, 5.0, 9.95, 10.0, 40.0, 50.0]
)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(LINES), amounts, amounts)
def test_rounding_is_idempotent_and_monotone(which, one, other):
    rounding = BOOKS[which[0]].line(which[1]).rounding
    assert rounding(rounding(one)) == rounding(one)
    low, high = sorted((one, other))
    assert rounding(low) <= rounding(high)
    declared = rounding(one)
    # Significant figures go on for ever below 1; nobody declares those, and they are not searched.
    assert declared in rounding.values(float(declared)) or 0 < declared < 1


@st.composite
def laws(draw) -> ReadingLaw:
    """Months whose true value moves, with lots that differ and a control sample's error."""
    middle = draw(st.floats(2.0, 12.0))
    swing = draw(st.floats(0.0, 2.5))
    sd = draw(st.floats(0.02, 0.6))
    months = draw(st.integers(1, 12))
    centres = middle + np.linspace(-3, 3, 25)
    place = middle + swing * np.sin(2 * np.pi * (np.arange(months) + draw(st.integers(0, 11))) / 12)
    weights = np.exp(-0.5 * ((centres[None, :] - place[:, None]) / draw(st.floats(0.1, 0.8))) ** 2) + 1e-12
    keep = centres > 0.2
    return ReadingLaw(centres[keep], weights[:, keep] / weights[:, keep].sum(axis=1, keepdims=True), sd)


def outlook_of(line: Line, law: ReadingLaw) -> LineOutlook:
    return LineOutlook(line, {"fat": 1.0}, np.full(8, law.means.mean()), law)


def brute_force(line: Line, law: ReadingLaw, average: float, wanted: float) -> tuple[Decimal, Decimal, Decimal] | None:
    """Every value from 0 to 100 in the finest steps of the rulebook, one by one; limits by hand."""
    holding = []
    values = [Decimal(k) / 10 for k in range(1001)]
    values = [value for value in values if line.rounding(value) == value]
    worst = {}
    for value in values:
        limits = line.limits(value)
        low = -np.inf if limits.low is None else float(limits.low)
        high = np.inf if limits.high is None else float(limits.high)
        worst[value] = float(law.within(np.array([low]), np.array([high])).min())
        if worst[value] >= wanted - 1e-9:
            holding.append(value)
    if not holding:
        return None
    sign = 1 if line.safe_end == "high" else -1
    best = min(holding, key=lambda value: (round(abs(float(value) - average), 9), -sign * value))
    first = last = values.index(best)
    while first > 0 and values[first - 1] in holding:
        first -= 1
    while last + 1 < len(values) and values[last + 1] in holding:
        last += 1
    rounded = line.rounding(average)
    return (rounded if rounded in holding else best), values[first], values[last]


@settings(max_examples=40, deadline=None)
@given(
    laws(),
    st.sampled_from(["fat", "protein", "saturates", "sugars"]),
    st.sampled_from(["eu", "us"]),
    st.floats(0.5, 0.99),
)
def test_choice_and_window_equal_brute_force(law, key, rules, wanted):
    line = BOOKS[rules].line(key)
    own = outlook_of(line, law)
    found = choose(line, curve_of(own, ()), own.expected, own.safe_end, wanted)
    expected = brute_force(line, law, own.expected, wanted)
    if expected is None:
        assert found.window is None
        assert found.cautious is None
        assert found.declared == line.rounding(own.expected)
    else:
        assert (found.declared, *found.window) == expected


@settings(max_examples=40, deadline=None)
@given(laws(), st.sampled_from(["fat", "protein", "salt"]), st.floats(0.6, 0.99))
def test_window_edges_are_tight_and_everything_inside_holds(law, key, wanted):
    line = BOOKS["eu"].line(key)
    own = outlook_of(line, law)
    curve = curve_of(own, ())
    choice = choose(line, curve, own.expected, own.safe_end, wanted)
    if choice.window is None:
        assert not curve.holds(wanted).any()
        return
    first, last = (curve.position[end] for end in choice.window)
    assert curve.holds(wanted)[first : last + 1].all()
    assert first == 0 or curve.worst[first - 1] < wanted
    assert last == len(curve.values) - 1 or curve.worst[last + 1] < wanted
    assert choice.window[0] <= choice.declared <= choice.window[1]
    assert curve.worst[curve.position[choice.cautious]] >= wanted - 1e-9


@settings(max_examples=40, deadline=None)
@given(laws(), st.sampled_from(BOUNDED), st.floats(0.01, 3.0), st.floats(0.6, 0.99))
def test_a_wider_tolerance_lowers_no_probability_and_shrinks_no_window(law, which, more, wanted):
    line = BOOKS[which[0]].line(which[1])

    def widened(side: Allowed | None) -> Allowed | None:
        if side is None:
            return None
        if side.amount is not None:
            return Allowed(amount=side.amount + Decimal(repr(more)))
        return Allowed(percent=min(side.percent * Decimal(repr(1 + more)), Decimal(100)))

    wide = replace(
        line,
        tolerance=tuple(replace(band, minus=widened(band.minus), plus=widened(band.plus)) for band in line.tolerance),
    )
    narrow_curve, wide_curve = curve_of(outlook_of(line, law), ()), curve_of(outlook_of(wide, law), ())
    for value in narrow_curve.values[::7]:
        if value in wide_curve.position:
            narrow = narrow_curve.ok[narrow_curve.position[value]]
            assert (wide_curve.ok[wide_curve.position[value]] >= narrow - 1e-9).all()
    average = float(law.means.mean())
    held = choose(line, narrow_curve, average, average, wanted).window
    if held is not None:
        wide_held = choose(wide, wide_curve, average, average, wanted).window
        assert wide_held[0] <= held[0]
        assert held[1] <= wide_held[1]


@settings(max_examples=30, deadline=None)
@given(st.floats(3, 9), st.floats(0.05, 0.5), st.floats(1.05, 4.0))
def test_more_spread_never_raises_the_probability_of_a_centred_value(middle, sd, times):
    line = BOOKS["eu"].line("fat")
    declared = line.rounding(middle)
    limits = line.limits(declared)
    centre = np.array([float(limits.low + limits.high) / 2])
    ends = np.array([float(limits.low)]), np.array([float(limits.high)])
    one = ReadingLaw(centre, np.ones((1, 1)), sd).within(*ends)
    more = ReadingLaw(centre, np.ones((1, 1)), sd * times).within(*ends)
    assert more[0, 0] <= one[0, 0] + 1e-12


@pytest.mark.parametrize("key", ["fat", "protein", "energy_kj", "salt"])
def test_the_law_of_a_reading_is_that_of_simulated_control_samples(key):
    """Every draw and milk day of a month, equally likely within a draw, plus the composite's error, simulated."""
    pot = a_pot(draws=120, dry=(2, 3), seed=8)
    outlook, book = cut_into_months(pot), BOOKS["eu"]
    own = line_outlook(outlook, book, book.line(key), 100.0)
    rng = np.random.default_rng(3)
    months = pot.draws["day"].values.astype("datetime64[M]").astype(str)
    factors = {"fat": 37, "carbohydrate": 17, "protein": 17 * 6.25 / 6.38, "lactic_acid": 13}
    parts = {"fat": {"fat": 1}, "protein": {"protein": 6.25 / 6.38}, "salt": {"salt": 1}, "energy_kj": factors}[key]
    for place, month in enumerate(outlook.months):
        true = pot.draws["pot"].sel(day=months == month)
        total, noise = 0.0, 0.0
        for name, weight in parts.items():
            one = pot.control[name]
            total = total + weight * true.sel(nutrient=name).values.ravel()
            sds = (one.pot_to_pot_sd / np.sqrt(6), one.repeat_sd, one.between_lab_sd)
            noise = noise + weight * sum(rng.normal(0, sd, (40, total.size)) for sd in sds)
        readings = (total[None, :] + noise).ravel()
        points = np.quantile(readings, [0.02, 0.1, 0.5, 0.9, 0.98])
        said = own.law.below(points)[place]
        assert said == pytest.approx([0.02, 0.1, 0.5, 0.9, 0.98], abs=0.006), month
    assert outlook.months == tuple(sorted(set(months) - {"2027-02", "2027-03"}))


def test_average_is_weighted_by_production():
    pot = a_pot(draws=50, swing_fat=1.5, level_sd=0.0, day_sd=0.0)
    outlook = cut_into_months(pot)
    own = line_outlook(outlook, BOOKS["eu"], BOOKS["eu"].line("fat"), 100.0)
    fat, kg = pot.draws["pot"].sel(nutrient="fat").values, pot.draws["kg"].values
    assert own.expected == pytest.approx((fat * kg).sum() / kg.sum())
    assert own.expected > fat.mean() + 0.05  # more milk in the months of rich milk


def test_cautious_value_lies_at_the_safe_end_of_the_average():
    pot = a_pot(draws=400, level_sd=0.3, swing_fat=0.1, swing_protein=0.05)
    outlook = cut_into_months(pot)
    for key, safe in (("fat", 0.95), ("protein", 0.05), ("salt", 0.95), ("calcium", 0.05)):
        line = BOOKS["eu"].line(key)
        own = line_outlook(outlook, BOOKS["eu"], line, 100.0)
        choice = choose(line, curve_of(own, ()), own.expected, own.safe_end, 0.95)
        assert choice.cautious == line.rounding(float(np.quantile(own.average, safe)))
        assert (choice.cautious > choice.declared) == (safe > 0.5)


def test_cautious_value_comes_back_as_far_as_it_must_to_hold():
    pot = a_pot(draws=400, level_sd=0.35, swing_fat=0.5)
    outlook = cut_into_months(pot)
    line = BOOKS["eu"].line("fat")
    own = line_outlook(outlook, BOOKS["eu"], line, 100.0)
    curve = curve_of(own, ())
    choice = choose(line, curve, own.expected, own.safe_end, 0.95)
    safe = line.rounding(own.safe_end)
    assert choice.declared < choice.cautious < safe
    after = curve.values[curve.position[choice.cautious] + 1]
    assert curve.worst[curve.position[after]] < 0.95 <= curve.worst[curve.position[choice.cautious]]


def test_a_departure_is_the_nearest_value_that_holds():
    # Ten rich months and two poor ones: the average leaves the poor ones out of the band.
    centres = np.linspace(4, 9, 51)
    weights = np.zeros((12, 51))
    weights[:10, 30] = 1.0  # 7.0
    weights[10:, 12] = 1.0  # 5.2
    law = ReadingLaw(centres, weights, 0.15)
    line = BOOKS["eu"].line("fat")
    own = outlook_of(line, law)
    choice = choose(line, curve_of(own, ()), own.expected, own.safe_end, 0.95)
    assert line.rounding(own.expected) == Decimal("6.7")
    assert choice.declared == Decimal("6.4")  # 4.9 + 0.25 <= 5.2, 1.65 sd of 0.15 above the lower limit
    assert choice.departs == Decimal("-0.3")
    worst = curve_of(own, ()).worst
    assert worst[curve_of(own, ()).position[Decimal("6.5")]] < 0.95


def test_without_tolerance_the_rounded_average_is_declared():
    law = ReadingLaw(np.array([6.94]), np.ones((3, 1)), 0.1)
    line = BOOKS["codex"].line("fat")
    own = outlook_of(line, law)
    choice = choose(line, None, own.expected, own.safe_end, 0.95)
    assert (choice.declared, choice.window) == (Decimal("6.9"), None)


def test_one_sided_rules_are_open_at_the_harmless_end():
    law = ReadingLaw(np.array([14.0]), np.ones((2, 1)), 0.2)
    fat, protein = BOOKS["us"].line("fat"), BOOKS["us"].line("protein")
    upward = choose(fat, curve_of(outlook_of(fat, law), ()), 14.0, 14.3, 0.95, 200.0)
    downward = choose(protein, curve_of(outlook_of(protein, law), ()), 14.0, 13.7, 0.95, 200.0)
    assert upward.window == (Decimal(12), Decimal(200))  # 12 x 1.2 = 14.4 is the first that 14.0 +- 0.2 stays below
    assert downward.window == (Decimal(0), Decimal(17))  # 17 x 0.8 = 13.6


def test_limits_are_plain_without_a_claim():
    line = BOOKS["eu"].line("fat")
    assert limits_for(line, Decimal("6.4")) == line.limits(6.4)


def test_of_two_values_as_near_the_safe_one_is_taken():
    curve = Curve((Decimal("6.4"), Decimal("6.5"), Decimal("6.6")), np.ones((3, 1)))
    outer = np.array([True, False, True])
    assert nearest_index(curve, 6.5, outer, "high") == 2
    assert nearest_index(curve, 6.5, outer, "low") == 0
    assert nearest_index(curve, 6.5, np.zeros(3, dtype=bool), "low") is None
