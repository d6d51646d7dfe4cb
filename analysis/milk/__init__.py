"""The milk season model, forecasts, and what made the swing."""

from analysis.milk.model import MilkFit, fit_milk

__all__ = ["MilkFit", "fit_milk"]
