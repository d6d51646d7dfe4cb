"""Regression for quantities seen only between two looks, with a slow drift in time.

Model, for row ``i`` on node ``k(i)`` (nodes are the distinct days, in order)::

    y_i = offset_i + x_i' beta + c_k(i) + e_i          e_i ~ N(0, noise_var_i)
    beta ~ N(0, diag(prior_sd^2))                      (a prior mean other than 0 goes into the offset)
    c ~ Ornstein-Uhlenbeck, stationary sd ``drift_sd``, time constant ``drift_days``, independent across a break
    seen: lower_i < y_i <= upper_i, and perhaps z_i ~ N(y_i, z_var_i)
    with probability ``slip_i`` what was seen tells nothing about y_i (a slip of the pen, a vat gone wrong) and has
    log probability ``slip_log_mass_i`` whatever y_i was

The posterior of (beta, c) is approximated by a Gaussian through expectation propagation (Minka 2001, UAI; Rasmussen &
Williams 2006, section 3.6), with sites one-dimensional in ``x_i' beta + c_k(i)``; the moments of one row are in
closed form. ``c`` has a tridiagonal precision and ``beta`` borders it, so that one pass costs a time linear in rows
and nodes. All passes run over many hyperparameter points at once (leading axis ``m``), because the caller integrates
over them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.inference.censored_normal import censored_moments

Array = NDArray[np.float64]

_MIN_SITE = 1e-8  # sites keep a positive precision, so that the drift's matrix stays positive definite


@dataclass(frozen=True)
class Looks:
    """What was seen and what explains it; ``n`` rows sorted by node, ``K`` nodes, ``p`` coefficients.

    Attributes
    ----------
    lower, upper
        Limits of ``y``, shape ``(n,)``; ``-inf``/``inf`` where not seen, equal where known exactly.
    design
        Shape ``(n, p)``.
    prior_sd
        Prior standard deviations of the coefficients, shape ``(p,)``.
    node
        Node of each row, shape ``(n,)``, integers that start at 0 and never step by more than 1.
    gap_days
        Days from each node to the next, shape ``(K - 1,)``; ``inf`` breaks the drift.
    slip
        Probability that a row tells nothing, shape ``(n,)``.
    slip_log_mass
        Log probability of what was seen in that case, shape ``(n,)``.
    """

    lower: Array
    upper: Array
    design: Array
    prior_sd: Array
    node: NDArray[np.intp]
    gap_days: Array
    slip: Array
    slip_log_mass: Array

    def __post_init__(self) -> None:
        n = len(self.lower)
        step = np.diff(self.node)
        if n == 0 or self.design.shape != (n, len(self.prior_sd)):
            msg = f"design has shape {self.design.shape}, expected ({n}, {len(self.prior_sd)}) with at least one row"
            raise ValueError(msg)
        if self.node[0] != 0 or np.any((step < 0) | (step > 1)) or len(self.gap_days) != self.node[-1]:
            msg = "node must start at 0, rise by 0 or 1 from row to row, and have one gap fewer than nodes"
            raise ValueError(msg)
        if np.any(self.lower > self.upper):
            bad = int(np.argmax(self.lower > self.upper))
            msg = f"row {bad}: lower limit {self.lower[bad]} lies above the upper limit {self.upper[bad]}"
            raise ValueError(msg)


@dataclass(frozen=True)
class Points:
    """Hyperparameter points, ``m`` of them; arrays ``(m, n)`` or ``(m,)``.

    ``offset`` is the known part of y, ``noise_var`` its variance, ``z`` and ``z_var`` a further noisy reading of y
    itself (``z_var = inf`` where there is none), ``drift_sd`` and ``drift_days`` describe the drift.
    """

    offset: Array
    noise_var: Array
    z: Array
    z_var: Array
    drift_sd: Array
    drift_days: Array

    def __len__(self) -> int:
        return len(self.drift_sd)


class Sites(NamedTuple):
    """Precision and shift of the Gaussian that stands in for each row, shape ``(m, n)``."""

    precision: Array
    shift: Array


class Gaussian(NamedTuple):
    """Posterior of (beta, drift) at each point, given sites.

    ``beta (m, p)``, ``beta_chol (m, p, p)`` lower Cholesky factor of beta's precision, ``drift (m, K)``, ``drift_var
    (m, K)`` marginal, ``drift_var_given_beta (m, K)``, ``drift_on_beta (m, K, p)`` (drift = const - drift_on_beta
    beta), ``fitted`` and ``fitted_var (m, n)``, ``log_det`` and ``log_det_prior (m,)`` of the precisions, ``quad
    (m,)`` = shift' mean.
    """

    beta: Array
    beta_chol: Array
    drift: Array
    drift_var: Array
    drift_var_given_beta: Array
    drift_on_beta: Array
    fitted: Array
    fitted_var: Array
    log_det: Array
    log_det_prior: Array
    quad: Array


class Tilted(NamedTuple):
    """Log mass, mean and variance of each row's predictor once the row is seen; ``slip`` the chance of a slip."""

    log_mass: Array
    mean: Array
    var: Array
    slip: Array


