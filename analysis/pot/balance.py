"""Mass balance from milk to pot: water lost, old yogurt added, lactose turned to acid.

A kilogram of milk loses the share ``loss`` of its mass as water, so that all else is concentrated by
``k = 1 / (1 - loss)``; ``s`` g of old yogurt per kg are stirred in; and every gram of lactic acid formed takes 1.90 g
of lactose and leaves 1.00 g of galactose and 0.10 g of bound water in the solids (see ``figures``).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.pot.figures import NOT_ASH, SUGARS_PER_ACID

Array = NDArray[np.float64]

SOFT = 0.01
"""Softness of the floor under the loss: a share of 1 %."""
_LEAST_SUGARS = 0.2


def evaporated_share(rate_kg_m2_h: float, hours: float, depth_m: float, density: float = 1033.0) -> float:
    """Return the share of the milk that evaporates, ``E x hours / (depth x density)``.

    Parameters
    ----------
    rate_kg_m2_h
        Evaporation E from the open surface; about 5 (quiet, partly covered) to 16 (open) near 90 C.
    hours
        Time hot.
    depth_m
        Depth of the milk.
    density
        kg per m3 of ewes' milk.

    Raises
    ------
    ValueError
        If depth or density is not above 0.
    """
    if depth_m <= 0 or density <= 0:
        msg = f"depth {depth_m} m and density {density} kg/m3 must be above 0"
        raise ValueError(msg)
    return rate_kg_m2_h * hours / (depth_m * density)


def concentration(loss: float | Array) -> Array:
    """Return ``k = 1 / (1 - loss)``, the factor by which water loss concentrates all else."""
    return np.asarray(1.0 / (1.0 - np.asarray(loss, dtype=np.float64)))


def soft_loss(line: float | Array) -> Array:
    """Return a loss that is never negative: ``0.01 log(1 + exp(line / 0.01))``.

    Above 3 % it lies within 0.05 points of ``line``. It lets a normal variable stand behind a share that cannot fall
    below nothing, and is capped at 60 %.
    """
    scaled = np.asarray(line, dtype=np.float64) / SOFT
    return np.asarray(np.minimum(SOFT * np.logaddexp(0.0, scaled), 0.6))


def line_of(loss: float) -> float:
    """Return the ``line`` whose ``soft_loss`` is ``loss`` (at least 0.1 %)."""
    return float(SOFT * np.log(np.expm1(max(loss, 0.001) / SOFT)))


def with_starter(base: Array, starter: Array, starter_g_kg: float | Array) -> Array:
    """Return the content after stirring in s g of old yogurt per kg: ``(1000 base + s starter) / (1000 + s)``."""
    s = np.asarray(starter_g_kg, dtype=np.float64)
    return np.asarray((1000.0 * base + s * starter) / (1000.0 + s))


@dataclass(frozen=True)
class Lot:
    """What a lot is made of; arrays that broadcast together.

    Attributes
    ----------
    fat, protein, lactose : array
        The milk, g per 100 g.
    loss : array
        Share of the milk's mass lost as water, 0-0.6.
    acid : array
        Lactic acid in the pot, g per 100 g.
    saturates_share : array
        Saturates as a share of fat, 0-1.
    salt, calcium, minerals : array
        Of the milk: g, mg and g per 100 g.
    other_carbohydrate : array
        Metabolised carbohydrate other than sugars in the pot, g per 100 g.
    fat_recovery, protein_recovery : array
        Log of what reaches the pot (and of the milk method's own bias).
    sugars_offset : array
        g per 100 g, beside stoichiometry.
    """

    fat: Array
    protein: Array
    lactose: Array
    loss: Array
    acid: Array
    saturates_share: Array
    salt: Array
    calcium: Array
    minerals: Array
    other_carbohydrate: Array
    fat_recovery: Array
    protein_recovery: Array
    sugars_offset: Array


def pot_of(lot: Lot) -> dict[str, Array]:
    """Return what is in the whole pot, per 100 g, by nutrient, and carbohydrate ``by_difference``: 100 less all else.

    ``saturates <= fat`` and ``sugars <= carbohydrate`` hold by construction, and total solids are the sum of the parts:
    fat, protein, sugars, other carbohydrate, lactic acid and minerals.
    """
    k = concentration(lot.loss)
    fat = lot.fat * k * np.exp(lot.fat_recovery)
    protein = lot.protein * k * np.exp(lot.protein_recovery)
    sugars = np.maximum(lot.lactose * k - SUGARS_PER_ACID * lot.acid + lot.sugars_offset, _LEAST_SUGARS)
    carbohydrate = sugars + lot.other_carbohydrate
    return {
        "fat": fat,
        "saturates": fat * lot.saturates_share,
        "carbohydrate": carbohydrate,
        "sugars": sugars,
        "protein": protein,
        "salt": lot.salt * k,
        "calcium": lot.calcium * k,
        "lactic_acid": lot.acid + np.zeros_like(fat),
        "total_solids": fat + protein + carbohydrate + lot.acid + lot.minerals * k,
        "by_difference": carbohydrate + lot.acid + NOT_ASH * k,
    }
