"""Published figures and judged starting points that the pot model rests on, each with its source.

Marks: ``verified`` (figure read at its source), ``from memory`` (right in kind, check before quoting), ``derived``
(worked out here from other figures), ``judgement`` (a starting point that a dairy's own records should move).
A figure is one normal sd wide unless its source says otherwise.
"""

from dataclasses import dataclass
from typing import Literal

Mark = Literal["verified", "from memory", "derived", "judgement"]

NUTRIENTS: tuple[str, ...] = (
    "fat",
    "saturates",
    "carbohydrate",
    "sugars",
    "protein",
    "salt",
    "calcium",
    "lactic_acid",
    "total_solids",
)
"""Order of the nutrient dimension. Carbohydrate is the metabolised kind (the sum of sugars and a trace of others, no
acid); protein is N x 6.38; calcium is in mg, all others in g; per 100 g of the whole pot."""

COLUMN: dict[str, str] = {n: ("calcium_mg_100g" if n == "calcium" else f"{n}_g_100g") for n in NUTRIENTS}
"""Column of pot_tests.csv, and component of pot_forecast, for each nutrient."""

MILK_COMPONENTS: tuple[str, ...] = ("fat_g_100g", "protein_g_100g", "lactose_g_100g")
KJELDAHL_MILK = 6.38


@dataclass(frozen=True)
class Figure:
    """One number with its spread, its source and how far it can be trusted.

    Attributes
    ----------
    mean, sd : float
        Centre and one sd.
    source : str
        Where it comes from.
    mark : {"verified", "from memory", "derived", "judgement"}
        How the figure was come by.
    """

    mean: float
    sd: float
    source: str
    mark: Mark


# ---- milk to pot ------------------------------------------------------------------------------------------------
WATER_LOST = Figure(
    0.04,
    0.03,
    "share of the milk lost in heating, one hour at 90 C and hot filling; E x hours / (depth x density) with E 5-16 kg "
    "per m2 and hour spans 1-15 %",
    "derived",
)
LOSS_PER_HOUR = Figure(0.030, 0.015, "the part of the loss that grows with the hold, per extra hour", "derived")
LOSS_PER_LOG_MILK = Figure(-0.020, 0.015, "fuller vat, deeper milk, smaller share lost: per unit of log kg", "derived")
LOT_LOSS_SD = Figure(0.008, 0.5, "lot-to-lot sd of the loss; the spread is of its logarithm", "judgement")
WEIGHING_SD = Figure(
    0.007, 0.4, "one weighed loss: two scales, splashes, residue; spread of its logarithm", "judgement"
)

LACTIC_ACID = Figure(1.0, 0.15, "sheep yogurt: 0.95 +- 0.12 g at pH 4.5, 1.10 +- 0.15 g at pH 4.3", "derived")
ACID_PER_LACTOSE = 2 * 90.08 / 342.30
"""Lactic acid from the glucose half of 1 g of lactose, g: two lactic acids (90.08 g/mol each) from one glucose of one
lactose (342.30 g/mol) = 0.526 g; the galactose (180.16 g/mol) is left: 0.526 g too. Stoichiometry."""
GALACTOSE_PER_LACTOSE = 180.16 / 342.30
GALACTOSE_LEFT = Figure(0.50, 0.06, "galactose per g of lactose used; a fermentation course gave 0.51-0.63", "derived")
SUGARS_PER_ACID = (1 - GALACTOSE_PER_LACTOSE) / ACID_PER_LACTOSE
"""Fall of total sugars, g per g of lactic acid: 1.90 of lactose gone, 1.00 of galactose left. Stoichiometry."""
SOLIDS_PER_ACID = 1 - SUGARS_PER_ACID
"""Water bound by hydrolysis: sugars fall 0.90 g, acid rises 1.00 g, so solids rise 0.10 g per g of acid."""
PH_OF_YOGURT = Figure(4.43, 0.10, "pH at 1.0 g of lactic acid, between 4.5 at 0.95 g and 4.3 at 1.10 g", "derived")
PH_PER_ACID = -4.0 / 3.0
"""pH per g/100 g of lactic acid: (4.3 - 4.5) / (1.10 - 0.95). Derived."""
PH_RESULT_SD = 0.06

SATURATES_SHARE = Figure(
    0.655,
    0.03,
    "saturates / fat of sheep milk: 3.8/6.0 = 0.63 (McCance and Widdowson, verified), 4.60/7.00 = 0.66 (USDA sheep "
    "milk, from memory)",
    "derived",
)
SATURATES_SEASON_SD = Figure(0.0, 0.015, "green spring pasture -0.03, hay and grain +0.02: half-swing", "judgement")
SALT = Figure(0.13, 0.03, "salt of sheep milk, Na 50 +- 12 mg x 2.5 (Na range 41-132 mg, verified)", "derived")
CALCIUM = Figure(190.0, 18.0, "mg; 193 (USDA, Park et al. 2007, from memory), 188 (Dorset), 170 (McCance)", "derived")
MINERALS = Figure(
    1.05,
    0.20,
    "total solids less fat, protein and lactose: 1.14 (Pavic et al. 2002), 1.07 (Petrova and Nedelchev 2000)",
    "derived",
)
NOT_ASH = 0.11
"""Part of MINERALS that is not ash (organic acids of the milk, non-protein matter), g; counted by difference. Derived:
1.05 less the ash 0.93 of sheep milk (Mahmood and Usman 2010: 0.88; USDA: 0.96)."""
OTHER_CARBOHYDRATE = Figure(0.05, 0.03, "metabolised carbohydrate other than sugars: oligosaccharides", "judgement")

