"""The regression with drift against a dense Gaussian written out from the model's formula.

The dense covariance of all results (features, drift, errors) is built here with numpy only; scipy's multivariate normal
gives the density.
"""

import dataclasses

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.inference.drifting_regression import (
    DriftPrior,
    DriftTable,
    fit_drifting_regression,
    log_posterior,
    scales_at,
)
from analysis.milk.model import drift_on


def make_prior(rng: np.random.Generator, q: int, c: int, m: int = 2) -> DriftPrior:
    def correlation() -> np.ndarray:
        a = rng.normal(size=(c, c + 2))
        cov = a @ a.T
        sd = np.sqrt(np.diag(cov))
        return cov / np.outer(sd, sd)

    return DriftPrior(
        mean=rng.normal(size=(q, c)),
        sd=rng.uniform(0.2, 1.5, (q, c)),
        correlation=correlation(),
        multiplier_of=rng.integers(-1, m, q),
        multiplier_log_sd=rng.uniform(0.2, 0.6, m),
        noise_sd=rng.uniform(0.1, 0.6, c),
        noise_log_sd=rng.uniform(0.2, 0.5, c),
        noise_correlation=correlation(),
        drift_sd=rng.uniform(0.1, 0.6, c),
        drift_log_sd=rng.uniform(0.2, 0.5, c),
        drift_correlation=correlation(),
        length=float(rng.uniform(5, 60)),
        length_log_sd=0.5,
        own_logit=float(rng.normal()),
        own_logit_sd=0.8,
        outlier_rate=0.03,
        outlier_sd=rng.uniform(0.5, 1.5, c),
    )


def make_table(rng: np.random.Generator, n: int, q: int, c: int, g: int) -> DriftTable:
    responses = rng.normal(size=(n, c))
    # Missing in any pattern, whole rows included.
    responses[rng.uniform(size=(n, c)) < 0.25] = np.nan
    days = rng.integers(0, 4 * n, n).astype(float)
    loads = np.concatenate([np.ones((n, 1)), rng.dirichlet(np.ones(max(g - 1, 1)), n)[:, : g - 1]], axis=1)
    return DriftTable(responses, rng.normal(size=(n, q)), loads, days)


def dense(table: DriftTable, prior: DriftPrior, u: np.ndarray, outlier: np.ndarray):
    """Covariance and mean of all responses row by row, and their covariance with the coefficients."""
    scales = scales_at(prior, u)
    n, c = table.responses.shape
    times = np.where(prior.multiplier_of >= 0, scales.multipliers[prior.multiplier_of], 1.0)
    sd = prior.sd * times[:, None]
    q = len(sd)
    coef_cov = np.zeros((q, c, q, c))
    for k in range(q):
        coef_cov[k, :, k, :] = prior.correlation * np.outer(sd[k], sd[k])
    x = np.einsum("jk,cd->jckd", table.features, np.eye(c)).reshape(n * c, q * c)
    whole = x @ coef_cov.reshape(q * c, q * c) @ x.T
    drift = prior.drift_correlation * np.outer(scales.drift, scales.drift)
    decay = np.exp(-np.abs(table.days[:, None] - table.days) / scales.length)
    groups = table.loads.shape[1]
    own = scales.own if groups > 1 else 0.0
    shares = np.array([1.0 - own] + [own] * (groups - 1))
    together = np.einsum("jg,g,ig->ji", table.loads, shares, table.loads) * decay
    whole += np.einsum("ji,cd->jcid", together, drift).reshape(n * c, n * c)
    small = np.linalg.inv(prior.noise_correlation * np.outer(scales.noise, scales.noise))
    for j in range(n):
        seen = np.flatnonzero(np.isfinite(table.responses[j]))
        if not len(seen):
            continue
        cov = prior.noise_correlation * np.outer(scales.noise, scales.noise)
        small = np.linalg.inv(cov[np.ix_(seen, seen)])
        large = np.linalg.inv((cov + np.diag(prior.outlier_sd**2))[np.ix_(seen, seen)])
        # A row that is an outlier with probability r has the precision in between.
        at = j * c + seen
        whole[np.ix_(at, at)] += np.linalg.inv((1 - outlier[j]) * small + outlier[j] * large)
    mean = (table.features @ prior.mean).ravel()
    seen = np.flatnonzero(np.isfinite(table.responses.ravel()))
    cross = coef_cov.reshape(q * c, q * c) @ x.T
    return whole[np.ix_(seen, seen)], mean[seen], cross[:, seen], table.responses.ravel()[seen]


