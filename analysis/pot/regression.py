"""A small Bayesian regression that one odd result cannot drag.

    y_i = x_i' b + e_i,   e_i ~ N(0, s_i^2 / w_i),   s_i^2 = s^2 + known_i^2,   w_i ~ Gamma(nu/2, nu/2)

so that e is Student-t with nu degrees of freedom. The prior of b is normal; s is integrated over a grid of its
log-normal prior; w is carried at its conditional mean, iterated to rest at each s (variational). Given s and w all is
conjugate.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, special, stats

Array = NDArray[np.float64]
_GRID = np.linspace(-2.5, 2.5, 11)
_ROUNDS = 30
_PRIOR_ROWS = 4


def odd_beyond(n: int) -> float:
    """Return the distance in sd beyond which one of ``n`` results is named as odd.

    Fewer than 1 in 20 sets of ``n`` sound results would hold one so far out (Bonferroni), and never below 3 sd.
    """
    return max(3.0, float(stats.norm.isf(0.025 / max(n, 1))))


@dataclass(frozen=True)
class Relation:
    """Posterior of a robust regression.

    Attributes
    ----------
    mean : array (p,)
        Posterior mean of the coefficients.
    cov : array (p, p)
        Posterior covariance, noise integrated over.
    noise : float
        Posterior mean of s.
    noise_grid, noise_weight : array (g,)
        The values of s and their posterior probabilities.
    grid_mean, grid_cov : array (g, p), (g, p, p)
        The conjugate posterior at each s.
    weight : array (n,)
        Mean weight of each row: about 1 for a sound row, near 0 for one that is set aside by its own oddness.
    distance : array (n,)
        Residual in units of the sd of the other, sound rows.
    from_records : array (p,)
        Share of the precision of each coefficient that the rows brought, 0-1.
    """

    mean: Array
    cov: Array
    noise: float
    noise_grid: Array
    noise_weight: Array
    grid_mean: Array
    grid_cov: Array
    weight: Array
    distance: Array
    from_records: Array

    @property
    def odd(self) -> NDArray[np.intp]:
        """Positions of the rows that lie too far out to be of a kind with the rest."""
        return np.flatnonzero(np.abs(self.distance) > odd_beyond(len(self.distance)))

    def draw(self, rng: np.random.Generator, n: int) -> tuple[Array, Array]:
        """Return ``n`` joint draws of the coefficients (n, p) and of the noise sd (n,)."""
        pick = rng.choice(len(self.noise_grid), size=n, p=self.noise_weight)
        z = rng.standard_normal((n, len(self.mean)))
        roots = np.linalg.cholesky(self.grid_cov)
        return self.grid_mean[pick] + np.einsum("nij,nj->ni", roots[pick], z), self.noise_grid[pick]


def regress(
    X: Array,
    y: Array,
    prior_mean: Array,
    prior_sd: Array,
    noise: float,
    noise_log_sd: float = 0.5,
    known_sd: Array | float = 0.0,
    nu: float = 4.0,
) -> Relation:
    """Fit the regression of the module's docstring.

    Parameters
    ----------
    X, y
        Rows (n, p) and outcomes (n,), no missing values; n may be 0.
    prior_mean, prior_sd
        Independent normal prior of each coefficient, sd above 0.
    noise, noise_log_sd
        Median of s and the sd of its logarithm.
    known_sd
        Known further sd of each row.
    nu
        Degrees of freedom of the error.

    Raises
    ------
    ValueError
        If shapes disagree, a value is missing or a prior sd is not above 0.
    """
    X = np.asarray(X, dtype=np.float64).reshape(-1, len(prior_mean))
    y = np.asarray(y, dtype=np.float64)
    if X.shape[0] != y.shape[0]:
        msg = f"{X.shape[0]} rows of drivers and {y.shape[0]} outcomes; give one row for each outcome"
        raise ValueError(msg)
    if not (np.isfinite(X).all() and np.isfinite(y).all()):
        msg = "a driver or outcome is missing; leave such rows out before fitting"
        raise ValueError(msg)
    if np.any(np.asarray(prior_sd) <= 0) or noise <= 0:
        msg = "every prior sd and the noise must be above 0"
        raise ValueError(msg)
    precision = 1.0 / np.asarray(prior_sd, dtype=np.float64) ** 2
    known = np.broadcast_to(np.asarray(known_sd, dtype=np.float64), y.shape) ** 2
    scales = noise * np.exp(noise_log_sd * _GRID)
    fits = [_at_scale(X, y, np.asarray(prior_mean, dtype=np.float64), precision, s**2 + known, nu) for s in scales]
    log_weight = np.asarray([f[3] for f in fits]) - 0.5 * _GRID**2
    share = np.exp(log_weight - special.logsumexp(log_weight))
    grid_mean = np.stack([f[0] for f in fits])
    grid_cov = np.stack([f[1] for f in fits])
    mean = share @ grid_mean
    off = grid_mean - mean
    cov = np.einsum("g,gij->ij", share, grid_cov + off[:, :, None] * off[:, None, :])
    weight = np.einsum("g,gn->n", share, np.stack([f[2] for f in fits])) if len(y) else np.empty(0)
    residual = y - X @ mean
    inside = np.abs(residual) <= 3.5 * np.sqrt(share @ scales**2 + known)
    return Relation(
        mean=mean,
        cov=cov,
        noise=float(share @ scales),
        noise_grid=scales,
        noise_weight=share,
        grid_mean=grid_mean,
        grid_cov=grid_cov,
        weight=weight,
        distance=residual / np.sqrt(_spread_of_others(residual, inside, known, noise) + known),
        from_records=np.clip(1.0 - np.diag(cov) * precision, 0.0, 1.0),
    )


def _spread_of_others(residual: Array, inside: NDArray[np.bool_], known: Array, noise: float) -> Array:
    """Variance of the noise from all sound rows but the one in question, steadied by four rows' worth of prior."""
    square = np.where(inside, np.maximum(residual**2 - known, 0.0), 0.0)
    total = square.sum() - square + _PRIOR_ROWS * noise**2
    return np.asarray(total / (inside.sum() - inside + _PRIOR_ROWS))