@dataclass(frozen=True)
class Posterior:
    """Converged sites, the Gaussian they make, log marginal likelihood ``(m,)`` and slip chances ``(m, n)``."""

    sites: Sites
    gaussian: Gaussian
    log_evidence: Array
    slip: Array
    sweeps: int


def gaussian_given_sites(looks: Looks, points: Points, sites: Sites) -> Gaussian:
    """Return the Gaussian posterior for given sites, by elimination of the drift and a small solve for beta.

    Parameters
    ----------
    looks, points
        Rows and hyperparameter points.
    sites
        Shape ``(m, n)``.

    Returns
    -------
    Gaussian
        See the class.
    """
    m, p = len(points), len(looks.prior_sd)
    k = looks.node[-1] + 1
    starts = np.flatnonzero(np.diff(looks.node, prepend=-1))
    tau, nu, x = sites.precision, sites.shift, looks.design

    # Prior precision of the drift: a chain of autoregressive links.
    rho = np.exp(-looks.gap_days[:, None] / points.drift_days)
    innovation = np.maximum(points.drift_sd**2 * -np.expm1(2.0 * np.log(np.maximum(rho, 1e-300))), 1e-12)
    diag = np.empty((k, m))
    diag[0] = 1.0 / points.drift_sd**2
    diag[1:] = 1.0 / innovation
    diag[:-1] += rho**2 / innovation
    off = -rho / innovation
    log_det_prior = -2.0 * np.log(points.drift_sd) - np.log(innovation).sum(axis=0) - 2.0 * np.log(looks.prior_sd).sum()

    diag += np.add.reduceat(tau, starts, axis=1).T
    right = np.empty((k, m, p + 1))
    for j in range(p):
        right[:, :, j] = np.add.reduceat(tau * x[:, j], starts, axis=1).T
    right[:, :, p] = np.add.reduceat(nu, starts, axis=1).T
    border = right[:, :, :p].copy()
    node_shift = right[:, :, p].copy()

    link = np.empty((max(k - 1, 0), m))
    for i in range(1, k):
        link[i - 1] = off[i - 1] / diag[i - 1]
        diag[i] -= link[i - 1] * off[i - 1]
        right[i] -= link[i - 1][:, None] * right[i - 1]
    inverse = 1.0 / diag
    right *= inverse[:, :, None]
    var = inverse.copy()
    for i in range(k - 2, -1, -1):
        right[i] -= link[i][:, None] * right[i + 1]
        var[i] += link[i] ** 2 * var[i + 1]
    on_beta, base = right[:, :, :p], right[:, :, p]

    cross = (x[:, :, None] * x[:, None, :]).reshape(len(x), p * p)
    precision = (tau @ cross).reshape(m, p, p) - np.einsum("kmi,kmj->mij", border, on_beta, optimize=True)
    precision = 0.5 * (precision + precision.transpose(0, 2, 1)) + np.diag(looks.prior_sd**-2.0)
    chol = np.linalg.cholesky(precision)
    shift = nu @ x - np.einsum("kmi,km->mi", border, base, optimize=True)
    beta = np.linalg.solve(precision, shift[:, :, None])[:, :, 0]
    drift = base - np.einsum("kmi,mi->km", on_beta, beta)

    # Rows see x_i - on_beta of their node; whitened by the Cholesky factor this gives beta's part of the variance.
    cover = np.linalg.inv(chol)
    row_load = x[None, :, :] - on_beta.transpose(1, 0, 2)[:, looks.node, :]
    white = row_load @ cover.transpose(0, 2, 1)
    fitted_var = var.T[:, looks.node] + np.einsum("mnp,mnp->mn", white, white)
    node_white = on_beta.transpose(1, 0, 2) @ cover.transpose(0, 2, 1)
    return Gaussian(
        beta=beta,
        beta_chol=chol,
        drift=drift.T,
        drift_var=var.T + np.einsum("mkp,mkp->mk", node_white, node_white),
        drift_var_given_beta=var.T,
        drift_on_beta=on_beta.transpose(1, 0, 2),
        fitted=drift.T[:, looks.node] + beta @ x.T,
        fitted_var=fitted_var,
        log_det=np.log(diag).sum(axis=0) + 2.0 * np.log(np.diagonal(chol, axis1=1, axis2=2)).sum(axis=1),
        log_det_prior=log_det_prior,
        quad=np.einsum("km,km->m", node_shift, drift) + np.einsum("mi,mi->m", nu @ x, beta),
    )