# What stands between the milk lab's milk and the pot besides water: the milk method's own bias on ewes' milk (fat 0.12,
# protein 0.08, lactose 0.08 g: derived from two-lab comparisons) and losses to skin and walls. Relative, lactose g.
RECOVERY_FAT = Figure(0.0, 0.020, "0.12 g of 6.7 g, and 1 % to skin and walls", "derived")
RECOVERY_PROTEIN = Figure(0.0, 0.016, "0.08 g of 5.5 g, and 0.7 % to skin and walls", "derived")
SUGARS_OFFSET = Figure(0.0, 0.13, "lactose method 0.08 g; galactose left 0.50 +- 0.06 per g of lactose used", "derived")

# Lot-to-lot spread (one lot a day), besides the milk's and the water's own.
LOT_ACID_LOG_SD = 0.08
LOT_SATURATES_LOGIT_SD = 0.035
LOT_SALT_LOG_SD = 0.06
LOT_CALCIUM_LOG_SD = 0.03
LOT_MINERALS_LOG_SD = 0.05
LOT_SPREAD_LOG_SD = 0.4
"""The five above are judgement; the records may stretch or shrink them together (log-sd 0.4)."""

VAT_RESULT_SD = {"fat": 0.08, "protein": 0.05}
VAT_BIAS_SD = {"fat": 0.12, "protein": 0.08}
"""One infrared result on the vat's milk, and its method's bias on ewes' milk (six-lab and two-lab comparisons of cow
milk, Biggs 1978, scaled to ewes' milk): derived."""


@dataclass(frozen=True)
class ControlError:
    """What a control sample adds to the true content of a lot; same unit as the nutrient.

    A composite of n pots reads true + N(0, pot_to_pot_sd^2 / n + repeat_sd^2 + between_lab_sd^2).

    Attributes
    ----------
    pot_to_pot_sd : float
        Spread between whole pots of one lot.
    repeat_sd : float
        A competent lab's repeatability.
    between_lab_sd : float
        A competent lab's lasting offset.
    source : str
        Where the three come from.
    mark : str
        How far they can be trusted.
    """

    pot_to_pot_sd: float
    repeat_sd: float
    between_lab_sd: float
    source: str
    mark: Mark

    def result_sd(self, pots: float = 1.0) -> float:
        """Return the sd of one result on a composite of ``pots`` pots about the lot's true content."""
        return float((self.pot_to_pot_sd**2 / max(pots, 1.0) + self.repeat_sd**2 + self.between_lab_sd**2) ** 0.5)


CONTROL: dict[str, ControlError] = {
    "fat": ControlError(
        0.10,
        0.07,
        0.15,
        "pots 0.10 (0.05-0.3, creaming before set: judgement); acid digestion or Gerber at 6-7 %: within 0.05-0.10, "
        "between labs 0.10-0.20",
        "from memory",
    ),
    "saturates": ControlError(0.065, 0.08, 0.15, "0.655 of the fat's pots; fatty acids by GC, about 3 %", "judgement"),
    "carbohydrate": ControlError(0.03, 0.07, 0.15, "sugars by HPLC and the rest of the sum", "judgement"),
    "sugars": ControlError(0.03, 0.06, 0.12, "HPLC, between labs 0.10-0.15 (ISO 22662 family)", "from memory"),
    "protein": ControlError(
        0.03,
        0.03,
        0.06,
        "pots 0.03 (judgement); Kjeldahl on milk r 0.038, R 0.049 (ISO 8968-1), widened for a set yogurt",
        "from memory",
    ),
    "salt": ControlError(0.002, 0.005, 0.012, "sodium x 2.5, 4 % within and 9 % between labs", "judgement"),
    "calcium": ControlError(2.0, 4.0, 8.0, "2 % within and 4 % between labs", "judgement"),
    "lactic_acid": ControlError(0.02, 0.04, 0.08, "enzymatic or HPLC", "judgement"),
    "total_solids": ControlError(0.11, 0.05, 0.10, "pots as fat; oven at 102 C r 0.10 (ISO 13580)", "from memory"),
}
CONTROL_BY_DIFFERENCE = ControlError(
    0.06, 0.10, 0.20, "carbohydrate by difference gathers the errors of water, fat, protein and ash", "derived"
)
USUAL_COMPOSITE = 6.0
"""Pots of a composite where the tests do not say; six under the rules of the EU and of Great Britain."""
DIFFERENCE_UNKNOWN_SD = 0.5
"""Extra sd of a carbohydrate result that may be by sum or by difference: the acid, about 1 g, is in it or is not."""
