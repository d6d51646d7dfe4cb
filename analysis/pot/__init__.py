"""Milk to pot: what every label nutrient will be, firmness, whey and end pH, with their uncertainty."""

from analysis.pot.figures import CONTROL, NUTRIENTS, ControlError
from analysis.pot.fit import Evidence, PotFit, fit_pot

__all__ = ["CONTROL", "NUTRIENTS", "ControlError", "Evidence", "PotFit", "fit_pot"]