@pytest.mark.parametrize("seed", range(40))
def test_log_posterior_equals_the_dense_density(seed):
    rng = np.random.default_rng(seed)
    n, q, c, g = int(rng.integers(1, 25)), int(rng.integers(1, 6)), int(rng.integers(1, 4)), int(rng.integers(1, 4))
    prior, table = make_prior(rng, q, c), make_table(rng, n, q, c, g)
    u = 0.7 * rng.normal(size=prior.n_scales)
    value, _ = log_posterior(table, prior, u)
    cov, mean, _, y = dense(table, prior, u, np.zeros(n))
    expected = multivariate_normal(mean, cov).logpdf(y) if len(y) else 0.0
    # With no outliers the bound has the log prior of that: each row is ordinary.
    expected += n * np.log1p(-prior.outlier_rate) - 0.5 * u @ u
    assert value == pytest.approx(expected, rel=1e-8, abs=1e-8)


@pytest.mark.parametrize("seed", range(15))
def test_gradient_equals_finite_differences(seed):
    rng = np.random.default_rng(100 + seed)
    n, q, c, g = int(rng.integers(2, 20)), int(rng.integers(1, 5)), int(rng.integers(1, 4)), int(rng.integers(1, 4))
    prior, table = make_prior(rng, q, c), make_table(rng, n, q, c, g)
    outlier = rng.uniform(0, 1, n) * (rng.uniform(size=n) < 0.5)
    u = 0.7 * rng.normal(size=prior.n_scales)
    _, gradient = log_posterior(table, prior, u, outlier)
    step = 1e-4
    for i in range(len(u)):
        shift = np.eye(len(u))[i] * step
        slope = (
            log_posterior(table, prior, u + shift, outlier)[0] - log_posterior(table, prior, u - shift, outlier)[0]
        ) / (2 * step)
        assert gradient[i] == pytest.approx(slope, rel=1e-5, abs=1e-5)


def fixed(prior: DriftPrior) -> DriftPrior:
    """The same prior with scales that are known."""
    none = 1e-7
    return dataclasses.replace(
        prior,
        multiplier_log_sd=np.full_like(prior.multiplier_log_sd, none),
        noise_log_sd=np.full_like(prior.noise_log_sd, none),
        drift_log_sd=np.full_like(prior.drift_log_sd, none),
        length_log_sd=none,
        own_logit_sd=none,
        outlier_rate=1e-12,
    )


