"""How the warmth of the incubator moves the set time: a rate with an optimum."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

REFERENCE_C = 43.0  # the level of the set time is stated at this warmth
_LEAST_RATE = 0.03  # past the ends of the curve a vat is very slow, not infinitely slow


def relative_rate(warmth_c: ArrayLike, best_c: ArrayLike, max_c: ArrayLike, min_c: ArrayLike) -> Array:
    """Return the speed of the culture relative to its best, between 0.03 and 1.

    Cardinal temperature model, Rosso, Lobry & Flandrois 1993, J. Theor. Biol. 162:447, equation 2::

        rate = (T - Tmax)(T - Tmin)^2 / {(Topt - Tmin)[(Topt - Tmin)(T - Topt) - (Topt - Tmax)(Topt + Tmin - 2T)]}

    Parameters
    ----------
    warmth_c
        Warmth, degrees C.
    best_c, max_c, min_c
        Warmth of the shortest set, and the warmths beyond which nothing grows, degrees C; broadcast with ``warmth_c``.

    Returns
    -------
    ndarray
        Of the broadcast shape.
    """
    t, best, low = (np.asarray(part, dtype=np.float64) for part in (warmth_c, best_c, min_c))
    high = np.maximum(np.asarray(max_c, dtype=np.float64), best + 2.0)  # the curve needs its order
    above = (t - high) * (t - low) ** 2
    below = (best - low) * ((best - low) * (t - best) - (best - high) * (best + low - 2.0 * t))
    inside = (t > low) & (t < high)
    rate = np.where(inside, above / np.where(inside, below, 1.0), 0.0)
    return np.clip(rate, _LEAST_RATE, 1.0)


def log_slowness(warmth_c: ArrayLike, best_c: ArrayLike, max_c: ArrayLike, min_c: ArrayLike) -> Array:
    """Return log set time at a warmth less log set time at 43 C (set time goes as 1 over the rate)."""
    return np.log(relative_rate(REFERENCE_C, best_c, max_c, min_c)) - np.log(
        relative_rate(warmth_c, best_c, max_c, min_c)
    )
