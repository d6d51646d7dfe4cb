"""Moments of a normal quantity that was only seen to lie between two limits."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

Array = NDArray[np.float64]

_LOG_SQRT_2PI = 0.5 * float(np.log(2.0 * np.pi))


class Censored(NamedTuple):
    """Log probability, mean and variance of a normal quantity within limits, each of the common shape."""

    log_mass: Array
    mean: Array
    var: Array


def log_interval_mass(a: Array, b: Array) -> Array:
    """Return ``log(Phi(b) - Phi(a))`` without loss of digits in either tail.

    Parameters
    ----------
    a, b
        Standardised limits of one shape, ``a < b``; ``-inf`` and ``inf`` are allowed.

    Returns
    -------
    ndarray
        Same shape. Both limits are mirrored where they lie above the centre, so that the small tail is the one
        subtracted.
    """
    above = a > 0.0
    low = np.where(above, -b, a)
    high = np.where(above, -a, b)
    log_high = log_ndtr(high)
    with np.errstate(divide="ignore"):
        return np.asarray(log_high + np.log1p(-np.exp(np.minimum(log_ndtr(low) - log_high, -1e-300))))


def censored_moments(mean: Array, var: Array, lower: Array, upper: Array) -> Censored:
    """Return mass, mean and variance of ``y ~ N(mean, var)`` given ``lower < y <= upper``.

    With ``a, b`` the standardised limits, ``r_a = phi(a)/Z`` and ``r_b = phi(b)/Z``: mean ``m + s (r_a - r_b)`` and
    variance ``s^2 (1 + a r_a - b r_b - (r_a - r_b)^2)`` (Johnson, Kotz & Balakrishnan 1994, Continuous Univariate
    Distributions 1, section 10.1). Where ``lower == upper`` the value is known: ``log_mass`` is then the log density,
    as survival software has it for uncensored rows.

    Parameters
    ----------
    mean, var
        Mean and variance before looking, broadcastable to one shape.
    lower, upper
        Limits, broadcastable to the same shape; infinite where there is none.

    Returns
    -------
    Censored
        Of the broadcast shape.
    """
    mean, var, lower, upper = np.broadcast_arrays(mean, var, lower, upper)
    sd = np.sqrt(var)
    exact = lower == upper
    a = (lower - mean) / sd
    b = np.where(exact, a + 1.0, (upper - mean) / sd)
    log_mass = log_interval_mass(a, b)
    # Further out than this the two ends no longer differ in double precision: the mass sits at the nearer limit.
    log_mass = np.where(np.isfinite(log_mass), log_mass, -1e6)
    r_a = np.exp(np.where(np.isfinite(a), -0.5 * a * a, -np.inf) - _LOG_SQRT_2PI - log_mass)
    r_b = np.exp(np.where(np.isfinite(b), -0.5 * b * b, -np.inf) - _LOG_SQRT_2PI - log_mass)
    shift = r_a - r_b
    a_part = np.where(np.isfinite(a), a, 0.0) * r_a
    b_part = np.where(np.isfinite(b), b, 0.0) * r_b
    shrink = 1.0 + a_part - b_part - shift * shift
    narrow = np.where(np.isfinite(b - a), (b - a) ** 2 / 12.0, 1.0)
    shrink = np.clip(shrink, 1e-9, np.maximum(np.minimum(1.0, 3.0 * narrow), 2e-9))
    out_mean = np.clip(mean + sd * shift, lower, upper)
    density = -0.5 * a * a - np.log(sd) - _LOG_SQRT_2PI
    return Censored(
        np.where(exact, density, log_mass),
        np.where(exact, lower, out_mean),
        np.where(exact, 0.0, var * shrink),
    )
