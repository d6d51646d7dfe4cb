"""Mass balance and energy against published composition tables; each check names its source."""

from datetime import date

import numpy as np
import pytest

from analysis.label import load_rulebook
from analysis.pot import figures as fig
from analysis.pot.balance import Lot, concentration, evaporated_share, pot_of

EU = load_rulebook("eu", date(2026, 1, 1))


def lot(fat: float, protein: float, lactose: float, **changed: float) -> Lot:
    """Milk poured into a pot as it is: no water lost, no acid, nothing kept back."""
    plain = {
        "loss": 0.0, "acid": 0.0, "saturates_share": 0.655, "salt": 0.11, "calcium": 193.0, "minerals": 0.96,
        "other_carbohydrate": 0.0, "fat_recovery": 0.0, "protein_recovery": 0.0, "sugars_offset": 0.0,
    }  # fmt: skip
    values = {"fat": fat, "protein": protein, "lactose": lactose, **plain, **changed}
    return Lot(**{name: np.asarray(value) for name, value in values.items()})


def energy(unit: str, **amounts: float) -> float:
    weights = EU.energy_weights(unit)
    assert weights is not None
    return sum(weight * amounts.get(name, 0.0) for name, weight in weights.items())


def test_usda_sheep_milk_adds_up_to_a_hundred() -> None:
    # USDA, Milk, sheep, fluid (NDB 01109): water 80.70, protein 5.98, fat 7.00, carbohydrate by difference 5.36,
    # ash 0.96 (from memory).
    pot = pot_of(lot(7.00, 5.98, 5.36, minerals=0.96))
    assert float(pot["total_solids"]) == pytest.approx(100 - 80.70, abs=0.05)


def test_fao_sheep_milk_adds_up() -> None:
    # FAO 2013, Milk and dairy products in human nutrition, table 3.1, sheep, means: water 82.1, protein 5.6, fat 6.4,
    # lactose 5.1, ash 0.9; 100 kcal.
    pot = pot_of(lot(6.4, 5.6, 5.1, minerals=0.9))
    assert float(pot["total_solids"]) == pytest.approx(100 - 82.1, abs=0.5)
    assert energy("kcal", fat=6.4, protein=5.6, carbohydrate=5.1) == pytest.approx(100, abs=1.5)


@pytest.mark.parametrize(
    ("source", "unit", "fat", "protein", "carbohydrate", "printed", "within"),
    [
        ("USDA sheep milk NDB 01109, 265 kcal per 245 g cup", "kcal", 7.00, 5.98, 5.36, 108.2, 1.0),
        ("USDA sheep milk; 451 kJ is the top of the range of FAO 2013 table 3.1", "kJ", 7.00, 5.98, 5.36, 451, 2.0),
        ("McCance and Widdowson, sheep milk, 95 kcal", "kcal", 6.0, 5.4, 5.1, 95, 1.0),
        ("McCance and Widdowson, sheep milk, 396 kJ (16 kJ for sugars there, 17 here)", "kJ", 6.0, 5.4, 5.1, 396, 4.0),
        ("USDA whole-milk yogurt 01116, 61 kcal", "kcal", 3.25, 3.47, 4.66, 61, 1.0),
        ("USDA whole-milk yogurt 01116, 257 kJ", "kJ", 3.25, 3.47, 4.66, 257, 2.0),
    ],
)
def test_energy_of_published_foods(
    source: str, unit: str, fat: float, protein: float, carbohydrate: float, printed: float, within: float
) -> None:
    assert energy(unit, fat=fat, protein=protein, carbohydrate=carbohydrate) == pytest.approx(printed, abs=within), (
        source
    )


