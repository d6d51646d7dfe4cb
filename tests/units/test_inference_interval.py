"""Interval-censored regression with drift: held to plain algebra, dense Gaussians and brute-force integration."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import multivariate_normal, norm

from analysis.inference.censored_normal import censored_moments, log_interval_mass
from analysis.inference.hyper_integration import find_mode, normalised, weighted_points
from analysis.inference.interval_regression import (
    Looks,
    Points,
    draw_coefficients_and_end,
    fit_sites,
    take_points,
)


def season(rng, n=30, width=0.2, per_day=2, slip=0.0):
    days = np.arange(n) // per_day
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    gap = rng.integers(1, 9, days[-1]).astype(float)
    y = 5.1 + 0.1 * x[:, 1] + 0.1 * rng.normal(size=n)
    lower = np.floor(y / width) * width
    looks = Looks(
        lower, lower + width, x, np.array([0.3, 0.2]), days, gap, np.full(n, slip), np.full(n, np.log(width / 3))
    )
    points = Points(
        np.full((2, n), 5.0),
        np.array([[0.01] * n, [0.02] * n]),
        np.zeros((2, n)),
        np.full((2, n), np.inf),
        np.array([0.1, 0.15]),
        np.array([20.0, 60.0]),
    )
    return looks, points


@pytest.mark.parametrize(
    ("mean", "var", "lower", "upper"),
    [
        (0.0, 1.0, -0.5, 1.2),
        (5.0, 0.04, 5.1, 5.2),
        (0.0, 1.0, 2.0, np.inf),
        (0.0, 1.0, -np.inf, -3.0),
        (0.0, 1.0, 7.0, 7.5),
        (0.0, 1.0, -np.inf, np.inf),
    ],
)
def test_censored_moments_are_those_of_numerical_integration(mean, var, lower, upper):
    sd = var**0.5
    low, high = max(lower, mean - 12 * sd), min(upper, mean + 12 * sd)

    def moment(k):
        return quad(lambda y: y**k * norm.pdf(y, mean, sd), low, high, epsabs=1e-13, epsrel=1e-10)[0]

    mass = moment(0)
    expected_mean = moment(1) / mass
    spread = quad(lambda y: (y - expected_mean) ** 2 * norm.pdf(y, mean, sd), low, high, epsabs=1e-13, epsrel=1e-10)[0]
    got = censored_moments(*(np.array(v) for v in (mean, var, lower, upper)))
    assert float(np.exp(got.log_mass)) == pytest.approx(mass, rel=1e-7)
    assert float(got.mean) == pytest.approx(expected_mean, rel=1e-7, abs=1e-9)
    assert float(got.var) == pytest.approx(spread / mass, rel=1e-5)


def test_a_value_known_exactly_has_the_normal_density_and_no_variance():
    got = censored_moments(np.array(1.0), np.array(4.0), np.array(2.5), np.array(2.5))
    assert float(got.log_mass) == pytest.approx(norm.logpdf(2.5, 1.0, 2.0))
    assert (float(got.mean), float(got.var)) == (2.5, 0.0)


def test_interval_mass_keeps_its_digits_in_both_tails():
    a = np.array([20.0, -21.0])
    assert log_interval_mass(a, a + 1.0) == pytest.approx(norm.logsf(20.0), rel=1e-9)


def dense(looks, points, m):
    """Prior mean and covariance of the linear predictor by plain matrices."""
    day = np.r_[0.0, np.cumsum(looks.gap_days)][looks.node]
    drift = points.drift_sd[m] ** 2 * np.exp(-np.abs(day[:, None] - day) / points.drift_days[m])
    return looks.design @ np.diag(looks.prior_sd**2) @ looks.design.T + drift


def test_rows_known_exactly_give_the_dense_gaussian_likelihood_and_posterior():
    looks, points = season(np.random.default_rng(1))
    y = looks.lower + 0.07
    looks = replace(looks, lower=y, upper=y)
    fit = fit_sites(looks, points, tolerance=1e-10)
    for m in range(2):
        cov = dense(looks, points, m) + np.diag(points.noise_var[m])
        assert fit.log_evidence[m] == pytest.approx(multivariate_normal.logpdf(y, points.offset[m], cov), rel=1e-8)
        gain = np.diag(looks.prior_sd**2) @ looks.design.T @ np.linalg.inv(cov)
        assert fit.gaussian.beta[m] == pytest.approx(gain @ (y - points.offset[m]), rel=1e-6)


def test_a_noisy_reading_alone_is_gaussian_regression_with_its_variance_added():
    looks, points = season(np.random.default_rng(2))
    n = len(looks.lower)
    z = looks.lower + 0.1
    looks = replace(looks, lower=np.full(n, -np.inf), upper=np.full(n, np.inf))
    points = replace(points, z=np.tile(z, (2, 1)), z_var=np.full((2, n), 0.0025))
    fit = fit_sites(looks, points, tolerance=1e-10)
    cov = dense(looks, points, 1) + np.diag(points.noise_var[1] + 0.0025)
    assert fit.log_evidence[1] == pytest.approx(multivariate_normal.logpdf(z, points.offset[1], cov), rel=1e-8)


@pytest.mark.parametrize("slip", [0.0, 0.03])
def test_intervals_agree_with_brute_force_over_the_prior(slip):
    rng = np.random.default_rng(3)
    looks, points = season(rng, n=6, width=0.3, slip=slip)
    fit = fit_sites(looks, points, tolerance=1e-8)
    draws = 200_000
    beta = rng.normal(size=(draws, 2)) * looks.prior_sd
    day = np.r_[0.0, np.cumsum(looks.gap_days)]
    cov = points.drift_sd[0] ** 2 * np.exp(-np.abs(day[:, None] - day) / points.drift_days[0])
    drift = rng.multivariate_normal(np.zeros(len(day)), cov, draws, method="cholesky")
    f = 5.0 + beta @ looks.design.T + drift[:, looks.node]
    mass = norm.cdf((looks.upper - f) / 0.1) - norm.cdf((looks.lower - f) / 0.1)
    weight = np.prod((1 - slip) * mass + slip * np.exp(looks.slip_log_mass), axis=1)
    mean = weight @ beta / weight.sum()
    sd = np.sqrt(weight @ (beta - mean) ** 2 / weight.sum())
    assert fit.log_evidence[0] == pytest.approx(np.log(weight.mean()), abs=0.03)
    assert fit.gaussian.beta[0] == pytest.approx(mean, abs=0.004)
    drawn, _ = draw_coefficients_and_end(fit, np.zeros(40_000, dtype=np.intp), rng)
    # With slips the posterior is no longer log-concave, and its Gaussian a little too narrow.
    assert drawn.std(axis=0) == pytest.approx(sd, rel=0.03 if slip == 0 else 0.10)


def test_one_look_far_off_is_taken_for_a_slip_and_moves_nothing():
    looks, points = season(np.random.default_rng(4), n=40, slip=0.02)
    clean = fit_sites(looks, points)
    upper, lower = looks.upper.copy(), looks.lower.copy()
    lower[17], upper[17] = np.log(900.0), np.inf
    slipped = fit_sites(replace(looks, lower=lower, upper=upper), points)
    assert slipped.slip[0, 17] > 0.95
    assert abs(slipped.gaussian.beta[0, 0] - clean.gaussian.beta[0, 0]) < 0.02


def test_a_break_makes_the_drift_forget():
    looks, points = season(np.random.default_rng(5), n=20, per_day=1)
    gap = np.full(19, 1.0)
    joined = fit_sites(replace(looks, gap_days=gap), points).gaussian
    gap[9] = 1e6
    parted = fit_sites(replace(looks, gap_days=gap), points).gaussian
    assert parted.log_det_prior[0] < joined.log_det_prior[0]
    # Given the coefficients, the node after the break is as uncertain as if the first nine days had not been.
    after = replace(
        looks,
        **{k: getattr(looks, k)[10:] for k in ("lower", "upper", "design", "slip", "slip_log_mass")},
        node=looks.node[10:] - 10,
        gap_days=gap[10:],
    )
    alone = fit_sites(
        after, replace(points, **{k: getattr(points, k)[:, 10:] for k in ("offset", "noise_var", "z", "z_var")})
    )
    assert parted.drift_var_given_beta[0, 10] == pytest.approx(alone.gaussian.drift_var_given_beta[0, 0], rel=0.05)
    assert joined.drift_var_given_beta[0, 10] < parted.drift_var_given_beta[0, 10]


def test_points_are_fitted_as_if_each_were_alone():
    looks, points = season(np.random.default_rng(6))
    together = fit_sites(looks, points, tolerance=1e-8)
    alone = fit_sites(looks, take_points(points, np.array([1])), tolerance=1e-8)
    assert together.log_evidence[1] == pytest.approx(alone.log_evidence[0], abs=1e-6)


def test_bad_rows_are_refused_by_number():
    looks, _ = season(np.random.default_rng(7))
    with pytest.raises(ValueError, match="row 3: lower limit"):
        replace(looks, upper=np.where(np.arange(30) == 3, looks.lower - 1.0, looks.upper))
    with pytest.raises(ValueError, match="node must start at 0"):
        replace(looks, node=looks.node[::-1])


def test_mode_and_weighted_points_recover_a_skewed_posterior():
    # log density of a log-gamma-like bowl: mean of exp(theta) known by quadrature
    def value_and_gradient(unit):
        a, b = unit[:, 0], unit[:, 1]
        value = 4.0 * a - 3.0 * np.exp(a) - 0.5 * (b - a) ** 2
        return value, np.column_stack([4.0 - 3.0 * np.exp(a) + (b - a), -(b - a)])

    mode = find_mode(value_and_gradient, lambda _: np.array([4.0, 1.0]), 2)
    assert mode.where == pytest.approx([np.log(4 / 3)] * 2, abs=0.1)
    unit, log_proposal = weighted_points(mode, 256)
    weights = normalised(value_and_gradient(unit)[0] - log_proposal)
    top = quad(lambda a: np.exp(5.0 * a - 3.0 * np.exp(a)), -10, 5)[0]
    bottom = quad(lambda a: np.exp(4.0 * a - 3.0 * np.exp(a)), -10, 5)[0]
    assert weights @ np.exp(unit[:, 0]) == pytest.approx(top / bottom, rel=0.02)
