"""Gaussian vectors whose precision is block tridiagonal with a border: a drifting state in time, and coefficients.

The unknowns are states ``x_1 … x_T`` (length ``b`` each) and coefficients ``beta`` (length ``p``); their precision is

    [ D_1  U_1            B_1 ]
    [ U_1' D_2  U_2       B_2 ]
    [      …    …    …    …   ]
    [           U'   D_T  B_T ]
    [ B_1' B_2' …    B_T' S   ]

Every operation costs time and memory in proportion to ``T``: the Cholesky factor of such a matrix keeps its shape (the
block form of the Thomas algorithm; Rue & Held 2005, *Gaussian Markov Random Fields*, section 2.4), and the covariances
beside the diagonal follow from one backward pass (Takahashi, Fagan & Chen 1973; in state-space words the
Rauch-Tung-Striebel smoother).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dpotri, dtrtri

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ArrowFactor:
    """The Cholesky factor of an arrow matrix, and the solution of one right-hand side.

    Attributes
    ----------
    inverse_l : array, shape (T, b, b)
        Inverses of the lower triangular diagonal blocks of the factor.
    next_v : array, shape (T, b, b)
        ``L_t^-1 U_t``; the last one is zero.
    border_y : array, shape (T, b, p)
        The border of the factor, ``L_t^-1 (B_t - V_{t-1}' Y_{t-1})``.
    rhs_y : array, shape (T, b)
        The right-hand side carried through the forward pass.
    corner_l : array, shape (p, p)
        Lower Cholesky factor of the Schur complement of the states.
    corner_rhs : array, shape (p,)
        Right-hand side of the Schur complement.
    logdet : float
        Log determinant of the whole matrix.
    """

    inverse_l: Array
    next_v: Array
    border_y: Array
    rhs_y: Array
    corner_l: Array
    corner_rhs: Array
    logdet: float


@dataclass(frozen=True)
class ArrowMoments:
    """Mean and the covariances beside the diagonal of an arrow-shaped Gaussian.

    Attributes
    ----------
    states : array, shape (T, b)
        Mean of the states.
    coefficients : array, shape (p,)
        Mean of the coefficients.
    state_cov : array, shape (T, b, b)
        Covariance of each state.
    conditional_cov : array, shape (T, b, b)
        Covariance of each state if the coefficients were known.
    next_cov : array, shape (T - 1, b, b)
        Covariance of each state with the next one.
    coefficient_cov : array, shape (p, p)
        Covariance of the coefficients.
    state_per_coefficient : array, shape (T, b, p)
        How each state moves with the coefficients; ``state_per_coefficient @ coefficient_cov`` is their covariance.
    """

    states: Array
    coefficients: Array
    state_cov: Array
    conditional_cov: Array
    next_cov: Array
    coefficient_cov: Array
    state_per_coefficient: Array


def factor_arrow(
    diagonal: Array, upper: Array, border: Array, corner: Array, rhs_states: Array, rhs_corner: Array
) -> ArrowFactor:
    """Factor an arrow matrix and carry one right-hand side along.

    Parameters
    ----------
    diagonal : array, shape (T, b, b)
    upper : array, shape (T - 1, b, b)
        Blocks (t, t + 1).
    border : array, shape (T, b, p)
    corner : array, shape (p, p)
    rhs_states : array, shape (T, b)
    rhs_corner : array, shape (p,)

    Returns
    -------
    ArrowFactor

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is not positive definite.
    """
    n_times, width, n_border = border.shape
    inverse_l = np.empty((n_times, width, width))
    next_v = np.zeros((n_times, width, width))
    # The right-hand side rides along as one more column of the border.
    work = np.concatenate([border, rhs_states[:, :, None]], axis=2)
    block = diagonal[0] if n_times else np.zeros((width, width))
    for t in range(n_times):
        lower, failed = dpotrf(block, lower=1, clean=1)
        if failed:
            msg = f"block {t} of the precision is not positive definite"
            raise np.linalg.LinAlgError(msg)
        inv, _ = dtrtri(lower, lower=1)
        inverse_l[t] = inv
        if t:
            work[t] -= next_v[t - 1].T @ work[t - 1]
        work[t] = inv @ work[t]
        if t + 1 < n_times:
            v = inv @ upper[t]
            next_v[t] = v
            block = diagonal[t + 1] - v.T @ v
    flat = work.reshape(-1, n_border + 1)
    cross = flat[:, :n_border].T @ flat
    corner_l, failed = dpotrf(corner - cross[:, :n_border], lower=1, clean=1)
    if failed:
        msg = "the Schur complement of the coefficients is not positive definite"
        raise np.linalg.LinAlgError(msg)
    logdet = -2.0 * np.log(np.diagonal(inverse_l, axis1=1, axis2=2)).sum() + 2.0 * np.log(np.diag(corner_l)).sum()
    return ArrowFactor(
        inverse_l,
        next_v,
        np.ascontiguousarray(work[:, :, :n_border]),
        np.ascontiguousarray(work[:, :, n_border]),
        corner_l,
        rhs_corner - cross[:, n_border],
        float(logdet),
    )


def quadratic(factor: ArrowFactor) -> float:
    """Return ``r' M^-1 r`` of the right-hand side ``r`` that was carried along."""
    inv, _ = dtrtri(factor.corner_l, lower=1)
    corner = inv @ factor.corner_rhs
    return float((factor.rhs_y**2).sum() + corner @ corner)


def moments(factor: ArrowFactor) -> ArrowMoments:
    """Return the mean ``M^-1 r`` and the covariances that lie beside the diagonal of ``M^-1``."""
    n_times, _, n_border = factor.border_y.shape
    if n_border:
        cov, _ = dpotri(factor.corner_l, lower=1)
        cov = np.tril(cov) + np.tril(cov, -1).T
    else:
        cov = np.zeros((0, 0))
    beta = cov @ factor.corner_rhs
    transposed = np.swapaxes(factor.inverse_l, 1, 2)
    gain = transposed @ factor.next_v
    free = np.einsum("tij,tj->ti", transposed, factor.rhs_y)
    direct = transposed @ factor.border_y
    own = transposed @ factor.inverse_l
    per_beta = np.empty_like(direct)
    conditional = np.empty_like(own)
    base = np.empty_like(free)
    for t in range(n_times - 1, -1, -1):
        if t + 1 < n_times:
            g = gain[t]
            per_beta[t] = -direct[t] - g @ per_beta[t + 1]
            conditional[t] = own[t] + g @ conditional[t + 1] @ g.T
            base[t] = free[t] - g @ base[t + 1]
        else:
            per_beta[t], conditional[t], base[t] = -direct[t], own[t], free[t]
    spread = per_beta @ cov
    state_cov = conditional + spread @ np.swapaxes(per_beta, 1, 2)
    next_cov = -gain[:-1] @ conditional[1:] + spread[:-1] @ np.swapaxes(per_beta[1:], 1, 2)
    return ArrowMoments(base + per_beta @ beta, beta, state_cov, conditional, next_cov, cov, per_beta)


def sample_arrow(factor: ArrowFactor, rng: np.random.Generator, n_draws: int) -> tuple[Array, Array]:
    """Draw states and coefficients jointly.

    Parameters
    ----------
    factor
        Of the posterior precision, with its right-hand side.
    rng
        Source of randomness.
    n_draws
        How many draws.

    Returns
    -------
    states : array, shape (n_draws, T, b)
    coefficients : array, shape (n_draws, p)
    """
    n_times, width, n_border = factor.border_y.shape
    corner_inv, _ = dtrtri(factor.corner_l, lower=1) if n_border else (np.zeros((0, 0)), 0)
    beta = corner_inv.T @ ((corner_inv @ factor.corner_rhs)[:, None] + rng.standard_normal((n_border, n_draws)))
    noise = rng.standard_normal((n_times, width, n_draws))
    pulled = noise + factor.rhs_y[:, :, None] - (factor.border_y.reshape(-1, n_border) @ beta).reshape(noise.shape)
    states = np.empty_like(noise)
    for t in range(n_times - 1, -1, -1):
        if t + 1 < n_times:
            pulled[t] -= factor.next_v[t] @ states[t + 1]
        states[t] = factor.inverse_l[t].T @ pulled[t]
    return np.moveaxis(states, 2, 0), np.ascontiguousarray(beta.T)
