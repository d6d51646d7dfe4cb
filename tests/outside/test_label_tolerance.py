"""Tolerance of control samples at every border, against the published tables and worked examples.

GUIDE: European Commission, guidance on tolerances for nutrient values declared on a label, December 2012, Table 1; the
sodium and salt rows are from memory and marked so in the rulebook.
CFR: US Code of Federal Regulations, Title 21, 101.9(g).
"""

from datetime import date

import numpy as np
import pytest

from analysis.label import load_rulebook
from analysis.label.composites import predicted_value
from analysis.label.outlook import ReadingLaw
from analysis.label.rulebook import Limits

DAY = date(2026, 5, 31)


def numbers(limits: Limits) -> tuple[float | None, float | None]:
    return tuple(None if end is None else float(end) for end in (limits.low, limits.high))


# line, declared, lowest and highest reading within tolerance: just below, on and above each border of Table 1
GUIDE_TABLE_1 = [
    ("fat", 6.4, 4.9, 7.9), ("fat", 9.9, 8.4, 11.4), ("fat", 10, 8.0, 12.0), ("fat", 11, 8.8, 13.2),
    ("fat", 40, 32, 48),
    ("fat", 41, 33, 49), ("fat", 1.0, 0, 2.5),
    ("protein", 5.8, 3.8, 7.8), ("protein", 9.9, 7.9, 11.9), ("protein", 10, 8, 12), ("protein", 40, 32, 48),
    ("protein", 41, 33, 49), ("protein", 1.5, 0, 3.5),
    ("sugars", 4.4, 2.4, 6.4), ("sugars", 9.9, 7.9, 11.9), ("sugars", 10, 8, 12), ("sugars", 41, 33, 49),
    ("carbohydrate", 4.4, 2.4, 6.4), ("carbohydrate", 10, 8, 12), ("carbohydrate", 40, 32, 48),
    ("carbohydrate", 41, 33, 49),
    ("saturates", 3.9, 3.1, 4.7), ("saturates", 4.0, 3.2, 4.8), ("saturates", 4.3, 3.44, 5.16),
    ("saturates", 0.5, 0, 1.3),
    ("salt", 0.13, 0, 0.505), ("salt", 1.24, 0.865, 1.615), ("salt", 1.25, 1.0, 1.5), ("salt", 2.0, 1.6, 2.4),
    ("calcium", 170, 110.5, 246.5),
]  # fmt: skip


@pytest.mark.parametrize("rules", ["eu", "gb"])
@pytest.mark.parametrize(("line", "declared", "low", "high"), GUIDE_TABLE_1)
def test_plain_bands_of_the_guidance(rules, line, declared, low, high):
    limits = load_rulebook(rules, DAY).line(line).limits(declared)
    assert numbers(limits) == (low, high)
    step = 1e-6
    assert limits.hold(low)
    assert limits.hold(high)
    assert not limits.hold(high + step)
    assert low == 0 or not limits.hold(low - step)


# French regional sheet and Italian Ministry of Health guideline (2016) on the guidance: protein 6.4 -> 4.35 and 8.44 ->
# 4.4 to 8.4. The others follow by the same three steps.
THREE_STEPS = [
    ("protein", 6.4, 4.4, 8.4), ("protein", 5.8, 3.8, 7.8), ("fat", 6.4, 4.9, 7.9), ("fat", 10, 7.6, 12),
    ("saturates", 4.3, 3.4, 5.2),
]  # fmt: skip


@pytest.mark.parametrize(("line", "declared", "low", "high"), THREE_STEPS)
def test_three_step_band_of_the_guidance(line, declared, low, high):
    assert numbers(load_rulebook("eu", DAY).line(line).three_step_limits(declared)) == (low, high)


def test_interval_of_a_declared_value_as_the_guidance_writes_it():
    # GUIDE: 6.4 stands for 6.35 to 6.44, 12 for 11.5 to 12.4.
    rounding = load_rulebook("eu", DAY).line("protein").rounding
    assert [float(end) for end in rounding.interval(rounding(6.4))] == [6.35, 6.44]
    assert [float(end) for end in rounding.interval(rounding(12))] == [11.5, 12.4]