def _at_scale(
    X: Array, y: Array, prior_mean: Array, precision: Array, variance: Array, nu: float
) -> tuple[Array, Array, Array, float]:
    """Posterior mean, covariance, weights and log evidence bound at one noise scale."""
    n, p = X.shape
    w = np.ones(n)
    mean, cov = prior_mean, np.diag(1.0 / precision)
    log_det = float(np.sum(np.log(precision)))
    for _ in range(_ROUNDS if n else 1):
        scaled = X * (w / variance)[:, None]
        factor = linalg.cho_factor(np.diag(precision) + X.T @ scaled, lower=True)
        mean = linalg.cho_solve(factor, precision * prior_mean + scaled.T @ y)
        cov = linalg.cho_solve(factor, np.eye(p))
        log_det = 2.0 * float(np.sum(np.log(np.diag(factor[0]))))
        square = ((y - X @ mean) ** 2 + ((X @ cov) * X).sum(axis=1)) / variance
        new = (nu + 1.0) / (nu + square)
        done = n == 0 or float(np.max(np.abs(new - w))) < 1e-6
        w = new
        if done:
            break
    # Evidence lower bound: t-density of the rows at their expected squares, and the divergence of b from its prior.
    square = ((y - X @ mean) ** 2 + ((X @ cov) * X).sum(axis=1)) / variance
    rows = -0.5 * np.log(variance) - (nu + 1.0) / 2.0 * np.log1p(square / nu)
    shift = mean - prior_mean
    apart = 0.5 * (
        float(np.sum(precision * np.diag(cov)))
        + float(shift @ (precision * shift))
        - p
        + log_det
        - float(np.sum(np.log(precision)))
    )
    return mean, cov, w, float(np.sum(rows)) - apart
