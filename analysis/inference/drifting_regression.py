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

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import norm, qmc

from analysis.inference.arrow import ArrowFactor, factor_arrow, moments, quadratic, sample_arrow

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class DriftTable:
    """The rows to be explained.

    Attributes
    ----------
    responses : array, shape (n, C)
        NaN where a response was not measured.
    features : array, shape (n, q)
    loads : array, shape (n, g)
        Weight of each drifting group in each row; column 0 is the common part.
    days : array, shape (n,)
        Time of each row in days, any order.
    """

    responses: Array
    features: Array
    loads: Array
    days: Array


@dataclass(frozen=True)
class DriftPrior:
    """What is held to be likely before any row is seen.

    Attributes
    ----------
    mean, sd : array, shape (q, C)
        Prior mean and standard deviation of each coefficient.
    correlation : array, shape (C, C)
        Of one feature's coefficients between the responses.
    multiplier_of : array of int, shape (q,)
        Which multiplier scales the standard deviation of a feature; -1 for none.
    multiplier_log_sd : array, shape (m,)
        Log standard deviation of each multiplier around 1.
    noise_sd, noise_log_sd : array, shape (C,)
    noise_correlation : array, shape (C, C)
    drift_sd, drift_log_sd : array, shape (C,)
    drift_correlation : array, shape (C, C)
    length, length_log_sd : float
        Time constant of the drift in days.
    own_logit, own_logit_sd : float
        Logit of the share of the drift variance that is the groups' own.
    outlier_rate : float
    outlier_sd : array, shape (C,)
    """

    mean: Array
    sd: Array
    correlation: Array
    multiplier_of: Ints
    multiplier_log_sd: Array
    noise_sd: Array
    noise_log_sd: Array
    noise_correlation: Array
    drift_sd: Array
    drift_log_sd: Array
    drift_correlation: Array
    length: float
    length_log_sd: float
    own_logit: float
    own_logit_sd: float
    outlier_rate: float
    outlier_sd: Array

    @property
    def n_scales(self) -> int:
        """Number of scales that are integrated over."""
        return 2 * len(self.noise_sd) + 2 + len(self.multiplier_log_sd)


@dataclass(frozen=True)
class Scales:
    """One value of every scale.

    Attributes
    ----------
    noise, drift : array, shape (C,)
        Standard deviations.
    length : float
        Days.
    own : float
        Share of the drift variance that is the groups' own, 0-1.
    multipliers : array, shape (m,)
    """

    noise: Array
    drift: Array
    length: float
    own: float
    multipliers: Array


def scales_at(prior: DriftPrior, u: Array) -> Scales:
    """Turn standardised log scales (0 = prior median, 1 = one prior sd) into scales."""
    c = len(prior.noise_sd)
    logit = prior.own_logit + prior.own_logit_sd * u[2 * c + 1]
    return Scales(
        noise=prior.noise_sd * np.exp(prior.noise_log_sd * u[:c]),
        drift=prior.drift_sd * np.exp(prior.drift_log_sd * u[c : 2 * c]),
        length=float(prior.length * np.exp(prior.length_log_sd * u[2 * c])),
        own=float(1.0 / (1.0 + np.exp(-logit))),
        multipliers=np.exp(prior.multiplier_log_sd * u[2 * c + 2 :]),
    )


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
        chol = np.stack([np.linalg.cholesky(_group_covariances(prior, s, n_groups)) for s in self.scales])
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
        factor = _multiplied(prior.multiplier_of, scales)
        noise = rng.standard_normal((len(active), *prior.mean.shape)) @ np.linalg.cholesky(prior.correlation).T
        out = noise * prior.sd * factor[:, None]
        out[:, self._active] = active
        return np.asarray(out + prior.mean)


def _multiplied(multiplier_of: Ints, scales: Scales) -> Array:
    """Multiplier of each feature's prior sd; 1 where it has none."""
    return np.concatenate([scales.multipliers, [1.0]])[multiplier_of]