# CFR 101.9(g)(4)(ii): naturally occurring protein, carbohydrate, calcium at least 80 % of the label; (g)(5): the third
# group not above 120 %. Label of 170 g: fat 11, saturates 7, 170 kcal, sodium 85 mg, protein 10, calcium 290,
# carbohydrate 7.
CFR_101_9_G = [
    ("fat", 11, None, 13.2), ("saturates", 7, None, 8.4), ("energy", 170, None, 204), ("sodium", 85, None, 102),
    ("sugars", 7, None, 8.4), ("protein", 10, 8, None), ("calcium", 290, 232, None), ("carbohydrate", 7, 5.6, None),
]  # fmt: skip


@pytest.mark.parametrize(("line", "declared", "low", "high"), CFR_101_9_G)
def test_one_sided_limits_of_the_united_states(line, declared, low, high):
    limits = load_rulebook("us", DAY).line(line).limits(declared)
    assert numbers(limits) == (low, high)
    assert load_rulebook("us", DAY).control_pots == 12  # (g)(2)
    border, outside = (low, low - 1e-6) if low is not None else (high, high + 1e-6)
    assert limits.hold(border)
    assert not limits.hold(outside)


def test_codex_gives_no_tolerance():
    # CXG 2-1985 section 3.5: principles, no percentages.
    assert not any(line.has_tolerance for line in load_rulebook("codex", DAY).lines)


def test_conformity_probability_of_jcgm_106():
    """JCGM 106:2012, 7.4, example: measured 13.6, standard uncertainty 1.8, limits 12.5 and 16.3: probability 0.66."""
    law = ReadingLaw(np.array([13.6]), np.array([[1.0]]), 1.8)
    assert law.within(np.array([12.5]), np.array([16.3]))[0, 0] == pytest.approx(0.66, abs=0.005)


def test_worked_protein_case_of_the_fda_data_base_manual():
    """FDA, Guide for Developing and Using Data Bases for Nutrition Labeling (1998), chapter II section 5, broccoli."""
    value = predicted_value(4.6003, 0.6165770, 12, 12 / 12, 0.8)
    assert value == pytest.approx(4.30964, abs=2e-3)
    assert str(load_rulebook("us", DAY).line("protein").rounding(value)) == "4"


def test_other_cases_of_the_same_formula():
    # Own arithmetic from the formula (20 single units, t = 1.729): protein 11.6937, and fat of the third group 9.85584.
    assert predicted_value(9.86, 0.80, 20, 1 / 12, 0.8) == pytest.approx(11.6937, abs=1e-3)
    assert predicted_value(10.88, 1.5, 20, 1 / 12, 1.2) == pytest.approx(9.85584, abs=1e-3)
    with pytest.raises(ValueError, match="at least 2"):
        predicted_value(5.0, 1.0, 1, 1.0, 0.8)


# GUIDE Table 3 and section 5.1-5.4: where a claim stands on the pot.
def test_a_claim_tightens_the_side_that_would_deceive():
    from decimal import Decimal

    calcium = load_rulebook("eu", DAY).line("calcium")
    # 400 mg: the ordinary band (260 to 580) does not reach 120, so it stays.
    assert numbers(calcium.claimed_limits(400, "presence", Decimal(120))) == (260.0, 580.0)
    # 170 mg: the ordinary band (110.5 to 246.5) overlaps 120: the lower limit is the threshold less the uncertainty.
    assert numbers(calcium.claimed_limits(170, "presence", Decimal(120))) == (pytest.approx(110.5), 246.5)
    low, high = numbers(calcium.claimed_limits(140, "presence", Decimal(120)))
    assert (low, high) == (108.0, 203.0)  # 10 % of 120 below 120, where the plain band began at 91
    # Declared at the threshold: Table 3, + 45 % on the harmless side, the uncertainty on the other.
    assert numbers(calcium.claimed_limits(120, "presence", Decimal(120))) == (108.0, 174.0)
    sugars = load_rulebook("eu", DAY).line("sugars")
    # Low sugars, 4.4 g declared: plain 2.4 to 6.4; above the threshold of 5 only the uncertainty of 0.25 is left.
    assert numbers(sugars.claimed_limits(4.4, "absence", Decimal(5))) == (2.4, 5.25)
    # At the threshold: - 4 g on the harmless side (Table 3, from memory).
    assert numbers(sugars.claimed_limits(5.0, "absence", Decimal(5))) == (1.0, 5.25)