def test_protein_under_the_eu_factor() -> None:
    # Regulation (EU) No 1169/2011, Annex I: protein = N x 6.25; USDA's 5.98 is N x 6.38.
    assert EU.nutrient_weights("protein")["protein"] * 5.98 == pytest.approx(5.858, abs=0.001)
    assert energy("kJ", fat=7.00, protein=5.98, carbohydrate=5.36) == pytest.approx(449.7, abs=0.2)
    assert energy("kcal", fat=7.00, protein=5.98, carbohydrate=5.36) == pytest.approx(107.9, abs=0.2)


def test_acid_counts_in_the_energy_and_in_no_printed_line() -> None:
    # Regulation (EU) No 1169/2011, Annex XIV: organic acids 13 kJ and 3 kcal per g.
    assert energy("kJ", lactic_acid=1.0) == pytest.approx(13)
    assert energy("kcal", lactic_acid=1.0) == pytest.approx(3)
    assert EU.nutrient_weights("carbohydrate") == {"carbohydrate": 1.0}


def test_minerals_prior_holds_the_published_remainders() -> None:
    # Pavic et al. 2002 (Czech J Anim Sci 47:80): 19.11 / 7.52 / 5.90 / 4.55.
    # Petrova and Nedelchev 2000 (Bulg J Agric Sci 6:583): 17.41 / 6.41 / 5.56 / 4.37.
    for solids, fat, protein, lactose in ((19.11, 7.52, 5.90, 4.55), (17.41, 6.41, 5.56, 4.37)):
        rest = solids - fat - protein - lactose
        assert abs(rest - fig.MINERALS.mean) < fig.MINERALS.sd
        expected = pot_of(lot(fat, protein, lactose, minerals=fig.MINERALS.mean))["total_solids"]
        assert float(expected) == pytest.approx(solids, abs=0.15)


def test_solids_not_fat_of_published_milk() -> None:
    # Petrova and Nedelchev 2000 print 11.11 for solids not fat (a mean of means).
    pot = pot_of(lot(6.41, 5.56, 4.37, minerals=fig.MINERALS.mean))
    assert float(pot["total_solids"] - pot["fat"]) == pytest.approx(11.11, abs=0.15)


def test_stoichiometry_from_atomic_weights() -> None:
    # IUPAC standard atomic weights: C 12.011, H 1.008, O 15.999.
    # Lactose C12H22O11 + H2O -> 2 lactic acid C3H6O3 + galactose C6H12O6.
    c, h, o = 12.011, 1.008, 15.999
    lactose, acid, galactose, water = 12 * c + 22 * h + 11 * o, 3 * c + 6 * h + 3 * o, 6 * c + 12 * h + 6 * o, 2 * h + o
    assert pytest.approx(2 * acid / lactose, abs=1e-4) == fig.ACID_PER_LACTOSE
    assert pytest.approx(0.5263, abs=1e-3) == fig.ACID_PER_LACTOSE
    assert pytest.approx(galactose / lactose, abs=1e-4) == fig.GALACTOSE_PER_LACTOSE
    assert 1 + water / lactose == pytest.approx(fig.ACID_PER_LACTOSE + fig.GALACTOSE_PER_LACTOSE, abs=1e-3)
    assert pytest.approx(0.90, abs=0.005) == fig.SUGARS_PER_ACID
    assert pytest.approx(water / lactose / fig.ACID_PER_LACTOSE, abs=1e-3) == fig.SOLIDS_PER_ACID


def test_pot_keeps_the_mass_of_lactose_and_bound_water() -> None:
    milk, pot = pot_of(lot(6.7, 5.5, 4.8)), pot_of(lot(6.7, 5.5, 4.8, acid=1.1))
    gained = float(pot["total_solids"] - milk["total_solids"])
    # 18.015 g of water for 342.297 g of lactose (IUPAC atomic weights); 1.1 g of acid takes 1.1 / 0.5263 g of lactose.
    assert gained == pytest.approx(1.1 / 0.5263 * 18.015 / 342.297, abs=0.003)


