"""Small tables drawn from the very model that is fitted, with the milk room's own priors: for calibration and
reference.

Unlike the dairies of this folder these are the fitted model, so that what is found wrong is the algebra or the
approximation, never the model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.inference.drifting_regression import DriftPrior, DriftTable, Scales, scales_at
from analysis.milk import priors

NAMES = ("level", "flock a", "flock b", "lactation slope", "season cos", "season sin", "forage", "year 1", "year 2")
GROUPS = 3
MULTIPLIERS = ("lactation", "season", "forage", "year")
MULTIPLIER_LOG_SD = np.full(len(MULTIPLIERS), 0.5)


@dataclass(frozen=True)
class RegressionWorld:
    """A table and everything that made it.

    Attributes
    ----------
    table, prior
    scales : Scales
    u : array, the standardised log scales
    coefficients : array, shape (q, C)
    drift : array, shape (T, g, C), on `days`
    days : array, shape (T,)
        Sampled days and then the day ahead.
    ahead_features, ahead_loads : of a row on the day ahead
    ahead : array, shape (C,)
        What is expected of that row, without its error.
    ahead_result : array, shape (C,)
        A result of that row.
    """

    table: DriftTable
    prior: DriftPrior
    scales: Scales
    u: np.ndarray
    coefficients: np.ndarray
    drift: np.ndarray
    days: np.ndarray
    ahead_features: np.ndarray
    ahead_loads: np.ndarray
    ahead: np.ndarray
    ahead_result: np.ndarray


def milk_like_prior(n_responses: int = 3, *, outlier_rate: float = priors.OUTLIER_RATE) -> DriftPrior:
    """The milk room's priors on nine columns: level, flocks, lactation, season, forage, years."""
    c = n_responses
    mean = np.zeros((len(NAMES), 3))
    mean[0] = priors.LEVEL
    mean[4] = priors.SEASON_MEAN
    sd = np.stack(
        [
            priors.LEVEL_SD,
            priors.FLOCK_SD,
            priors.FLOCK_SD,
            priors.LACTATION_SLOPE_SD,
            priors.SEASON_SD,
            priors.SEASON_SD,
            priors.FORAGE_SD,
            priors.YEAR_SD,
            priors.YEAR_SD,
        ]
    )
    return DriftPrior(
        mean=mean[:, :c],
        sd=sd[:, :c],
        correlation=priors.LEVEL_CORRELATION[:c, :c],
        multiplier_of=np.array([-1, -1, -1, 0, 1, 1, 2, 3, 3]),
        multiplier_log_sd=MULTIPLIER_LOG_SD,
        noise_sd=np.hypot(priors.DAY_SD, priors.RESULT_SD)[:c],
        noise_log_sd=priors.NOISE_LOG_SD[:c],
        noise_correlation=priors.NOISE_CORRELATION[:c, :c],
        drift_sd=priors.DRIFT_SD[:c],
        drift_log_sd=priors.DRIFT_LOG_SD[:c],
        drift_correlation=priors.DRIFT_CORRELATION[:c, :c],
        length=priors.DRIFT_DAYS,
        length_log_sd=priors.DRIFT_DAYS_LOG_SD,
        own_logit=0.0,
        own_logit_sd=1.0,
        outlier_rate=outlier_rate,
        outlier_sd=priors.OUTLIER_SD[:c],
    )


def features_of(day: np.ndarray, flock: np.ndarray) -> np.ndarray:
    """Columns NAMES of results of flock 0 or 1; flock b lambs 20 days later."""
    since = day % 365.0 - 20.0 * flock
    angle = 2 * np.pi * day / 365.25
    return np.stack(
        [
            np.ones_like(day),
            flock == 0,
            flock == 1,
            (since - priors.REFERENCE_DAY) / priors.SLOPE_PER_DAYS,
            np.cos(angle),
            np.sin(angle),
            since > 90,
            day < 365,
            day >= 365,
        ],
        axis=1,
    ).astype(float)


def draw_world(
    rng: np.random.Generator,
    *,
    n_days: int = 24,
    n_responses: int = 3,
    outlier_rate: float = priors.OUTLIER_RATE,
    missing: float = 0.1,
) -> RegressionWorld:
    """Draw scales, coefficients, drift and errors from the prior, and the results that they make.

    Two flocks are sampled on each of `n_days` days over two seasons of 200 days; one row lies 40 days ahead.
    """
    prior = milk_like_prior(n_responses, outlier_rate=outlier_rate)
    u = rng.standard_normal(prior.n_scales)
    scales = scales_at(prior, u)
    c, q = n_responses, len(NAMES)
    times = np.where(prior.multiplier_of >= 0, scales.multipliers[prior.multiplier_of], 1.0)
    noise = rng.standard_normal((q, c)) @ np.linalg.cholesky(prior.correlation).T
    coefficients = prior.mean + noise * prior.sd * times[:, None]
    sampled = np.linspace(30, 230, n_days // 2).round()
    days = np.concatenate([sampled, sampled + 365.0, [sampled[-1] + 365.0 + 40.0]])
    gap = np.exp(-np.abs(days[:, None] - days) / scales.length)
    time_chol = np.linalg.cholesky(gap + 1e-12 * np.eye(len(days)))
    cov = prior.drift_correlation * np.outer(scales.drift, scales.drift)
    share = np.array([1.0 - scales.own, scales.own, scales.own])
    shocks = rng.standard_normal((len(days), GROUPS, c)) @ np.linalg.cholesky(cov).T
    drift = np.einsum("ts,sgc->tgc", time_chol, shocks) * np.sqrt(share)[None, :, None]
    row_day = np.repeat(np.arange(len(days)), 2)
    flock = np.tile([0, 1], len(days))
    features = features_of(days[row_day], flock)
    loads = np.stack([np.ones(len(flock)), flock == 0, flock == 1], axis=1).astype(float)
    expected = features @ coefficients + np.einsum("jg,jgc->jc", loads, drift[row_day])
    error_cov = prior.noise_correlation * np.outer(scales.noise, scales.noise)
    error = rng.standard_normal(expected.shape) @ np.linalg.cholesky(error_cov).T
    odd = rng.uniform(size=len(flock)) < outlier_rate
    error += odd[:, None] * rng.standard_normal(expected.shape) * prior.outlier_sd
    responses = expected + error
    past = row_day < len(days) - 1
    seen = responses[past]
    seen = np.where(rng.uniform(size=seen.shape) < missing, np.nan, seen)
    table = DriftTable(seen, features[past], loads[past], days[row_day][past])
    return RegressionWorld(
        table,
        prior,
        scales,
        u,
        coefficients,
        drift,
        days,
        features[~past][0],
        loads[~past][0],
        expected[~past][0],
        responses[~past][0],
    )
