"""Seasonal labels: the search against plain brute force, and several lines at once."""

from dataclasses import replace
from datetime import date
from itertools import combinations

import numpy as np
import pytest

from analysis.label import load_rulebook
from analysis.label.outlook import cut_into_months
from analysis.label.panel import decide_panel
from analysis.label.samples import draw_samples, panel_ok
from analysis.label.seasonal import best_sets, label_sets
from tests.units.label_pots import a_dairy, a_pot

DAY = date(2026, 5, 31)


def panel_for(pot, rules="eu", wanted=0.95):
    dairy = a_dairy(rules=(rules,), label_ok=wanted)
    book = load_rulebook(rules, DAY)
    return decide_panel(cut_into_months(pot), book, dairy, book, book.serving_g(200.0, None))[0]


def brute_force(panel, labels: int) -> float:
    """Every way to give months to so many runs round the year; every line's value by its definition, one by one."""
    n = len(panel.outlook.months)
    kg = panel.outlook.month_kg
    best = -1.0
    for starts in combinations(range(n), labels):
        lowest = 1.0
        for position, start in enumerate(starts):
            end = starts[(position + 1) % labels]
            months = []
            month = start
            while True:
                months.append(month)
                month = (month + 1) % n
                if month == end:
                    break
            for line in panel.bounded:
                average = sum(kg[m] * line.outlook.law.means[m] for m in months) / sum(kg[m] for m in months)
                rounded = line.line.rounding(average)
                worst = [min(row[m] for m in months) for row in line.curve.ok]
                by_value = dict(zip(line.curve.values, worst, strict=True))
                if by_value.get(rounded, 0.0) >= panel.wanted:
                    lowest = min(lowest, by_value[rounded])
                    continue
                holding = [value for value, ok in by_value.items() if ok >= panel.wanted]
                if not holding:
                    lowest = min(lowest, max(worst))
                    continue
                sign = 1 if line.line.safe_end == "high" else -1
                nearest = min(holding, key=lambda v, a=average, s=sign: (round(abs(float(v) - a), 9), -s * v))
                lowest = min(lowest, by_value[nearest])
        best = max(best, lowest)
    return best


@pytest.mark.parametrize(
    ("swing", "dry", "rules"),
    [(1.6, (1, 2, 3, 8, 9, 10, 11), "eu"), (2.4, (6, 7, 8, 9, 10, 11), "eu"), (1.5, (1, 2, 3, 4, 5, 6), "us")],
)
def test_the_best_sets_are_those_of_brute_force(swing, dry, rules):
    panel = panel_for(a_pot(draws=60, swing_fat=swing, swing_protein=0.2, dry=dry, seed=3), rules)
    panel = replace(panel, printed=frozenset({"fat", "protein"}))
    for found in list(best_sets(panel))[1:4]:
        assert found.ok == pytest.approx(brute_force(panel, len(found.arcs)), abs=1e-6)
        covered = sorted(month for arc in found.arcs for month in arc.months)
        assert covered == list(range(len(panel.outlook.months)))


def test_rows_go_from_one_label_to_the_fewest_that_hold_and_one_more():
    panel = panel_for(a_pot(draws=150, swing_fat=1.9, level_sd=0.1, day_sd=0.08))
    samples = draw_samples(panel.outlook, np.random.default_rng(4))
    rows = label_sets(panel, samples)
    counts = [row["labels"] for row in rows]
    enough = [row["labels"] for row in rows if row["meets_risk"]]
    assert counts[0] == 1
    assert not rows[0]["meets_risk"]
    assert enough[0] == counts[-2]
    assert counts[-1] == counts[-2] + 1
    first = rows[0]["declared"][0]
    assert first == {
        line.line.key: float(line.choice.declared) for line in panel.lines if line.line.key in panel.printed
    }
    for row in rows:
        assert len(row["from_month"]) == len(row["declared"]) == row["labels"]
        assert row["from_month"] == sorted(row["from_month"])
        assert row["panel_ok_worst_month"] <= row["ok_worst_month"]
        assert {"energy_kj", "energy_kcal", "fat", "protein"} <= set(row["declared"][0])
    rich, poor = (
        max(label["fat"] for label in rows[1]["declared"]),
        min(label["fat"] for label in rows[1]["declared"]),
    )
    assert poor < first["fat"] < rich


def test_where_one_label_holds_a_second_brings_little():
    panel = panel_for(a_pot(draws=100, swing_fat=0.2, swing_protein=0.1))
    rows = label_sets(panel, draw_samples(panel.outlook, np.random.default_rng(4)))
    assert [row["labels"] for row in rows] == [1, 2]
    assert rows[0]["meets_risk"]
    assert rows[1]["buys"]


def test_without_a_tolerance_there_are_no_sets():
    panel = panel_for(a_pot(draws=30), "codex")
    assert label_sets(panel, draw_samples(panel.outlook, np.random.default_rng(4))) == []


def test_eight_lines_together_are_less_likely_than_each():
    """Joint probability against an independent simulation of readings of all lines."""
    pot = a_pot(draws=300, swing_fat=1.4, seed=11)
    panel = panel_for(pot)
    samples = draw_samples(panel.outlook, np.random.default_rng(4))
    pairs = [(line, line.choice.declared) for line in panel.bounded]
    together = panel_ok(panel, samples, pairs)
    alone = np.min([line.ok(value) for line, value in pairs], axis=0)
    assert (together <= alone).all()
    assert (together < alone - 0.005).any()

    rng = np.random.default_rng(12)
    months = pot.draws["day"].values.astype("datetime64[M]").astype(str)
    for place, month in enumerate(panel.outlook.months):
        true = pot.draws["pot"].sel(day=months == month)
        holds = True
        for name in ("fat", "saturates", "carbohydrate", "sugars", "protein", "salt"):
            one = pot.control[name]
            sd = np.sqrt(one.pot_to_pot_sd**2 / 6 + one.repeat_sd**2 + one.between_lab_sd**2)
            reading = true.sel(nutrient=name).values + rng.normal(0, sd, (5, *true.shape[:2]))
            line = next(line for line in panel.lines if line.line.key == name)
            reading = reading * (6.25 / 6.38 if name == "protein" else 1.0)
            limits = line.line.limits(line.choice.declared)
            holds = holds & (reading >= float(limits.low)) & (reading <= float(limits.high))
        assert together[place] == pytest.approx(holds.mean(), abs=0.03), month


def test_simulated_lots_are_those_of_the_months_with_milk():
    pot = a_pot(draws=40, dry=(7, 8))
    outlook = cut_into_months(pot)
    samples = draw_samples(outlook, np.random.default_rng(1))
    assert samples.known.all()
    fat = samples.true[outlook.nutrients.index("fat")]
    days = pot.draws["day"].values.astype("datetime64[M]").astype(str)
    for place, month in enumerate(outlook.months):
        true = pot.draws["pot"].sel(nutrient="fat", day=days == month).values
        for draw in range(40):
            assert np.isin(fat[draw, place], true[draw]).all()
