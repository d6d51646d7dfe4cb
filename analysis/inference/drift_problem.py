"""The table, the prior and the scales of a regression with drift, and its density at given scales.

The model stands in :mod:`analysis.inference.drifting_regression`; here is what it needs again and again while the scales are
explored: sums over rows, the arrow-shaped posterior precision, expected squares, and the gradient in the scales.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.inference.arrow import ArrowFactor, factor_arrow, moments, quadratic

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


def multiplied(multiplier_of: Ints, scales: Scales) -> Array:
    """Multiplier of each feature's prior sd; 1 where it has none."""
    return np.concatenate([scales.multipliers, [1.0]])[multiplier_of]


def group_covariances(prior: DriftPrior, scales: Scales, n_groups: int) -> Array:
    """Stationary covariance of each drifting group, shape (g, C, C)."""
    base = prior.drift_correlation * np.outer(scales.drift, scales.drift)
    own = scales.own if n_groups > 1 else 0.0
    shares = np.concatenate([[1.0 - own], np.full(n_groups - 1, own)])
    return shares[:, None, None] * base


@dataclass(frozen=True)
class Weighted:
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
class Expectation:
    """What is expected of the unknowns at given scales.

    Attributes
    ----------
    mean : array, shape (n, C)
        Of each row, without its error and the prior mean.
    variance, second : array, shape (n, C, C)
        Its covariance, and the expected squared residual.
    own : array, shape (T, g, C, C)
        Expected square of each drifting state.
    ahead : array, shape (T - 1, g, C, C)
        Expected product of each state with the next.
    coefficient_trace : array, shape (q,)
        Expected square of each coefficient in units of its prior covariance.
    """

    mean: Array
    variance: Array
    second: Array
    own: Array
    ahead: Array
    coefficient_trace: Array


class Problem:
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

    def weigh(self, outlier: Array) -> Weighted:
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
        return Weighted(outlier, self.entropy(outlier), **{k: np.stack(v) for k, v in sums.items()})

    def build(self, scales: Scales, rows: Weighted) -> tuple[ArrowFactor, float]:
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
        factor = multiplied(self.multiplier_of, scales)
        index = np.arange(self.n_coef)
        corner[index, :, index, :] += self.base_precision / (factor**2)[:, None, None]
        return float(-self.base_logdet - 2.0 * self.n_resp * np.log(factor).sum())

    def _add_drift(self, scales: Scales, diagonal: Array) -> tuple[Array, float]:
        """Add the drift's precision to the diagonal; return the blocks above it and the log determinant."""
        covs = group_covariances(self.prior, scales, self.n_groups)
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

    def expectation(self, factor: ArrowFactor) -> Expectation:
        """Return what the posterior at these scales expects of rows, states and coefficients."""
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
        return Expectation(mean, variance, second, own, ahead, trace)

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

    def gradient(self, u: Array, scales: Scales, outlier: Array, expected: Expectation) -> Array:
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
            covs = group_covariances(prior, at, self.n_groups)
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


def _slope(value: Callable[[Array], float], at: Array, step: float = 1e-4) -> Array:
    """Central differences of a cheap function."""
    out = np.empty(len(at))
    for i in range(len(at)):
        up, down = at.copy(), at.copy()
        up[i] += step
        down[i] -= step
        out[i] = (value(up) - value(down)) / (2 * step)
    return out