def tilted_rows(looks: Looks, points: Points, mean: Array, var: Array) -> Tilted:
    """Return the exact moments of each row's predictor when it alone is seen, from a Gaussian ``N(mean, var)`` before.

    ``y`` before looking is ``N(mean + offset, var + noise_var)``; the reading ``z`` is folded in, then the limits;
    what is learnt about ``y`` passes to the predictor through the regression of one on the other.

    Parameters
    ----------
    looks, points
        Rows and points.
    mean, var
        Shape ``(m, n)``.

    Returns
    -------
    Tilted
        Each ``(m, n)``.
    """
    total = var + points.noise_var
    y_mean = points.offset + mean
    read = np.isfinite(points.z_var)
    z_var = np.where(read, points.z_var, 1.0)
    z_total = total + z_var
    gain = np.where(read, total / z_total, 0.0)
    error = np.where(read, points.z - y_mean, 0.0)
    log_read = np.where(read, -0.5 * (error**2 / z_total + np.log(2.0 * np.pi * z_total)), 0.0)
    seen = censored_moments(y_mean + gain * error, total * (1.0 - gain), looks.lower, looks.upper)
    pull = var / total
    f_mean = mean + pull * (seen.mean - y_mean)
    f_var = var * (1.0 - pull) + pull**2 * seen.var
    log_mass = seen.log_mass + log_read
    # A slip leaves the predictor as it was: the result is a mixture of "told us this" and "told us nothing".
    with np.errstate(divide="ignore"):
        log_good = np.log1p(-looks.slip) + log_mass
        log_slip = np.log(looks.slip) + looks.slip_log_mass
    log_all = np.logaddexp(log_good, log_slip)
    slip = np.exp(log_slip - log_all)
    mixed = (1.0 - slip) * f_mean + slip * mean
    mixed_var = (1.0 - slip) * (f_var + (f_mean - mixed) ** 2) + slip * (var + (mean - mixed) ** 2)
    return Tilted(log_all, mixed, mixed_var, slip)


def _cavity(sites: Sites, gaussian: Gaussian) -> tuple[Array, Array]:
    """Mean and variance of each row's predictor with its own site taken out."""
    precision = np.maximum(1.0 / gaussian.fitted_var - sites.precision, 1e-10)
    shift = gaussian.fitted / gaussian.fitted_var - sites.shift
    return shift / precision, 1.0 / precision


