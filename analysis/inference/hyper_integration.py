"""Integration over a few hyperparameters with standard normal priors, many points evaluated at once.

The mode is found with gradients, the curvature there gives a Gaussian, and low-discrepancy points from it, weighted by
posterior over proposal, stand for the posterior (as in integrated nested Laplace approximation, Rue, Martino & Chopin
2009, JRSS B 71:319, section 3.1, with weighted points in place of a grid).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import qmc

Array = NDArray[np.float64]


class Mode(NamedTuple):
    """Where the log posterior is highest ``(d,)``, and the covariance that its curvature implies ``(d, d)``."""

    where: Array
    cov: Array


def normal_points(count: int, dims: int, seed: int = 1) -> Array:
    """Return low-discrepancy standard normal points (scrambled Sobol, fixed seed), shape ``(count, dims)``."""
    power = int(np.ceil(np.log2(max(count, 2))))
    raw = qmc.Sobol(dims, scramble=True, rng=np.random.default_rng(seed)).random_base2(power)[:count]
    return np.asarray(ndtri(np.clip(raw, 1e-6, 1.0 - 1e-6)), dtype=np.float64)


def find_mode(
    value_and_gradient: Callable[[Array], tuple[Array, Array]],
    first_curvature: Callable[[Array], Array],
    dims: int,
    max_steps: int = 12,
    tolerance: float = 0.02,
) -> Mode:
    """Find the mode of a log posterior by a quasi-Newton search with a vectorised line search.

    Parameters
    ----------
    value_and_gradient
        Takes points ``(m, d)``, returns log posterior ``(m,)`` and gradient ``(m, d)``.
    first_curvature
        Takes one point ``(d,)``, returns a positive rough curvature of each coordinate ``(d,)``, to scale the first
        step.
    dims
        Number of hyperparameters ``d``.
    max_steps
        Steps at most.
    tolerance
        The search ends when the next step promises less than this rise of the log posterior.

    Returns
    -------
    Mode
        Mode and covariance; directions in which the curvature is below that of half the prior are held at half the
        prior.
    """
    where = np.zeros(dims)
    value, gradient = (part[0] for part in value_and_gradient(where[None]))
    inverse = np.diag(1.0 / np.maximum(first_curvature(where), 1.0))
    shares = np.array([1.0, 0.5, 0.2, 0.05])
    for _ in range(max_steps):
        step = inverse @ gradient
        longest = np.max(np.abs(step))
        if longest > 2.0:  # no prior sd is crossed twice in one step
            step *= 2.0 / longest
        if 0.5 * float(gradient @ step) < tolerance:
            break
        values, gradients = value_and_gradient(where + shares[:, None] * step)
        best = int(np.argmax(values))
        if values[best] <= value:
            inverse *= 0.1
            if np.max(np.abs(inverse)) < 1e-6:
                break
            continue
        moved, bent = shares[best] * step, gradients[best] - gradient
        where, value, gradient = where + moved, values[best], gradients[best]
        # BFGS update of the inverse of minus the Hessian (Nocedal & Wright 2006, equation 6.17).
        product = float(-bent @ moved)
        if product > 1e-8:
            left = np.eye(dims) - np.outer(moved, -bent) / product
            inverse = left @ inverse @ left.T + np.outer(moved, moved) / product
    nudge = 0.5 * np.sqrt(np.clip(np.diag(inverse), 1e-4, 1.0))
    around = np.concatenate([where + np.diag(nudge), where - np.diag(nudge)])
    _, gradients = value_and_gradient(around)
    hessian = -(gradients[:dims] - gradients[dims:]) / (2.0 * nudge[:, None])
    size, basis = np.linalg.eigh(0.5 * (hessian + hessian.T))
    return Mode(where, (basis / np.maximum(size, 0.5)) @ basis.T)


def weighted_points(mode: Mode, count: int, widen: float = 1.15) -> tuple[Array, Array]:
    """Return points of a Gaussian around the mode, and its log density there up to a constant.

    Shapes ``(count, d)`` and ``(count,)``. The Gaussian is made a little wider than the curvature says, so that no
    weight runs away in the tails.
    """
    standard = normal_points(count, len(mode.where))
    factor = np.linalg.cholesky(mode.cov) * widen
    return mode.where + standard @ factor.T, -0.5 * np.sum(standard**2, axis=1)


def normalised(log_weights: Array, ceiling: float = 0.2) -> Array:
    """Return weights that add up to 1, none above ``ceiling`` before the last normalisation.

    Truncation as in Ionides 2008, J. Comput. Graph. Stat. 17:295: a little bias for a bounded variance.
    """
    weights = np.exp(log_weights - np.max(log_weights))
    weights /= weights.sum()
    weights = np.minimum(weights, max(ceiling, 1.0 / len(weights)))
    return np.asarray(weights / weights.sum(), dtype=np.float64)
