"""Energy, nitrogen, servings and claims against the published factors, thresholds and compositions.

FIC: Regulation (EU) No 1169/2011, Annex I and XIV. NHC: Regulation (EC) No 1924/2006, Annex. CFR: 21 CFR 101.9, 101.54.
CXG 23-1997: Codex table of conditions for nutrient contents. Compositions: USDA food composition (SR 26).
"""

from datetime import date

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from analysis.label import load_rulebook
from analysis.label.claims import judge_claims
from analysis.label.outlook import cut_into_months
from analysis.label.panel import decide_panel
from analysis.label.samples import draw_samples
from tests.units.label_pots import CONTROL, NUTRIENTS, Control, FakePot, a_dairy

DAY = date(2026, 5, 31)


def energy(rules: str, unit: str, **grams: float) -> float:
    book = load_rulebook(rules, DAY)
    weights = book.energy_weights(unit)
    # Protein is given here in the rulebook's own nitrogen factor, so its own factor of energy holds.
    own = dict(weights)
    own["protein"] = book.energy_per_gram("protein", unit)
    return sum(own.get(name, 0.0) * amount for name, amount in grams.items())


def test_energy_by_the_factors_of_annex_xiv():
    assert energy("eu", "kJ", fat=6.4, carbohydrate=4.4, protein=5.8) == pytest.approx(410.2)
    assert energy("eu", "kcal", fat=6.4, carbohydrate=4.4, protein=5.8) == pytest.approx(98.4)
    # Lactic acid is an organic acid, 13 kJ and 3 kcal a gram, and not carbohydrate.
    assert energy("eu", "kJ", fat=6.4, carbohydrate=3.4, lactic_acid=1.0, protein=5.8) == pytest.approx(406.2)
    assert energy("eu", "kcal", fat=6.4, carbohydrate=3.4, lactic_acid=1.0, protein=5.8) == pytest.approx(97.4)


def test_energy_comes_from_unrounded_values():
    line = load_rulebook("eu", DAY).line("energy_kj")
    assert str(line.rounding(energy("eu", "kJ", fat=6.36, carbohydrate=4.36, protein=5.76))) == "407"
    assert str(line.rounding(energy("eu", "kJ", fat=6.4, carbohydrate=4.4, protein=5.8))) == "410"


# USDA SR 26: whole-milk plain yogurt (01116) 61 kcal, 257 kJ; sheep milk (01109) 108 kcal, 451 kJ. Their factors are
# the
# dairy-specific ones (4.27, 8.79, 3.87 kcal/g), so the general factors of the rulebooks must agree within 2 %.
@pytest.mark.parametrize(
    ("fat", "protein", "carbohydrate", "kcal", "kj"),
    [(3.25, 3.47, 4.66, 61.0, 257.0), (7.00, 5.98, 5.36, 108.0, 451.0)],
)
def test_energy_of_handbook_compositions(fat, protein, carbohydrate, kcal, kj):
    grams = {"fat": fat, "protein": protein, "carbohydrate": carbohydrate}
    assert energy("eu", "kcal", **grams) == pytest.approx(kcal, rel=0.02)
    assert energy("eu", "kJ", **grams) == pytest.approx(kj, rel=0.02)
    assert energy("us", "kcal", **grams) == pytest.approx(kcal, rel=0.02)
    assert energy("codex", "kJ", **grams) == pytest.approx(kj, rel=0.02)


def test_protein_by_nitrogen_factor():
    # FIC Annex I point 10: N x 6.25. The records hold N x 6.38: 5.80 is N 0.909091 and 5.681818 by FIC.
    assert load_rulebook("eu", DAY).nutrient_weights("protein")["protein"] * 5.80 == pytest.approx(5.681818, abs=1e-6)
    assert load_rulebook("us", DAY).nutrient_weights("protein")["protein"] == 1.0
    assert load_rulebook("codex", DAY).nutrient_weights("protein")["protein"] == 1.0
    # N 0.912 %: 5.82 by 6.38, 5.70 by 6.25.
    protein = load_rulebook("eu", DAY).line("protein")
    assert str(protein.rounding(0.912 * 6.38)) == "5.8"
    assert str(protein.rounding(0.912 * 6.38 * 6.25 / 6.38)) == "5.7"


def test_salt_is_sodium_times_two_and_a_half():
    # FIC Annex I point 11; the United States declare sodium in mg.
    assert load_rulebook("us", DAY).nutrient_weights("sodium")["salt"] * 0.125 == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("pot_g", "chosen", "serving"),
    [(200, None, 200), (339, None, 339), (340, None, 170), (500, None, 170), (200, 170.0, 170)],
)
def test_a_pot_below_twice_the_reference_amount_is_one_serving(pot_g, chosen, serving):
    # 21 CFR 101.9(b)(6), reference amount of yogurt 170 g (101.12(b), 81 FR 34000).
    assert load_rulebook("us", DAY).serving_g(pot_g, chosen) == serving