def evidence_given_sites(looks: Looks, points: Points, sites: Sites) -> tuple[Array, Gaussian, Tilted]:
    """Return the log marginal likelihood for given sites.

    To first order it does not change with the sites once they have converged.

    Parameters
    ----------
    looks, points, sites
        Rows, ``m`` points and their sites.

    Returns
    -------
    tuple
        Log evidence ``(m,)``, the Gaussian and the tilted moments of that pass.
    """
    gaussian = gaussian_given_sites(looks, points, sites)
    mean, var = _cavity(sites, gaussian)
    tilted = tilted_rows(looks, points, mean, var)
    whole = 0.5 * (gaussian.quad - gaussian.log_det + gaussian.log_det_prior)
    cavity = 0.5 * (np.log(var) + mean**2 / var)
    marginal = 0.5 * (np.log(gaussian.fitted_var) + gaussian.fitted**2 / gaussian.fitted_var)
    return whole + (tilted.log_mass + cavity - marginal).sum(axis=1), gaussian, tilted


def start_sites(looks: Looks, m: int) -> Sites:
    """Return sites that say nothing, shape ``(m, n)``."""
    n = len(looks.lower)
    return Sites(np.full((m, n), _MIN_SITE), np.zeros((m, n)))


def fit_sites(
    looks: Looks, points: Points, start: Sites | None = None, max_sweeps: int = 40, tolerance: float = 1e-3
) -> Posterior:
    """Run expectation propagation until the evidence at every point stands still.

    Parameters
    ----------
    looks, points
        Rows and ``m`` points.
    start
        Sites to start from, shape ``(m, n)`` or ``(1, n)``; sites that say nothing if left out.
    max_sweeps
        Passes at most.
    tolerance
        Largest change of the log evidence, at any point, that counts as standing still.

    Returns
    -------
    Posterior
        Sites, Gaussian, evidence and slip chances.
    """
    m = len(points)
    begun = start_sites(looks, m) if start is None else start
    sites = Sites(*(np.broadcast_to(part, (m, len(looks.lower))).copy() for part in begun))
    previous = np.full(m, np.inf)
    damping = 1.0
    for sweep in range(1, max_sweeps + 1):
        evidence, gaussian, tilted = evidence_given_sites(looks, points, sites)
        moved = float(np.max(np.abs(evidence - previous)))
        if moved < tolerance or sweep == max_sweeps:
            break
        mean, var = _cavity(sites, gaussian)
        precision = np.clip(1.0 / np.maximum(tilted.var, 1e-12) - 1.0 / var, _MIN_SITE, 1e9)
        # A clipped precision keeps the tilted mean: the shift follows from it.
        shift = tilted.mean * (precision + 1.0 / var) - mean / var
        sites = Sites(
            sites.precision + damping * (precision - sites.precision), sites.shift + damping * (shift - sites.shift)
        )
        previous = evidence
        damping = 0.8 if sweep < 12 else 0.4
    return Posterior(sites, gaussian, evidence, tilted.slip, sweep)


def take_points(points: Points, index: NDArray[np.intp]) -> Points:
    """Return the hyperparameter points with the given numbers, in that order (repeats allowed)."""
    return replace(points, **{name: getattr(points, name)[index] for name in points.__dataclass_fields__})


def draw_coefficients_and_end(
    posterior: Posterior, point: NDArray[np.intp], rng: np.random.Generator
) -> tuple[Array, Array]:
    """Draw coefficients and the drift at the last node, jointly.

    Parameters
    ----------
    posterior
        Converged posterior.
    point
        Hyperparameter point of each draw, shape ``(draws,)``.
    rng
        Seeded generator.

    Returns
    -------
    tuple
        ``beta (draws, p)`` and ``end (draws,)``.
    """
    g = posterior.gaussian
    noise = rng.standard_normal((len(point), g.beta.shape[1]))
    step = np.linalg.solve(g.beta_chol.transpose(0, 2, 1)[point], noise[:, :, None])[:, :, 0]
    beta = g.beta[point] + step
    end_sd = np.sqrt(g.drift_var_given_beta[point, -1])
    end = g.drift[point, -1] - np.einsum("dp,dp->d", g.drift_on_beta[point, -1], step)
    return beta, end + end_sd * rng.standard_normal(len(point))
