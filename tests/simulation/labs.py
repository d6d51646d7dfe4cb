"""Invented labs: skewed, heavy-tailed errors growing with the level, a run's shared error, wandering calibration."""

from __future__ import annotations

import numpy as np

from tests.simulation.kinds import LabPlan
from tests.simulation.weather import Array

# Errors of fat, protein and lactose in one result go together a little (judgement: 0.2).
_TOGETHER = np.linalg.cholesky(np.array([[1.0, 0.2, 0.0], [0.2, 1.0, 0.1], [0.0, 0.1, 1.0]]))
_PULL = 0.99
_RESET = 1 / 150.0


def run_calibration(lab: LabPlan, start: Array, T: int, rng: np.random.Generator) -> Array:
    """Let the calibration of `n` worlds wander for `T` days from `start` (n, 3); now and then it is set anew."""
    n = start.shape[0]
    out = np.empty((n, T, 3))
    now = start.copy()
    shock = rng.standard_normal((T, n, 3)) * lab.wander_sd * np.sqrt(1 - _PULL**2)
    reset = rng.random((T, n, 1)) < _RESET
    fresh = rng.standard_normal((T, n, 3)) * lab.wander_sd * 0.5
    for t in range(T):
        now = np.where(reset[t], fresh[t], _PULL * now + shock[t])
        out[:, t] = now
    return out


def read(
    lab: LabPlan, true: Array, calibration: Array, rng: np.random.Generator, run: Array | None = None
) -> tuple[Array, np.ndarray]:
    """Results of `lab` on samples of milk whose composition is `true` (row, 3), and which of them were unmixed.

    Unmixed milk: fat off by 0.2-0.5 g sd with a tail to 3 g after hours of standing (a cows' tank study scaled to 7 %
    fat, judgement), more often rich cream than poor milk.
    """
    rows = true.shape[0]
    level = true / np.array([6.7, 5.5, 4.8])
    core = rng.standard_t(6, (rows, 3)) / np.sqrt(1.5) * 0.8 + (rng.gamma(2.0, 1.0, (rows, 3)) - 2.0) / np.sqrt(2) * 0.5
    error = core @ _TOGETHER.T * lab.error_sd * level**1.5
    if run is not None:
        error += run * lab.error_sd * 0.4
    unmixed = rng.random(rows) < lab.unmixed
    side = np.where(rng.random(rows) < 0.6, 1.0, -0.6)
    cream = np.where(unmixed, side * np.minimum(rng.gamma(1.3, 0.65, rows), 3.5), 0.0)
    shift = cream[:, None] * np.array([1.0, -0.06, -0.04])
    return np.maximum(np.round(true + lab.bias + calibration + error + shift, 2), 0.05), unmixed
