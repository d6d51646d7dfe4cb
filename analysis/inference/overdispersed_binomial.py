"""Counts of failures that go together: logistic regression with a random effect a row and, if wanted, a group.

Model: ``k_i ~ Binomial(n_i, p_i)``, ``logit p_i = x_i' beta + v_g(i) + u_i``, ``v ~ N(0, group_sd^2)``, ``u ~ N(0,
row_sd^2)``. Both random effects are integrated by Gauss-Hermite quadrature, nested (adaptive for the rows);
coefficients and log scales have normal priors, and their posterior is a Gaussian at the mode, corrected by importance
weights. Pots of one vat fail together, so a plain binomial would be too sure of itself; with priors the answers stay
finite where all or none failed (maximum likelihood runs away there).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, gammaln

from analysis.inference.hyper_integration import normal_points, normalised

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Counts:
    """Failures ``k`` of ``n`` by row, regressors ``(rows, p)``, and the group of each row (None: no group effect)."""

    failed: Array
    total: Array
    design: Array
    group: NDArray[np.intp] | None = None

    def __post_init__(self) -> None:
        bad = (self.failed < 0) | (self.failed > self.total) | (self.total < 1)
        if np.any(bad):
            i = int(np.argmax(bad))
            msg = f"row {i}: {self.failed[i]} failed of {self.total[i]}; expected 0 to the total, the total 1 or more"
            raise ValueError(msg)


@dataclass(frozen=True)
class CountPriors:
    """Normal priors of the coefficients ``(p,)`` and of the log sd of the row and group effects (mean and sd).

    A scale with prior sd 0 is held fixed at its mean; ``None`` leaves the effect out.
    """

    mean: Array
    sd: Array
    log_row_sd: tuple[float, float] | None
    log_group_sd: tuple[float, float] | None = None


@dataclass(frozen=True)
class CountFit:
    """Mode and weighted points of the posterior.

    ``beta`` and ``cov`` at the mode; ``row_sd``, ``group_sd`` at the mode (0 where left out); ``log_likelihood``
    there; ``points (count, p)``, ``point_row_sd (count,)`` and ``weights (count,)`` stand for the posterior.
    """

    beta: Array
    cov: Array
    row_sd: float
    group_sd: float
    log_likelihood: float
    points: Array
    point_row_sd: Array
    weights: Array


def _log_sum(value: Array) -> Array:
    """Return the log of the sum of exponentials over the last axis."""
    top = value.max(axis=-1)
    return np.asarray(top + np.log(np.exp(value - top[..., None]).sum(axis=-1)))


@lru_cache(maxsize=8)
def hermite_nodes(count: int) -> tuple[Array, Array]:
    """Return nodes and log weights of the quadrature of an integral against the standard normal density."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, np.log(weights / weights.sum())


def log_likelihood(counts: Counts, beta: Array, row_sd: float, group_sd: float, nodes: int = 9) -> float:
    """Return the log likelihood with both random effects integrated out.

    Parameters
    ----------
    counts
        Rows.
    beta
        Coefficients ``(p,)``.
    row_sd, group_sd
        Standard deviations of the random effects; 0 leaves one out.
    nodes
        Quadrature nodes of the row effect; the group effect has 61.
    """
    return _with_score(counts, beta, row_sd, group_sd, nodes)[0]


def _row_integral(counts: Counts, at: Array, row_sd: float, count: int) -> tuple[Array, Array, Array]:
    """Integrate the row effect out by adaptive quadrature, for linear predictors ``at (rows, v)``.

    The nodes follow the peak of each row's integrand (Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12): with
    hundreds of pots a vat it is far narrower than the effect itself, and fixed nodes would miss it.

    Returns
    -------
    tuple
        Log integral, mean slope in the predictor, mean slope times the effect; each ``(rows, v)``.
    """
    n, k = counts.total[:, None], counts.failed[:, None]
    if row_sd <= 0:
        slope = k - n * expit(at)
        return k * at - n * np.logaddexp(0.0, at), slope, np.zeros_like(at)
    share = (k + 0.5) / (n + 1.0)
    held = (n + 1.0) * share * (1.0 - share) * row_sd**2
    peak = held / (held + 1.0) * (np.log(share / (1.0 - share)) - at) / row_sd
    for _ in range(6):
        p = expit(at + row_sd * peak)
        peak = peak + np.clip((row_sd * (k - n * p) - peak) / (1.0 + row_sd**2 * n * p * (1.0 - p)), -1.5, 1.5)
    p = expit(at + row_sd * peak)
    width = 1.0 / np.sqrt(1.0 + row_sd**2 * n * p * (1.0 - p))
    nodes, log_w = hermite_nodes(count)
    u = peak[:, :, None] + width[:, :, None] * nodes
    eta = at[:, :, None] + row_sd * u
    log_p = k[:, :, None] * eta - n[:, :, None] * np.logaddexp(0.0, eta) - 0.5 * u * u + 0.5 * nodes**2 + log_w
    whole = _log_sum(log_p)
    share_u = np.exp(log_p - whole[:, :, None])
    slope = k[:, :, None] - n[:, :, None] * expit(eta)
    return whole + np.log(width), (share_u * slope).sum(axis=2), (share_u * slope * u).sum(axis=2)


