"""Arrow-shaped precisions against dense linear algebra (numpy)."""

import numpy as np
import pytest

from analysis.inference.arrow import factor_arrow, moments, quadratic, sample_arrow

SHAPES = [(1, 1, 0), (1, 3, 2), (2, 2, 1), (5, 3, 4), (12, 4, 7), (3, 2, 0)]


def make_arrow(n_times: int, width: int, n_border: int, seed: int):
    """A random positive definite arrow matrix in pieces, and dense."""
    rng = np.random.default_rng(seed)
    size = n_times * width
    whole = np.zeros((size + n_border, size + n_border))
    # A sum of squares of rows that touch one state, two neighbours, or a state and the coefficients keeps the shape.
    for t in range(n_times):
        for _ in range(width + 2):
            row = np.zeros(size + n_border)
            row[t * width : (t + 1) * width] = rng.normal(size=width)
            if t + 1 < n_times:
                row[(t + 1) * width : (t + 2) * width] = rng.normal(size=width)
            whole += np.outer(row, row)
            row = np.zeros(size + n_border)
            row[t * width : (t + 1) * width] = rng.normal(size=width)
            row[size:] = rng.normal(size=n_border)
            whole += np.outer(row, row)
    whole += 0.3 * np.eye(len(whole))
    diagonal = np.stack([whole[t * width : (t + 1) * width, t * width : (t + 1) * width] for t in range(n_times)])
    upper = np.zeros((max(n_times - 1, 0), width, width))
    for t in range(n_times - 1):
        upper[t] = whole[t * width : (t + 1) * width, (t + 1) * width : (t + 2) * width]
    border = whole[:size, size:].reshape(n_times, width, n_border)
    rhs = rng.normal(size=size + n_border)
    pieces = (diagonal, upper, border, whole[size:, size:], rhs[:size].reshape(n_times, width), rhs[size:])
    return pieces, whole, rhs


@pytest.mark.parametrize("shape", SHAPES)
def test_determinant_and_quadratic_form_are_those_of_the_dense_matrix(shape):
    pieces, whole, rhs = make_arrow(*shape, seed=1)
    factor = factor_arrow(*pieces)
    assert factor.logdet == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-10, abs=1e-10)
    assert quadratic(factor) == pytest.approx(rhs @ np.linalg.solve(whole, rhs), rel=1e-9)


@pytest.mark.parametrize("shape", SHAPES)
def test_mean_and_covariances_are_those_of_the_dense_inverse(shape):
    n_times, width, _ = shape
    pieces, whole, rhs = make_arrow(*shape, seed=2)
    found = moments(factor_arrow(*pieces))
    inverse, mean = np.linalg.inv(whole), np.linalg.solve(whole, rhs)
    size = n_times * width
    np.testing.assert_allclose(found.states.ravel(), mean[:size], rtol=1e-8, atol=1e-9)
    np.testing.assert_allclose(found.coefficients, mean[size:], rtol=1e-8, atol=1e-9)
    np.testing.assert_allclose(found.coefficient_cov, inverse[size:, size:], rtol=1e-8, atol=1e-10)
    cross = (found.state_per_coefficient @ found.coefficient_cov).reshape(size, -1)
    np.testing.assert_allclose(cross, inverse[:size, size:], rtol=1e-8, atol=1e-10)
    for t in range(n_times):
        here = slice(t * width, (t + 1) * width)
        np.testing.assert_allclose(found.state_cov[t], inverse[here, here], rtol=1e-8, atol=1e-10)
        if t + 1 < n_times:
            after = slice((t + 1) * width, (t + 2) * width)
            np.testing.assert_allclose(found.next_cov[t], inverse[here, after], rtol=1e-8, atol=1e-10)


def test_draws_have_the_mean_and_covariance_of_the_dense_gaussian():
    pieces, whole, rhs = make_arrow(4, 2, 3, seed=3)
    n = 40_000
    states, coefficients = sample_arrow(factor_arrow(*pieces), np.random.default_rng(4), n)
    draws = np.concatenate([states.reshape(n, -1), coefficients], axis=1)
    cov, mean = np.linalg.inv(whole), np.linalg.solve(whole, rhs)
    sd = np.sqrt(np.diag(cov))
    # Standard errors of means and of correlations over n independent draws; 36 + 8 figures, each within 4.5 of them.
    assert (np.abs(draws.mean(0) - mean) < 4.5 * sd / np.sqrt(n)).all()
    found = np.cov(draws.T) / np.outer(sd, sd)
    assert (np.abs(found - cov / np.outer(sd, sd)) < 4.5 * np.sqrt(2 / n)).all()


def test_a_matrix_that_is_not_positive_definite_is_refused():
    pieces, _, _ = make_arrow(3, 2, 2, seed=5)
    diagonal = pieces[0].copy()
    diagonal[1] -= 100.0 * np.eye(2)
    with pytest.raises(np.linalg.LinAlgError, match="block 1"):
        factor_arrow(diagonal, *pieces[1:])
    with pytest.raises(np.linalg.LinAlgError, match="coefficients"):
        factor_arrow(*pieces[:3], pieces[3] - 100.0 * np.eye(2), *pieces[4:])