def constant_pot(**grams: float) -> FakePot:
    """Pots that all hold the same, read without error."""
    known = {
        "fat": 6.4, "saturates": 4.3, "carbohydrate": 4.4, "sugars": 4.4, "protein": 5.8, "salt": 0.125,
        "calcium": 170.0,
        "lactic_acid": 0.0, "total_solids": 18.0,
    } | grams  # fmt: skip
    days = pd.date_range("2026-06-01", "2027-05-31")
    values = np.broadcast_to(np.array([known[name] for name in NUTRIENTS]), (4, len(days), len(NUTRIENTS)))
    data = xr.Dataset(
        {"pot": (("draw", "day", "nutrient"), values.copy()), "kg": (("draw", "day"), np.full((4, len(days)), 100.0))},
        coords={"draw": np.arange(4), "day": days, "nutrient": list(NUTRIENTS)},
    )
    return FakePot(data, control=dict.fromkeys(CONTROL, Control(0.0, 0.0, 0.0)))


def verdicts(rules: str, pot: FakePot, serving_g: float | None = None) -> dict[str, str]:
    dairy = a_dairy(rules=(rules,), serving_g=serving_g)
    book = load_rulebook(rules, DAY)
    outlook = cut_into_months(pot)
    panel, _ = decide_panel(outlook, book, dairy, book, book.serving_g(dairy.pot_g, serving_g) or 100.0)
    found = judge_claims(panel, draw_samples(outlook, np.random.default_rng(1)), pot)
    return {verdict.claim.claim: verdict.verdict for verdict in found}


# NHC Annex: high protein 20 %, source 12 % of the energy, by the stricter of kJ and kcal. Protein below is N x 6.25.
# fat, carbohydrate, protein -> share of 24.04 %/23.58 %; 19.55/19.13; 20.11/19.69 (kJ and kcal disagree).
@pytest.mark.parametrize(
    ("fat", "carbohydrate", "protein", "high"),
    [
        (6.4, 4.4, 5.8, "safe"),
        (8.0, 4.4, 5.3, "not supported"),
        (7.7, 4.5, 5.35, "not supported"),
        (8.0, 4.4, 5.5999, "not supported"),
        (8.0, 4.4, 5.6001, "safe"),
    ],
)
def test_protein_claims_of_the_european_union(fat, carbohydrate, protein, high):
    pot = constant_pot(fat=fat, carbohydrate=carbohydrate, sugars=carbohydrate, protein=protein * 6.38 / 6.25)
    found = verdicts("eu", pot)
    assert found["high protein"] == high
    assert found["source of protein"] == "safe"


@pytest.mark.parametrize(
    ("calcium", "source", "high"),
    [
        (119.9, "not supported", "not supported"),
        (120, "safe", "not supported"),
        (239, "safe", "not supported"),
        (240, "safe", "safe"),
    ],
)
def test_calcium_claims_of_the_european_union(calcium, source, high):
    # FIC Annex XIII: 15 % and 30 % of 800 mg.
    found = verdicts("eu", constant_pot(calcium=calcium))
    assert (found["source of calcium"], found["high calcium"]) == (source, high)


@pytest.mark.parametrize(("sugars", "verdict"), [(4.9, "safe"), (5.0, "safe"), (5.01, "not supported")])
def test_low_sugars(sugars, verdict):
    assert verdicts("eu", constant_pot(sugars=sugars, carbohydrate=sugars))["low sugars"] == verdict


@pytest.mark.parametrize(
    ("salt", "low", "very_low"),
    [(0.1, "safe", "safe"), (0.11, "safe", "not supported"), (0.31, *["not supported"] * 2)],
)
def test_low_salt(salt, low, very_low):
    found = verdicts("eu", constant_pot(salt=salt))
    assert (found["low salt"], found["very low salt"]) == (low, very_low)


def test_claims_of_the_united_states():
    # 21 CFR 101.54: 170 g of yogurt with 170 mg calcium per 100 g: 22.23 % of 1300 mg, "high"; protein 19.72 % of 50 g.
    found = verdicts("us", constant_pot(), 170.0)
    assert found["excellent source of calcium"] == "safe"
    assert found["good source of protein"] == "safe"
    assert found["high protein"] == "not supported"
    assert found["low fat"] == "not supported"


def test_protein_claims_of_codex():
    # CXG 23-1997: 5.8 g is 11.6 % of 50 g per 100 g (source from 10 %), and 5.89 g per 100 kcal is 11.8 % (high from
    # 10 %).
    found = verdicts("codex", constant_pot())
    assert found["source of protein"] == "safe"
    assert found["high protein"] == "safe"  # by the route per 100 kcal; per 100 g it would need 10 g
    fatty = verdicts("codex", constant_pot(fat=12.0, protein=5.2))
    assert fatty["high protein"] == "not supported"
    assert fatty["source of protein"] == "safe"


def test_panel_of_a_serving_of_170_g_in_the_united_states():
    """21 CFR 101.9(c): per 100 g fat 6.4, saturates 4.3, protein 5.8 (N x 6.38), carbohydrate 4.4, Ca 170, Na 50."""
    dairy = a_dairy(rules=("us",), serving_g=170.0)
    book = load_rulebook("us", DAY)
    panel, _ = decide_panel(cut_into_months(constant_pot()), book, dairy, book, 170.0)
    prints = {line.line.key: line.line.rounding.print(line.choice.declared, line.line.unit) for line in panel.lines}
    assert prints == {
        "energy_kcal": "170 kcal",
        "fat": "11 g",
        "saturates": "7 g",
        "sodium": "85 mg",
        "carbohydrate": "7 g",
        "sugars": "7 g",
        "protein": "10 g",
        "calcium": "290 mg",
    }
    assert panel.basis == "serving (170 g)"
