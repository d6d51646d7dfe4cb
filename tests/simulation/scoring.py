"""Scores of forecasts, and their uncertainty by bootstrap over dairies.

Interval score: Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102:359, equation 43. CRPS of a normal: their equation 21.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

Array = NDArray[np.float64]

Z90 = 1.6448536269514722


def interval_score(truth: Array, lo: Array, hi: Array, level: float = 0.90) -> Array:
    """Width of the interval plus 2/alpha times how far the truth lies outside it; lower is better."""
    alpha = 1.0 - level
    return (hi - lo) + 2.0 / alpha * (np.maximum(lo - truth, 0.0) + np.maximum(truth - hi, 0.0))


def crps_normal(truth: Array, mean: Array, sd: Array) -> Array:
    """Continuous ranked probability score of a normal forecast; lower is better."""
    sd = np.maximum(sd, 1e-9)
    z = (truth - mean) / sd
    return sd * (z * (2.0 * norm.cdf(z) - 1.0) + 2.0 * norm.pdf(z) - 1.0 / np.sqrt(np.pi))


def bootstrap_ratio(top: Array, bottom: Array, *, n: int = 1000, seed: int = 0) -> tuple[float, float, float]:
    """Ratio of two means over dairies with its 90 % interval by bootstrap over dairies.

    Parameters
    ----------
    top, bottom : array, shape (dairies,)
        One mean score a dairy; a dairy with a NaN in either is left out.
    """
    keep = np.isfinite(top) & np.isfinite(bottom)
    top, bottom = top[keep], bottom[keep]
    if not len(top):
        return np.nan, np.nan, np.nan
    pick = np.random.default_rng(seed).integers(0, len(top), (n, len(top)))
    ratios = top[pick].mean(1) / bottom[pick].mean(1)
    lo, hi = np.quantile(ratios, [0.05, 0.95])
    return float(top.mean() / bottom.mean()), float(lo), float(hi)


def bootstrap_mean(value: Array, *, n: int = 1000, seed: int = 0) -> tuple[float, float, float]:
    """Mean over dairies with its 90 % interval by bootstrap over dairies."""
    return bootstrap_ratio(value, np.ones_like(value), n=n, seed=seed)