def _group_covariances(prior: DriftPrior, scales: Scales, n_groups: int) -> Array:
    """Stationary covariance of each drifting group, shape (g, C, C)."""
    base = prior.drift_correlation * np.outer(scales.drift, scales.drift)
    own = scales.own if n_groups > 1 else 0.0
    shares = np.concatenate([[1.0 - own], np.full(n_groups - 1, own)])
    return shares[:, None, None] * base


class _Problem:
    """The table prepared for repeated evaluation at different scales."""

    def __init__(self, table: DriftTable, prior: DriftPrior) -> None:
        order = np.argsort(table.days, kind="stable")
        self.order = order
        self.prior = prior
        # A column that no row uses keeps its prior; it need not be carried through the fit.
        used = (table.features != 0).any(0)
        self.active = np.flatnonzero(used) if used.any() else np.arange(min(1, table.features.shape[1]))
        self.features = table.features[order][:, self.active]
        self.loads = table.loads[order]
        measured = np.isfinite(table.responses[order])
        centred = table.responses[order] - self.features @ prior.mean[self.active]
        self.y = np.where(measured, centred, 0.0)
        self.measured = measured
        self.n_resp = self.y.shape[1]
        self.n_coef = self.features.shape[1]
        self.n_groups = self.loads.shape[1]
        self.knots, self.day_of = np.unique(table.days[order], return_inverse=True)
        self.n_times = len(self.knots)
        self.starts = np.searchsorted(self.day_of, np.arange(self.n_times))
        self.pattern, self.pattern_of = np.unique(measured, axis=0, return_inverse=True)
        self.pattern_of = self.pattern_of.ravel()
        self.gaps = np.diff(self.knots)
        sd = prior.sd[self.active]
        self.base_cov = prior.correlation * sd[:, :, None] * sd[:, None, :]
        self.base_precision = np.linalg.inv(self.base_cov)
        self.base_logdet = float(np.linalg.slogdet(self.base_cov)[1].sum())
        self.multiplier_of = prior.multiplier_of[self.active]
        onehot = self.multiplier_of[:, None] == np.arange(len(prior.multiplier_log_sd))
        self.multiplier_count = onehot.sum(0)
        self.onehot = onehot.astype(float)

    # --- pieces that depend on the scales -------------------------------------------------------------------------

    def noise(self, noise_sd: Array) -> tuple[Array, Array, Array, Array]:
        """Precision and log determinant of the small and the large error for each pattern of what was measured."""
        prior = self.prior
        small = prior.noise_correlation * np.outer(noise_sd, noise_sd)
        large = small + np.diag(prior.outlier_sd**2)
        n_patterns, c = self.pattern.shape
        precision = np.zeros((2, n_patterns, c, c))
        logdet = np.zeros((2, n_patterns))
        for p, seen in enumerate(self.pattern):
            index = np.flatnonzero(seen)
            if len(index):
                for k, cov in enumerate((small, large)):
                    block = cov[np.ix_(index, index)]
                    precision[k, p][np.ix_(index, index)] = np.linalg.inv(block)
                    logdet[k, p] = np.linalg.slogdet(block)[1]
        return precision[0], precision[1], logdet[0], logdet[1]

    def weigh(self, outlier: Array) -> "_Weighted":
        """Sum the rows by day, pattern of what was measured, and small or large error: all that later steps need."""
        n_patterns = len(self.pattern)
        sums: dict[str, list[Array]] = {k: [] for k in ("hh", "hz", "zz", "hy", "zy", "yy", "count")}
        for p in range(n_patterns):
            for share in (1.0 - outlier, outlier):
                weight = np.where(self.pattern_of == p, share, 0.0)
                h = self.loads * weight[:, None]
                z = self.features * weight[:, None]
                sums["hh"].append(self._by_day(h[:, :, None] * self.loads[:, None, :]))
                sums["hz"].append(self._by_day(h[:, :, None] * self.features[:, None, :]))
                sums["hy"].append(self._by_day(h[:, :, None] * self.y[:, None, :]))
                sums["zz"].append(z.T @ self.features)
                sums["zy"].append(z.T @ self.y)
                sums["yy"].append((self.y * weight[:, None]).T @ self.y)
                sums["count"].append(weight.sum(keepdims=True))
        return _Weighted(outlier, self.entropy(outlier), **{k: np.stack(v) for k, v in sums.items()})

    def build(self, scales: Scales, rows: "_Weighted") -> tuple[ArrowFactor, float]:
        """Return the factor of the posterior precision and the log marginal density of the rows."""
        small, large, logdet_small, logdet_large = self.noise(scales.noise)
        weight = np.stack([small, large], axis=1).reshape(-1, self.n_resp, self.n_resp)
        logdet = np.stack([logdet_small, logdet_large], axis=1).ravel()
        width, n_border = self.n_groups * self.n_resp, self.n_coef * self.n_resp
        n_times = self.n_times
        diagonal = np.einsum("ktgh,kcd->tgchd", rows.hh, weight, optimize=True).reshape(n_times, width, width)
        border = np.einsum("ktgq,kcd->tgcqd", rows.hz, weight, optimize=True).reshape(n_times, width, n_border)
        rhs_states = np.einsum("ktgd,kcd->tgc", rows.hy, weight, optimize=True).reshape(n_times, width)
        corner = np.ascontiguousarray(np.einsum("kqr,kcd->qcrd", rows.zz, weight, optimize=True))
        rhs_corner = np.einsum("kqd,kcd->qc", rows.zy, weight).ravel()
        prior_logdet = self._add_prior(scales, corner)
        upper, drift_logdet = self._add_drift(scales, diagonal)
        factor = factor_arrow(diagonal, upper, border, corner.reshape(n_border, n_border), rhs_states, rhs_corner)
        value = -0.5 * (
            float(logdet @ rows.count[:, 0])
            + self.measured.sum() * np.log(2 * np.pi)
            + float((rows.yy * weight).sum())
            - quadratic(factor)
            + factor.logdet
            - prior_logdet
            - drift_logdet
        )
        return factor, float(value)

    def _by_day(self, rows: Array) -> Array:
        return np.asarray(np.add.reduceat(rows, self.starts, axis=0))

    def _add_prior(self, scales: Scales, corner: Array) -> float:
        """Add the prior precision of the coefficients; return its log determinant."""
        factor = _multiplied(self.multiplier_of, scales)
        index = np.arange(self.n_coef)
        corner[index, :, index, :] += self.base_precision / (factor**2)[:, None, None]
        return float(-self.base_logdet - 2.0 * self.n_resp * np.log(factor).sum())

    def _add_drift(self, scales: Scales, diagonal: Array) -> tuple[Array, float]:
        """Add the drift's precision to the diagonal; return the blocks above it and the log determinant."""
        covs = _group_covariances(self.prior, scales, self.n_groups)
        precision = np.linalg.inv(covs)
        a = np.exp(-self.gaps / scales.length)
        innovation = 1.0 - a**2
        weight = np.ones(self.n_times)
        weight[:-1] += a**2 / innovation
        weight[1:] += 1.0 / innovation - 1.0
        upper = np.zeros((max(self.n_times - 1, 0), *diagonal.shape[1:]))
        for g in range(self.n_groups):
            block = slice(g * self.n_resp, (g + 1) * self.n_resp)
            diagonal[:, block, block] += weight[:, None, None] * precision[g]
            upper[:, block, block] = -(a / innovation)[:, None, None] * precision[g]
        logdet_one = -float(np.linalg.slogdet(covs)[1].sum())
        logdet = self.n_times * logdet_one - self.n_groups * self.n_resp * float(np.log(innovation).sum())
        return upper, logdet

    # --- expected complete-data quantities --------------------------------------------------------------------------

    def expectation(self, factor: ArrowFactor) -> "_Expectation":
        found = moments(factor)
        n_resp, n_groups, n_coef, n_times = self.n_resp, self.n_groups, self.n_coef, self.n_times
        states = found.states.reshape(n_times, n_groups, n_resp)
        coef = found.coefficients.reshape(n_coef, n_resp)
        mean = self.features @ coef + np.einsum("jg,jgc->jc", self.loads, states[self.day_of])
        state_cov = found.state_cov.reshape(n_times, n_groups, n_resp, n_groups, n_resp)
        coef_cov = found.coefficient_cov.reshape(n_coef, n_resp, n_coef, n_resp)
        variance = self._row_variance(found.conditional_cov, found.state_per_coefficient, found.coefficient_cov)
        group = np.arange(n_groups)
        own = np.moveaxis(state_cov[:, group, :, group, :], 0, 1) + states[..., :, None] * states[..., None, :]
        if n_times > 1:
            next_cov = found.next_cov.reshape(n_times - 1, n_groups, n_resp, n_groups, n_resp)
            ahead = np.moveaxis(next_cov[:, group, :, group, :], 0, 1)
            ahead = ahead + states[:-1, :, :, None] * states[1:, :, None, :]
        else:
            ahead = np.zeros((0, n_groups, n_resp, n_resp))
        index = np.arange(n_coef)
        coef_second = coef_cov[index, :, index, :] + coef[:, :, None] * coef[:, None, :]
        trace = np.einsum("kcd,kdc->k", self.base_precision, coef_second)
        residual = np.where(self.measured, self.y - mean, 0.0)
        second = residual[:, :, None] * residual[:, None, :] + variance
        return _Expectation(mean, variance, second, own, ahead, trace)

    def _row_variance(self, conditional: Array, per_coef: Array, cov: Array) -> Array:
        """Covariance of what is expected of each row, shape (n, C, C)."""
        n_resp, n_groups, n_coef = self.n_resp, self.n_groups, self.n_coef
        out = np.empty((len(self.y), n_resp, n_resp))
        step = max(1, 2_000_000 // max(1, n_coef * n_resp * n_resp))
        inner = conditional.reshape(-1, n_groups, n_resp, n_groups, n_resp)
        moves = per_coef.reshape(-1, n_groups, n_resp, n_coef, n_resp)
        for first in range(0, len(self.y), step):
            rows = slice(first, first + step)
            z, h, day = self.features[rows], self.loads[rows], self.day_of[rows]
            # A row's expectation is linear in the coefficients once the states are written as moving with them.
            design = np.einsum("jg,jgckd->jckd", h, moves[day])
            for c in range(n_resp):
                design[:, c, :, c] += z
            flat = design.reshape(-1, n_coef * n_resp)
            through = (flat @ cov).reshape(len(z), n_resp, -1)
            out[rows] = through @ np.swapaxes(flat.reshape(len(z), n_resp, -1), 1, 2)
            out[rows] += np.einsum("jg,jgchd,jh->jcd", h, inner[day], h, optimize=True)
        return out

    def outlier_probability(self, scales: Scales, second: Array) -> Array:
        """Variational probability of the large error, given the expected squared residuals."""
        small, large, logdet_small, logdet_large = self.noise(scales.noise)
        p = self.pattern_of
        odds = (
            np.log(self.prior.outlier_rate / (1.0 - self.prior.outlier_rate))
            + 0.5 * (logdet_small[p] - logdet_large[p])
            + 0.5 * np.einsum("jcd,jdc->j", small[p] - large[p], second)
        )
        return np.asarray(1.0 / (1.0 + np.exp(-np.clip(odds, -500, 500))))

    def entropy(self, outlier: Array) -> float:
        """Return the part of the variational bound that belongs to the outlier indicators."""
        rate = self.prior.outlier_rate
        r = np.clip(outlier, 1e-300, 1 - 1e-16)
        return float((r * np.log(rate / r) + (1 - r) * np.log((1 - rate) / (1 - r))).sum())

    def gradient(self, u: Array, scales: Scales, outlier: Array, expected: "_Expectation") -> Array:
        """Gradient of the log marginal density in the standardised log scales, by Fisher's identity."""
        prior, c = self.prior, self.n_resp
        out = np.zeros(len(u))
        n_patterns = len(self.pattern)
        kept = np.zeros((2, n_patterns, c, c))
        count = np.zeros((2, n_patterns))
        for k, weight in enumerate((1.0 - outlier, outlier)):
            np.add.at(kept[k], self.pattern_of, weight[:, None, None] * expected.second)
            np.add.at(count[k], self.pattern_of, weight)

        def noise_part(v: Array) -> float:
            small, large, logdet_small, logdet_large = self.noise(prior.noise_sd * np.exp(prior.noise_log_sd * v))
            return -0.5 * float(
                (count[0] * logdet_small + count[1] * logdet_large).sum()
                + (small * np.swapaxes(kept[0], 1, 2)).sum()
                + (large * np.swapaxes(kept[1], 1, 2)).sum()
            )

        out[:c] = _slope(noise_part, u[:c])

        def drift_part(v: Array) -> float:
            full = u.copy()
            full[c : 2 * c + 2] = v
            at = scales_at(prior, full)
            a = np.exp(-self.gaps / at.length)
            innovation = 1.0 - a**2
            scatter = expected.own[0] + np.einsum("t,tgcd->gcd", 1.0 / innovation, expected.own[1:])
            scatter = scatter + np.einsum("t,tgcd->gcd", a**2 / innovation, expected.own[:-1])
            cross = np.einsum("t,tgcd->gcd", a / innovation, expected.ahead)
            scatter = scatter - cross - np.swapaxes(cross, 1, 2)
            covs = _group_covariances(prior, at, self.n_groups)
            precision = np.linalg.inv(covs)
            return -0.5 * float(
                self.n_times * np.linalg.slogdet(covs)[1].sum()
                + self.n_groups * c * np.log(innovation).sum()
                + (precision * np.swapaxes(scatter, 1, 2)).sum()
            )

        out[c : 2 * c + 2] = _slope(drift_part, u[c : 2 * c + 2])
        pull = (self.onehot * expected.coefficient_trace[:, None]).sum(0) / scales.multipliers**2
        out[2 * c + 2 :] = prior.multiplier_log_sd * (pull - c * self.multiplier_count)
        return out


@dataclass(frozen=True)
class _Weighted:
    """Sums of loads ``h``, features ``z`` and responses ``y`` by pattern and error (first axis) and day (``h`` ones)."""

    outlier: Array
    entropy: float
    hh: Array
    hz: Array
    zz: Array
    hy: Array
    zy: Array
    yy: Array
    count: Array


@dataclass(frozen=True)
class _Expectation:
    mean: Array
    variance: Array
    second: Array
    own: Array
    ahead: Array
    coefficient_trace: Array


def _slope(value: Callable[[Array], float], at: Array, step: float = 1e-4) -> Array:
    """Central differences of a cheap function."""
    out = np.empty(len(at))
    for i in range(len(at)):
        up, down = at.copy(), at.copy()
        up[i] += step
        down[i] -= step
        out[i] = (value(up) - value(down)) / (2 * step)
    return out


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
    problem = _Problem(table, prior)
    r = np.zeros(len(problem.y)) if outlier is None else outlier[problem.order]
    value, gradient, _ = _evaluate(problem, u, problem.weigh(r))
    return value, gradient


def _evaluate(problem: _Problem, u: Array, rows: _Weighted) -> tuple[float, Array, _Expectation]:
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
    problem = _Problem(table, prior)
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


def _climb(problem: _Problem, u: Array, rows: _Weighted, n_steps: int, tolerance: float) -> Array:
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


def _curvature(problem: _Problem, u: Array, rows: _Weighted, gradient: Array, step: float = 0.1) -> Array:
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