def test_with_known_scales_the_posterior_is_the_dense_conditional():
    rng = np.random.default_rng(7)
    n, q, c, g = 18, 4, 3, 3
    prior, table = fixed(make_prior(rng, q, c)), make_table(rng, n, q, c, g)
    posterior = fit_drifting_regression(table, prior, n_points=4)
    cov, mean, cross, y = dense(table, prior, np.zeros(prior.n_scales), np.zeros(n))
    gain = cross @ np.linalg.inv(cov)
    expected = prior.mean.ravel() + gain @ (y - mean)
    prior_cov = np.zeros((q, c, q, c))
    for k in range(q):
        prior_cov[k, :, k, :] = prior.correlation * np.outer(prior.sd[k], prior.sd[k])
    left = prior_cov.reshape(q * c, q * c) - gain @ cross.T
    draws = posterior.sample(np.random.default_rng(8), 8000)
    sd = np.sqrt(np.diag(left))
    found = draws.coefficients.reshape(8000, -1)
    assert (np.abs(found.mean(0) - expected) < 4.5 * sd / np.sqrt(8000)).all()
    assert (np.abs(np.cov(found.T) - left) / np.outer(sd, sd) < 4.5 * np.sqrt(2 / 8000)).all()
    # What is expected of a result and what was not explained of it add up to it; the error's share of a result's
    # variance.
    noise = np.zeros((n * c, n * c))
    noise_cov = prior.noise_correlation * np.outer(prior.noise_sd, prior.noise_sd)
    for j in range(n):
        noise[j * c : (j + 1) * c, j * c : (j + 1) * c] = noise_cov
    seen = np.flatnonzero(np.isfinite(table.responses.ravel()))
    smooth = y - noise[np.ix_(seen, seen)] @ np.linalg.solve(cov, y - mean)
    np.testing.assert_allclose(posterior.fitted.ravel()[seen], smooth, atol=1e-5)
    variance = np.diag(
        noise[np.ix_(seen, seen)] - noise[np.ix_(seen, seen)] @ np.linalg.solve(cov, noise[np.ix_(seen, seen)])
    )
    np.testing.assert_allclose(posterior.fitted_sd.ravel()[seen] ** 2, variance, atol=1e-5)


def test_an_empty_table_gives_the_prior_back():
    rng = np.random.default_rng(9)
    prior = make_prior(rng, 3, 2)
    empty = DriftTable(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros((0, 2)), np.zeros(0))
    posterior = fit_drifting_regression(empty, prior, n_points=64)
    n = 20_000
    draws = posterior.sample(np.random.default_rng(10), n)
    still = prior.multiplier_of < 0
    expected = prior.sd[still]
    assert (np.abs(draws.coefficients.mean(0) - prior.mean) < 6 * prior.sd / np.sqrt(n) * np.exp(0.6)).all()
    np.testing.assert_allclose(draws.coefficients.std(0)[still], expected, rtol=0.03)
    noise = np.log(np.stack([s.noise for s in draws.scales])[draws.point] / prior.noise_sd)
    np.testing.assert_allclose(noise.mean(0) / prior.noise_log_sd, 0.0, atol=0.25)
    np.testing.assert_allclose(noise.std(0) / prior.noise_log_sd, 1.0, atol=0.2)


def test_one_row_moves_the_prior_as_the_dense_conditional_does():
    rng = np.random.default_rng(11)
    prior = fixed(make_prior(rng, 2, 2))
    table = DriftTable(np.array([[3.0, np.nan]]), np.array([[1.0, 0.5]]), np.array([[1.0, 1.0]]), np.array([5.0]))
    posterior = fit_drifting_regression(table, prior, n_points=1)
    cov, mean, cross, y = dense(table, prior, np.zeros(prior.n_scales), np.zeros(1))
    expected = prior.mean.ravel() + cross @ np.linalg.solve(cov, y - mean)
    draws = posterior.sample(np.random.default_rng(1), 8000).coefficients.reshape(8000, -1)
    assert (np.abs(draws.mean(0) - expected) < 4.5 * draws.std(0) / np.sqrt(8000)).all()


def test_the_order_of_rows_is_irrelevant():
    rng = np.random.default_rng(12)
    prior, table = make_prior(rng, 3, 3), make_table(rng, 25, 3, 3, 2)
    order = rng.permutation(25)
    mixed = DriftTable(*(getattr(table, f.name)[order] for f in dataclasses.fields(table)))
    a, b = fit_drifting_regression(table, prior), fit_drifting_regression(mixed, prior)
    assert a.log_evidence == pytest.approx(b.log_evidence, rel=1e-6)
    np.testing.assert_allclose(a.fitted[order], b.fitted, rtol=1e-4, atol=1e-4)
    np.testing.assert_allclose(a.outlier[order], b.outlier, rtol=1e-3, atol=1e-5)


