"""Scores of the milk study against their definitions, and against the package scoringrules where it is installed."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from tests.simulation.scoring import bootstrap_mean, bootstrap_ratio, crps_normal, interval_score


@pytest.mark.parametrize(("truth", "mean", "sd"), [(0.0, 0.0, 1.0), (6.9, 6.2, 0.3), (4.0, 4.7, 0.05)])
def test_crps_of_a_normal_is_its_integral(truth, mean, sd):
    """Gneiting & Raftery 2007, equation 20: the integral of the squared distance of the distribution functions."""

    def distance(x: float) -> float:
        return float((norm.cdf(x, mean, sd) - (x >= truth)) ** 2)

    low, high = min(truth, mean) - 12 * sd, max(truth, mean) + 12 * sd
    whole = sum(quad(distance, a, b, limit=200)[0] for a, b in ((low, truth), (truth, high)))
    assert crps_normal(np.array([truth]), np.array([mean]), np.array([sd]))[0] == pytest.approx(whole, rel=1e-5)


def test_interval_score_is_width_and_twenty_times_the_miss():
    """Gneiting & Raftery 2007, equation 43, with alpha 0.10."""
    truth, lo, hi = np.array([5.0, 4.0, 7.5]), np.full(3, 4.5), np.full(3, 6.5)
    np.testing.assert_allclose(interval_score(truth, lo, hi), [2.0, 2.0 + 20 * 0.5, 2.0 + 20 * 1.0])


def test_scores_agree_with_scoringrules():
    scoringrules = pytest.importorskip("scoringrules")
    rng = np.random.default_rng(1)
    truth, mean, sd = rng.normal(size=50), rng.normal(size=50), rng.uniform(0.1, 2, 50)
    np.testing.assert_allclose(crps_normal(truth, mean, sd), scoringrules.crps_normal(truth, mean, sd), rtol=1e-10)
    found = scoringrules.interval_score(truth, mean - sd, mean + sd, 0.1)
    np.testing.assert_allclose(interval_score(truth, mean - sd, mean + sd), found, rtol=1e-10)


def test_bootstrap_over_dairies_has_the_width_of_the_standard_error():
    rng = np.random.default_rng(2)
    value = rng.normal(3.0, 1.0, 400)
    mean, lo, hi = bootstrap_mean(value)
    assert mean == pytest.approx(value.mean())
    assert (hi - lo) / (2 * 1.645) == pytest.approx(1.0 / np.sqrt(400), rel=0.15)
    # A dairy without a score is left out of both sides.
    top = np.append(value, np.nan)
    assert bootstrap_ratio(top, np.append(value, 1.0)) == pytest.approx((1.0, 1.0, 1.0))
