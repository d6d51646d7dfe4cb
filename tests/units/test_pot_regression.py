"""The robust regression: conjugate limits, shrinkage, odd rows, refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.pot.regression import odd_beyond, regress


def sound(n: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.standard_normal(n)])
    return X, X @ [2.0, -0.5] + 0.3 * rng.standard_normal(n)


def test_no_rows_give_the_prior() -> None:
    fit = regress(np.empty((0, 2)), np.empty(0), np.asarray([1.0, 2.0]), np.asarray([0.5, 0.1]), 0.3)
    np.testing.assert_allclose(fit.mean, [1.0, 2.0])
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), [0.5, 0.1], rtol=1e-6)
    np.testing.assert_allclose(fit.from_records, 0.0, atol=1e-9)


def test_many_rows_come_near_least_squares() -> None:
    X, y = sound(400)
    fit = regress(X, y, np.zeros(2), np.full(2, 10.0), 0.3)
    by_least_squares = np.linalg.lstsq(X, y, rcond=None)[0]
    np.testing.assert_allclose(fit.mean, by_least_squares, atol=0.01)
    # Its spread is that of least squares to a quarter (a t pays a little for its caution).
    sd = 0.3 * np.sqrt(np.diag(np.linalg.inv(X.T @ X)))
    assert np.all(np.abs(np.sqrt(np.diag(fit.cov)) / sd - 1.0) < 0.25)
    assert np.all(fit.from_records > 0.99)


def test_known_sd_makes_rows_count_less() -> None:
    X, y = sound(40)
    vague = regress(X, y, np.zeros(2), np.full(2, 10.0), 0.3, known_sd=3.0)
    plain = regress(X, y, np.zeros(2), np.full(2, 10.0), 0.3)
    assert np.all(np.diag(vague.cov) > 10 * np.diag(plain.cov))


def test_few_sound_sets_hold_a_row_called_odd() -> None:
    named = sum(len(regress(*sound(40, seed), np.zeros(2), np.full(2, 10.0), 0.3).odd) > 0 for seed in range(20))
    assert named <= 5


def test_draws_have_the_posterior_moments() -> None:
    fit = regress(*sound(30), np.zeros(2), np.full(2, 10.0), 0.3)
    b, noise = fit.draw(np.random.default_rng(3), 20_000)
    np.testing.assert_allclose(b.mean(axis=0), fit.mean, atol=0.005)
    np.testing.assert_allclose(np.cov(b.T), fit.cov, rtol=0.1, atol=1e-4)
    assert noise.min() > 0


@pytest.mark.parametrize(
    ("X", "y", "sd", "words"),
    [
        (np.ones((2, 1)), np.ones(3), [1.0], "2 rows of drivers and 3 outcomes"),
        (np.ones((2, 1)), np.asarray([1.0, np.nan]), [1.0], "missing"),
        (np.ones((2, 1)), np.ones(2), [0.0], "above 0"),
    ],
)
def test_refusals_say_what_is_wrong(X: np.ndarray, y: np.ndarray, sd: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        regress(X, y, np.zeros(1), np.asarray(sd), 0.3)


@settings(max_examples=10, deadline=None)
@given(n=st.integers(1, 20), more=st.integers(1, 30), seed=st.integers(0, 1000))
def test_more_sound_rows_never_leave_less_known(n: int, more: int, seed: int) -> None:
    X, y = sound(n + more, seed)
    few = regress(X[:n], y[:n], np.zeros(2), np.ones(2), 0.3, noise_log_sd=0.01)
    many = regress(X, y, np.zeros(2), np.ones(2), 0.3, noise_log_sd=0.01)
    # At a known scale only the t-weights move, which a single row can shift a little.
    assert np.all(np.diag(many.cov) <= np.diag(few.cov) * 1.3)


def test_oddness_grows_with_the_number_of_rows() -> None:
    assert odd_beyond(1) == 3.0
    # Two-sided 0.05 / 100, standard normal tables: 3.48.
    assert odd_beyond(100) == pytest.approx(3.48, abs=0.01)