def test_galactose_left_in_a_published_course() -> None:
    # A fermentation course: lactose 6.53 -> 5.15, 4.76, 4.22 with galactose 0.70, 1.10, 1.46 at 4, 6 and 10 h.
    for left, galactose in ((5.15, 0.70), (4.76, 1.10), (4.22, 1.46)):
        assert galactose / (6.53 - left) == pytest.approx(fig.GALACTOSE_PER_LACTOSE, abs=0.12)
        assert abs(galactose / (6.53 - left) - fig.GALACTOSE_LEFT.mean) < 2.5 * fig.GALACTOSE_LEFT.sd


def test_sugars_of_sheep_yogurt_on_the_market() -> None:
    # O'Brien 1999, J Hum Nutr Diet: plain sheep yogurt, lactose 2.21 + galactose 1.24 = 3.45 g.
    rng = np.random.default_rng(11)
    n = 4000
    drawn = pot_of(
        Lot(
            fat=np.full(n, 6.4),
            protein=np.full(n, 5.6),
            lactose=4.8 + 0.2 * rng.standard_normal(n),
            loss=np.zeros(n),
            acid=1.1 + fig.LACTIC_ACID.sd * rng.standard_normal(n),
            saturates_share=np.full(n, 0.65),
            salt=np.full(n, 0.1),
            calcium=np.full(n, 190.0),
            minerals=np.ones(n),
            other_carbohydrate=np.zeros(n),
            fat_recovery=np.zeros(n),
            protein_recovery=np.zeros(n),
            sugars_offset=fig.SUGARS_OFFSET.sd * rng.standard_normal(n),
        )
    )["sugars"]
    read = drawn + fig.CONTROL["sugars"].result_sd(1) * rng.standard_normal(n)
    assert drawn.mean() == pytest.approx(3.81, abs=0.02)
    low, high = np.quantile(read, [0.05, 0.95])
    assert low < 3.45 < high
    assert high - low < 1.6


def test_water_lost_in_an_hour() -> None:
    # E x hours / (depth x density): 10 kg per m2 and hour, 0.2 m deep, 1033 kg per m3.
    loss = evaporated_share(10.0, 1.0, 0.2)
    assert 100 * loss == pytest.approx(4.8, abs=0.1)
    assert float(concentration(loss)) == pytest.approx(1.051, abs=0.001)
    assert float(pot_of(lot(6.5, 5.5, 4.8, loss=loss))["fat"]) == pytest.approx(6.83, abs=0.01)
    with pytest.raises(ValueError, match="above 0"):
        evaporated_share(10.0, 1.0, 0.0)


def test_saturates_share_holds_the_tables() -> None:
    # McCance and Widdowson sheep milk 3.8 of 6.0 g; USDA sheep milk 4.60 of 7.00 g (from memory).
    for saturates, fat in ((3.8, 6.0), (4.60, 7.00)):
        assert abs(saturates / fat - fig.SATURATES_SHARE.mean) < fig.SATURATES_SHARE.sd


def test_calcium_holds_the_tables() -> None:
    # 193 mg (USDA; Park et al. 2007, from memory), 188 mg (Dorset ewes), 170 mg (McCance and Widdowson).
    for calcium in (193, 188, 170):
        assert abs(calcium - fig.CALCIUM.mean) < 1.2 * fig.CALCIUM.sd


def test_carbohydrate_by_difference_holds_the_acid() -> None:
    # By difference (100 - water - fat - protein - ash; US 21 CFR 101.9) lies 0.8-1.3 g above the sugars of a yogurt
    # with 0.7-1.1 g of acid: the acid and the milk's own small organic acids are in it.
    pot = pot_of(lot(6.7, 5.5, 4.8, acid=0.95, minerals=1.05))
    ash = 1.05 - fig.NOT_ASH
    water = 100 - float(pot["total_solids"])
    assert float(pot["by_difference"]) == pytest.approx(
        100 - water - float(pot["fat"] + pot["protein"]) - ash, abs=1e-9
    )
    assert 0.8 < float(pot["by_difference"] - pot["sugars"]) < 1.3
