"""Invented pots: a mass balance with a fullness-dependent boil-off, a sour starter, and wandering shares.

Constants: lactose 342.3 + water -> two hexoses, so 1.90 g lactose a gram of lactic acid with galactose left over
(stoichiometry); about 1.0 g lactic acid at pH 4.5; saturates 0.655 of fat, less on leafy grass; calcium 190 mg, salt
0.13 g per 100 g milk (McCance & Widdowson and USDA sheep milk give 0.63-0.66, 170-193 mg, 44 mg Na, the USDA figures
from memory); loss of water 1-10 % by depth and lid (still-water formula, judgement).
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from tests.simulation.kinds import PotPlan
from tests.simulation.weather import Array

NUTRIENTS = (
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
# Pot to pot in one lot, one lab's repeat, and lab to lab, in the order of NUTRIENTS. Fat pots 0.10 and protein 0.03 are
# judgement; between labs fat 0.10-0.20 and sugars 0.10-0.15 from memory in the trade, ewes' protein 0.05-0.08.
POT_SD = np.array([0.11, 0.08, 0.03, 0.03, 0.03, 0.003, 2.0, 0.03, 0.12])
REPEAT_SD = np.array([0.07, 0.07, 0.08, 0.07, 0.04, 0.004, 3.0, 0.03, 0.06])
BETWEEN_SD = np.array([0.13, 0.12, 0.13, 0.12, 0.06, 0.007, 4.5, 0.05, 0.10])


def _walk(size: int, sd: float, days: float, rng: np.random.Generator) -> Array:
    keep = np.exp(-1 / days)
    return np.asarray(lfilter([1.0], [1.0, -keep], rng.standard_normal(size) * sd * np.sqrt(1 - keep**2)))


def run_pots(
    plan: PotPlan, milk: Array, kg: Array, leaf: Array, late: Array, dose: float, rng: np.random.Generator
) -> tuple[Array, Array, Array]:
    """True content of a whole pot made on each day (day, nutrient) from bulk `milk` (day, 3); NaN where none is.

    `leaf` is the leafiness of the grass, `late` the share of the flocks late in milk; `dose` g starter a kg.

    Returns
    -------
    pot : (day, 9)
    loss : (day,) share of the milk boiled off
    end_ph : (day,) what the vat of that day ends at
    """
    T = kg.size
    # A half-full vat is shallow and boils off more; the lid is on now and then.
    fullness = np.clip(kg / np.nanmax(np.where(kg > 0, kg, np.nan)), 0.12, 1.0)
    lid = rng.random(T) < plan.lid_share
    loss = plan.loss * fullness**-0.45 * np.where(lid, 0.4, 1.0) * rng.lognormal(0, 0.18, T)
    loss = np.clip(loss, 0.003, 0.16)
    k = 1 / (1 - loss)
    fat, protein, lactose = (milk[:, j] * k for j in range(3))
    end_ph = 4.48 + _walk(T, 0.07, 25, rng) + 0.05 * (milk[:, 1] - 5.5) + rng.normal(0, 0.04, T)
    acid = np.clip(plan.acid + 0.75 * (4.48 - end_ph) + 0.08 * (protein - 5.7) + rng.normal(0, 0.03, T), 0.6, 1.6)
    sugars = lactose - 1.90 * acid + plan.galactose_kept * acid + rng.normal(0, 0.03, T)
    share = plan.saturates - 0.05 * (leaf - 0.35) + _walk(T, 0.010, 40, rng)
    salt = plan.salt * k * (1 + 0.08 * (4.8 - milk[:, 2]) / 0.2 + 0.15 * (late - 0.4)) + _walk(T, 0.005, 30, rng)
    calcium = plan.calcium * k * (milk[:, 1] / 5.5) ** 0.6 + _walk(T, 4.0, 30, rng)
    ash = 0.95 * k
    solids = fat + protein + sugars + acid + ash + 0.08
    pot = np.stack(
        [fat, fat * share, sugars + 0.06, sugars, protein, np.maximum(salt, 0.04), calcium, acid, solids], axis=1
    )
    # Starter is last week's pot.
    before = np.vstack([pot[:1], pot[:-1]])
    share_in = dose / (1000 + dose)
    pot = np.where(np.isfinite(before), pot * (1 - share_in) + before * share_in, pot)
    return pot, loss, end_ph


def composite(true: Array, pots: Array, bias: Array, rng: np.random.Generator) -> Array:
    """Read composites of `pots` pots from lots of content `true` (row, 9) in a lab with `bias`."""
    rows = true.shape[0]
    noise = rng.standard_normal((rows, 9)) * np.sqrt(POT_SD**2 / np.asarray(pots)[:, None] + REPEAT_SD**2)
    # A lab's slips have longer tails than a normal law.
    tail = np.where(rng.random((rows, 9)) < 0.02, 3.0, 1.0)
    value = true + bias + noise * tail
    # A lab that sums the sugars calls the sum, and a trace more, carbohydrate: the two err together.
    value[:, 2] = value[:, 3] + (true[:, 2] - true[:, 3]) * rng.uniform(0.2, 1.8, rows)
    return np.maximum(value, 0.001)
