r"""Linear regression of several correlated responses with mean-reverting drift and heavy-tailed errors.

In words: each row of the table holds up to ``C`` responses measured together. What is expected of them is a linear
function of known features; a part common to all rows and a part of each group wander slowly around zero and come
back; and each row carries an error that is usually small and now and then large.

.. math::

    y_{jc} &= \sum_k z_{jk} \beta_{kc} + \sum_g h_{jg} u_{gc}(t_j) + e_{jc} \\
    \beta_{k\cdot} &\sim N(m_k,\; s_{m(k)}^2 \; D_k R_\beta D_k) \\
    u_g &\sim \mathrm{OU}(\Sigma_g, \ell), \qquad
        \Sigma_0 = (1-\rho)\, \Sigma_u, \quad \Sigma_{g>0} = \rho\, \Sigma_u \\
    e_j &\sim (1-\pi)\, N(0, R) + \pi\, N(0, R + \mathrm{diag}(o^2))

The Ornstein-Uhlenbeck process is Markov, so that the precision of everything unknown is an arrow matrix
(:mod:`analysis.inference.arrow`) and the cost grows with the number of distinct days.

The scales (noise, drift, length, share of the groups, multipliers of groups of features) have log-normal priors. They
are integrated over: their posterior is explored from its mode by importance sampling with a Gaussian proposal whose
are integrated over: their posterior is explored from its mode by importance sampling with a Gaussian proposal whose
Fisher's identity, the expected gradient of the complete-data log density. The outlier indicators have independent
variational probabilities (Bishop 2006, *Pattern Recognition and Machine Learning*, section 10.1).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize
from scipy.stats import norm, qmc

from analysis.inference.arrow import ArrowFactor, sample_arrow
from analysis.inference.drift_problem import (
    Array,
    DriftPrior,
    DriftTable,
    Expectation,
    Ints,
    Problem,
    Scales,
    Weighted,
    group_covariances,
    multiplied,
    scales_at,
)

__all__ = [
    "Draws",
    "DriftPosterior",
    "DriftPrior",
    "DriftTable",
    "Scales",
    "fit_drifting_regression",
    "log_posterior",
    "scales_at",
]


@dataclass(frozen=True)
class Draws:
    """Joint posterior draws.

    Attributes
    ----------
    coefficients : array, shape (n_draws, q, C)
    states : array, shape (n_draws, T, g, C)
        The drift on the days of :attr:`knots`.
    knots : array, shape (T,)
        Distinct days, ascending.
    point : array of int, shape (n_draws,)
        Which of :attr:`scales` each draw belongs to.
    scales : tuple of Scales
    """

    coefficients: Array
    states: Array
    knots: Array
    point: Ints
    scales: tuple[Scales, ...]

    def drift_covariance(self, prior: DriftPrior) -> tuple[Array, Array]:
        """Return each draw's Cholesky factors of the drift covariance and its time constant.

        Shapes (n_draws, g, C, C) and (n_draws,).
        """
        n_groups = self.states.shape[2]
        chol = np.stack([np.linalg.cholesky(group_covariances(prior, s, n_groups)) for s in self.scales])
        length = np.array([s.length for s in self.scales])
        return chol[self.point], length[self.point]


@dataclass(frozen=True)
class DriftPosterior:
    """The posterior: weighted points of the scales, each with its Gaussian.

    Attributes
    ----------
    prior
    knots : array, shape (T,)
    points : tuple of Scales
    weights : array, shape (K,)
        Sum to 1.
    outlier : array, shape (n,)
        Probability that a row carries the large error.
    fitted, fitted_sd : array, shape (n, C)
        Mean and sd of what is expected of each row (without its error), at the mode of the scales.
    log_evidence : float
        Laplace approximation of the log marginal likelihood (its variational bound in the outliers).
    effective_points : float
        Kish's effective number of the weighted points.
    """

    prior: DriftPrior
    knots: Array
    points: tuple[Scales, ...]
    weights: Array
    outlier: Array
    fitted: Array
    fitted_sd: Array
    log_evidence: float
    effective_points: float
    mode: Array
    _active: Ints
    _factors: tuple[ArrowFactor, ...]

    def sample(self, rng: np.random.Generator, n_draws: int) -> Draws:
        """Draw coefficients, drift and scales jointly; points get draws in proportion to their weights."""
        edges = np.concatenate([[0.0], np.cumsum(self.weights)])
        edges[-1] = 1.0
        counts = np.diff(np.floor(edges * n_draws + rng.uniform()).astype(int))
        counts[-1] += n_draws - counts.sum()
        n_resp = self.prior.mean.shape[1]
        width = self._factors[0].rhs_y.shape[1]
        states, coefs, point = [], [], []
        for k, count in enumerate(counts):
            if count > 0:
                x, beta = sample_arrow(self._factors[k], rng, int(count))
                states.append(x)
                coefs.append(self._coefficients(beta.reshape(count, -1, n_resp), self.points[k], rng))
                point.append(np.full(count, k))
        order = rng.permutation(n_draws)
        x_all = np.concatenate(states).reshape(n_draws, len(self.knots), width // n_resp, n_resp)
        return Draws(np.concatenate(coefs)[order], x_all[order], self.knots, np.concatenate(point)[order], self.points)

    def _coefficients(self, active: Array, scales: Scales, rng: np.random.Generator) -> Array:
        """Put drawn coefficients beside prior draws of those that no row uses."""
        prior = self.prior
        factor = multiplied(prior.multiplier_of, scales)
        noise = rng.standard_normal((len(active), *prior.mean.shape)) @ np.linalg.cholesky(prior.correlation).T
        out = noise * prior.sd * factor[:, None]
        out[:, self._active] = active
        return np.asarray(out + prior.mean)


def log_posterior(table: DriftTable, prior: DriftPrior, u: Array, outlier: Array | None = None) -> tuple[float, Array]:
    """Return the log posterior density of standardised log scales, and its gradient.

    Parameters
    ----------
    table, prior
    u : array, shape (n_scales,)
        Standardised log scales: 0 is the prior median, 1 one prior sd above.
    outlier : array, shape (n,), optional
        Probability of the large error of each row, in the order of the table; zero everywhere if None.

    Returns
    -------
    value : float
    gradient : array, shape (n_scales,)
    """
    problem = Problem(table, prior)
    r = np.zeros(len(problem.y)) if outlier is None else outlier[problem.order]
    value, gradient, _ = _evaluate(problem, u, problem.weigh(r))
    return value, gradient


def _evaluate(problem: Problem, u: Array, rows: Weighted) -> tuple[float, Array, Expectation]:
    scales = scales_at(problem.prior, u)
    factor, value = problem.build(scales, rows)
    expected = problem.expectation(factor)
    gradient = problem.gradient(u, scales, rows.outlier, expected) - u
    return value - 0.5 * float(u @ u) + rows.entropy, gradient, expected


def fit_drifting_regression(
    table: DriftTable,
    prior: DriftPrior,
    *,
    n_points: int = 24,
    start: Array | None = None,
    seed: int = 0,
) -> DriftPosterior:
    """Fit the model of this module.

    Parameters
    ----------
    table
        The rows; may be empty, then the posterior is the prior.
    prior
    n_points
        How many points of the scales carry the posterior.
    start : array, shape (n_scales,), optional
        Standardised log scales to start from, for instance the mode of last month's fit.
    seed
        Of the scrambled Sobol points.

    Returns
    -------
    DriftPosterior

    Raises
    ------
    ValueError
        If shapes do not fit or a feature is not finite.
    """
    table = _with_a_row(table)
    _check(table, prior)
    problem = Problem(table, prior)
    u = np.zeros(prior.n_scales) if start is None else np.clip(start, -3, 3)
    rows = problem.weigh(np.full(len(problem.y), prior.outlier_rate))
    for sweep, (n_updates, n_steps) in enumerate(((3, 8), (2, 12))):
        for _ in range(n_updates):
            scales = scales_at(prior, u)
            expected = problem.expectation(problem.build(scales, rows)[0])
            rows = problem.weigh(problem.outlier_probability(scales, expected.second))
        u = _climb(problem, u, rows, n_steps, tolerance=0.05 if sweep else 0.2)
    value, gradient, expected = _evaluate(problem, u, rows)
    curvature = _curvature(problem, u, rows, gradient)
    chol = np.linalg.cholesky(np.linalg.inv(curvature))
    z = _normal_points(n_points, prior.n_scales, seed)
    points, factors, log_weight = [], [], []
    for k in range(n_points):
        at = u + chol @ z[k]
        scales = scales_at(prior, at)
        factor, density = problem.build(scales, rows)
        points.append(scales)
        factors.append(factor)
        log_weight.append(density - 0.5 * float(at @ at) + 0.5 * float(z[k] @ z[k]))
    weights = _smooth_weights(np.array(log_weight))
    back = np.argsort(problem.order)
    sd = np.sqrt(np.clip(np.diagonal(expected.variance, axis1=1, axis2=2), 0, None))
    return DriftPosterior(
        prior=prior,
        knots=problem.knots,
        points=tuple(points),
        weights=weights,
        outlier=rows.outlier[back],
        fitted=(expected.mean + problem.features @ prior.mean[problem.active])[back],
        fitted_sd=sd[back],
        log_evidence=value - 0.5 * float(np.linalg.slogdet(curvature)[1]),
        effective_points=float(1.0 / (weights**2).sum()),
        mode=u,
        _active=problem.active,
        _factors=tuple(factors),
    )


def _with_a_row(table: DriftTable) -> DriftTable:
    """Give an empty table one row on which nothing was measured, so that the prior is returned by the same code."""
    if len(table.days):
        return table
    return replace(
        table,
        responses=np.full((1, table.responses.shape[1]), np.nan),
        features=np.zeros((1, table.features.shape[1])),
        loads=np.zeros((1, table.loads.shape[1])),
        days=np.zeros(1),
    )


def _check(table: DriftTable, prior: DriftPrior) -> None:
    n = len(table.days)
    if not (len(table.responses) == len(table.features) == len(table.loads) == n):
        rows = (len(table.responses), len(table.features), len(table.loads), n)
        msg = f"responses, features, loads and days have {rows} rows; they must be equal"
        raise ValueError(msg)
    if prior.mean.shape != (table.features.shape[1], table.responses.shape[1]):
        msg = f"prior mean has shape {prior.mean.shape}; expected {(table.features.shape[1], table.responses.shape[1])}"
        raise ValueError(msg)
    for name, values in (("features", table.features), ("loads", table.loads), ("days", table.days)):
        if not np.isfinite(values).all():
            row = int(np.flatnonzero(~np.isfinite(values.reshape(n, -1)).all(1))[0])
            msg = f"{name} of row {row} are not finite"
            raise ValueError(msg)


def _climb(problem: Problem, u: Array, rows: Weighted, n_steps: int, tolerance: float) -> Array:
    """Climb to the mode of the scales."""

    def negative(v: Array) -> tuple[float, Array]:
        value, gradient, _ = _evaluate(problem, v, rows)
        return -value, -gradient

    found = minimize(
        negative,
        u,
        jac=True,
        method="L-BFGS-B",
        bounds=[(-4.0, 4.0)] * len(u),
        options={"maxiter": n_steps, "maxfun": 2 * n_steps, "gtol": tolerance},
    )
    return np.asarray(found.x)


def _curvature(problem: Problem, u: Array, rows: Weighted, gradient: Array, step: float = 0.1) -> Array:
    """Negative Hessian at the mode by differences of gradients, kept positive definite."""
    n = len(u)
    hessian = np.empty((n, n))
    for i in range(n):
        ahead = u.copy()
        ahead[i] += step
        hessian[i] = -(_evaluate(problem, ahead, rows)[1] - gradient) / step
    values, vectors = np.linalg.eigh(0.5 * (hessian + hessian.T))
    # The prior alone has curvature 1 in these units; a flatter direction is an artefact of the outlier bound.
    return np.asarray((vectors * np.clip(values, 0.6, None)) @ vectors.T)


def _normal_points(n_points: int, n_dims: int, seed: int) -> Array:
    """Quasi-random standard normal points; the first is the centre."""
    if n_points == 1:
        return np.zeros((1, n_dims))
    size = 1 << int(np.ceil(np.log2(n_points)))
    uniform = qmc.Sobol(n_dims, rng=np.random.default_rng(seed)).random(size)[:n_points]
    z = np.asarray(norm.ppf(np.clip(uniform, 1e-4, 1 - 1e-4)))
    z[0] = 0.0
    return z


def _smooth_weights(log_weight: Array) -> Array:
    """Return importance weights, none above three times the mean (truncation; Ionides 2008, JCGS 17:295)."""
    w = np.exp(log_weight - log_weight.max())
    w /= w.sum()
    cap = 3.0 / len(w)
    for _ in range(5):
        w = np.minimum(w, cap)
        w /= w.sum()
    return np.asarray(w)