def _with_score(
    counts: Counts, beta: Array, row_sd: float, group_sd: float, count: int
) -> tuple[float, Array, float, float]:
    """Log likelihood and its slope in beta, log row_sd and log group_sd."""
    v, log_v = hermite_nodes(61) if group_sd > 0 else (np.zeros(1), np.zeros(1))
    at = (counts.design @ beta)[:, None] + group_sd * v
    by_row, slope_row, slope_u = _row_integral(counts, at, row_sd, count)
    if counts.group is None or group_sd <= 0:
        by_group, group = by_row, np.arange(len(by_row))
    else:
        group = counts.group
        by_group = np.zeros((int(group.max()) + 1, len(v)))
        np.add.at(by_group, group, by_row)
    whole = _log_sum(by_group + log_v)
    share_v = np.exp(by_group + log_v - whole[:, None])[group]
    choose = gammaln(counts.total + 1) - gammaln(counts.failed + 1) - gammaln(counts.total - counts.failed + 1)
    d_beta = counts.design.T @ (share_v * slope_row).sum(axis=1)
    return (
        float(whole.sum() + choose.sum()),
        np.asarray(d_beta),
        float(row_sd * (share_v * slope_u).sum()),
        float(group_sd * (share_v * slope_row * v).sum()),
    )


def fit_counts(counts: Counts, priors: CountPriors, points: int = 64, nodes: int = 9) -> CountFit:
    """Fit by the mode of the posterior and weighted points around it.

    Parameters
    ----------
    counts
        Rows; may be empty, then the prior comes back.
    priors
        See the class.
    points
        Points that stand for the posterior; those of large data are taken from the Gaussian at the mode without
        weights.
    nodes
        Quadrature nodes of the row effect.

    Returns
    -------
    CountFit

    Notes
    -----
    The mode is over coefficients and log scales together, with the random effects integrated out.
    """
    p = len(priors.mean)
    scales = [scale for scale in (priors.log_row_sd, priors.log_group_sd) if scale is not None and scale[1] > 0]
    mean = np.r_[priors.mean, [s[0] for s in scales]]
    sd = np.r_[priors.sd, [s[1] for s in scales]]

    def unpack(theta: Array) -> tuple[Array, float, float]:
        rest = list(theta[p:])
        out = []
        for scale in (priors.log_row_sd, priors.log_group_sd):
            if scale is None:
                out.append(0.0)
            else:
                out.append(float(np.exp(np.clip(rest.pop(0) if scale[1] > 0 else scale[0], -7.0, 2.5))))
        return theta[:p], out[0], out[1]

    def loss(unit: Array) -> tuple[float, Array]:
        value, d_beta, d_row, d_group = (
            _with_score(counts, *unpack(mean + sd * unit), nodes)
            if len(counts.failed)
            else (0.0, np.zeros(p), 0.0, 0.0)
        )
        slopes = [
            d
            for d, scale in ((d_row, priors.log_row_sd), (d_group, priors.log_group_sd))
            if scale is not None and scale[1] > 0
        ]
        return -value + 0.5 * float(unit @ unit), -np.r_[d_beta, slopes] * sd + unit

    def root_of_covariance(at: Array, step: float) -> Array:
        slope = np.array([(loss(at + e)[1] - loss(at - e)[1]) / (2 * step) for e in np.eye(len(mean)) * step])
        size, basis = np.linalg.eigh(0.5 * (slope + slope.T))
        return np.asarray(basis / np.sqrt(np.maximum(np.abs(size), 0.5)))

    root = root_of_covariance(np.zeros(len(mean)), 1e-3)
    options: Any = {"gtol": 1e-3, "maxiter": 100, "hess_inv0": root @ root.T}
    where = minimize(loss, np.zeros(len(mean)), jac=True, method="BFGS", options=options).x
    root = root_of_covariance(where, 1e-4)
    beta, row_sd, group_sd = unpack(mean + sd * where)
    standard = normal_points(points, len(mean), seed=5)
    unit = where + standard @ root.T
    if len(counts.failed) <= 1000 and len(counts.failed):
        log_w = np.array([-loss(one)[0] for one in unit]) + 0.5 * np.sum(standard**2, axis=1)
        weights = normalised(log_w, ceiling=0.1)
    else:
        weights = np.full(points, 1.0 / points)
    cov = (root @ root.T) * np.outer(sd, sd)
    theta = mean + sd * unit
    return CountFit(
        beta=beta,
        cov=cov[:p, :p],
        row_sd=row_sd,
        group_sd=group_sd,
        log_likelihood=log_likelihood(counts, beta, row_sd, group_sd, nodes) if len(counts.failed) else 0.0,
        points=theta[:, :p],
        point_row_sd=np.array([unpack(one)[1] for one in theta]),
        weights=weights,
    )


def mean_share(eta: Array, row_sd: Array, nodes: int = 15) -> Array:
    """Return the expected share of failures over the row effect, shaped as ``eta``; ``row_sd`` broadcasts."""
    u, log_u = hermite_nodes(nodes)
    return np.asarray((expit(eta[..., None] + row_sd[..., None] * u) * np.exp(log_u)).sum(axis=-1))