def test_a_gross_error_is_found_and_does_not_drag_the_fit():
    rng = np.random.default_rng(13)
    n = 40
    prior = dataclasses.replace(
        make_prior(rng, 1, 1, m=0),
        mean=np.zeros((1, 1)),
        sd=np.full((1, 1), 5.0),
        noise_sd=np.array([0.2]),
        drift_sd=np.array([0.1]),
        outlier_sd=np.array([2.0]),
        multiplier_of=np.array([-1]),
    )
    y = 4.0 + 0.2 * rng.normal(size=(n, 1))
    table = DriftTable(y, np.ones((n, 1)), np.ones((n, 1)), np.arange(n) * 7.0)
    clean = fit_drifting_regression(table, prior)
    spoiled = y.copy()
    spoiled[17] += 3.0
    found = fit_drifting_regression(dataclasses.replace(table, responses=spoiled), prior)
    assert found.outlier[17] > 0.99
    assert np.delete(found.outlier, 17).max() < 0.5
    assert abs(found.fitted[17, 0] - clean.fitted[17, 0]) < 0.06


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"features": np.full((3, 2), np.nan)}, "features of row 0"),
        ({"days": np.array([0.0, np.inf, 2.0])}, "days of row 1"),
        ({"features": np.ones((3, 4))}, "prior mean"),
        ({"days": np.arange(2.0)}, "must be equal"),
    ],
)
def test_a_table_that_does_not_fit_is_refused_in_words(change, words):
    prior = make_prior(np.random.default_rng(1), 2, 1)
    table = DriftTable(np.ones((3, 1)), np.ones((3, 2)), np.ones((3, 1)), np.arange(3.0))
    with pytest.raises(ValueError, match=words):
        fit_drifting_regression(dataclasses.replace(table, **change), prior)


def test_drift_between_sampled_days_has_the_moments_of_the_dense_conditional():
    """An Ornstein-Uhlenbeck bridge, and the free run before the first and after the last day."""
    rng = np.random.default_rng(14)
    prior = fixed(make_prior(rng, 1, 2))
    table = DriftTable(rng.normal(size=(3, 2)), np.ones((3, 1)), np.ones((3, 2)), np.array([10.0, 30.0, 37.0]))
    posterior = fit_drifting_regression(table, prior, n_points=1)
    n = 20_000
    sample = posterior.sample(np.random.default_rng(15), n)
    wanted = np.array([2.0, 10.0, 14.0, 22.0, 37.0, 45.0, 70.0])
    drift = drift_on(sample, prior, wanted, np.random.default_rng(16))
    scales = scales_at(prior, np.zeros(prior.n_scales))
    states = sample.states
    every = np.concatenate([wanted, sample.knots])
    together = np.exp(-np.abs(every[:, None] - every) / scales.length)
    k = len(wanted)
    gain = together[:k, k:] @ np.linalg.inv(together[k:, k:])
    left = together[:k, :k] - gain @ together[k:, :k]
    for group, share in enumerate((1.0 - scales.own, scales.own)):
        cov = share * prior.drift_correlation * np.outer(scales.drift, scales.drift)
        apart = drift[:, :, group] - np.einsum("wk,nkc->nwc", gain, states[:, :, group])
        for c in range(2):
            found = np.cov(apart[:, :, c].T)
            assert np.abs(apart[:, :, c].mean(0)).max() < 4.5 * np.sqrt(cov[c, c] / n)
            assert np.abs(found - left * cov[c, c]).max() < 4.5 * cov[c, c] * np.sqrt(2 / n)
        both = (apart[:, :, 0] * apart[:, :, 1]).mean(0)
        assert np.abs(both - np.diag(left) * cov[0, 1]).max() < 4.5 * np.sqrt(2 * cov[0, 0] * cov[1, 1] / n)
