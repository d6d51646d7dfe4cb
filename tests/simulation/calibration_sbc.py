"""Simulation-based calibration of the regression with drift (Talts et al. 2018, arXiv 1804.06788).

`python -m tests.simulation.calibration_sbc --n 100` draws scales, coefficients, drift and errors from the prior, fits
the results that they make, and ranks each truth among the posterior's draws. If algebra and approximation are right,
ranks are uniform; the Cramer-von Mises test says how far from it they are. With --write it writes
tests/simulation/results/milk_calibration.md.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import cramervonmises
from threadpoolctl import threadpool_limits

from analysis.inference.drifting_regression import Scales, fit_drifting_regression
from analysis.milk.model import drift_on
from tests.simulation.regression_world import MULTIPLIERS, NAMES, draw_world

RESULT = Path(__file__).parent / "results" / "milk_calibration.md"
COMPONENTS = ("fat", "protein", "lactose")
DRAWS = 999


def ranks_of(job: tuple[int, int, float]) -> dict[str, float]:
    """Rank (0 to 1) of each truth among the posterior draws of one world."""
    seed, n_days, outlier_rate = job
    with threadpool_limits(1):
        world = draw_world(np.random.default_rng([seed, 1]), n_days=n_days, outlier_rate=outlier_rate)
        fit = fit_drifting_regression(world.table, world.prior, seed=seed)
        rng = np.random.default_rng([seed, 2])
        draws = fit.sample(rng, DRAWS)
        out: dict[str, float] = {}

        def rank(name: str, drawn: np.ndarray, truth: float) -> None:
            out[name] = (np.sum(drawn < truth) + rng.uniform() * (1 + np.sum(drawn == truth))) / (len(drawn) + 1)

        # A scale is known on a few weighted points only: its place among them is spread evenly between neighbours.
        truth = scale_values(world.scales)
        for name, value in truth.items():
            drawn = _smoothed([scale_values(s)[name] for s in draws.scales], draws.point, rng)
            rank(name, drawn, np.log(value))
        for q, name in enumerate(NAMES):
            for c in (0, 1, 2):
                rank(f"{name} {COMPONENTS[c]}", draws.coefficients[:, q, c], world.coefficients[q, c])
        drift = drift_on(draws, world.prior, world.days[-2:], rng)
        noise = np.stack([s.noise for s in draws.scales])[draws.point]
        chol = np.linalg.cholesky(world.prior.noise_correlation)
        ahead = np.einsum("q,dqc->dc", world.ahead_features, draws.coefficients)
        ahead += np.einsum("g,dgc->dc", world.ahead_loads, drift[:, 1])
        error = (rng.standard_normal(ahead.shape) @ chol.T) * noise
        odd = rng.uniform(size=len(ahead)) < world.prior.outlier_rate
        error += odd[:, None] * rng.standard_normal(ahead.shape) * world.prior.outlier_sd
        for c, name in enumerate(COMPONENTS):
            rank(f"common drift on the last day {name}", drift[:, 0, 0, c], world.drift[-2, 0, c])
            rank(f"own drift on the last day {name}", drift[:, 0, 1, c], world.drift[-2, 1, c])
            rank(f"expected 40 days ahead {name}", ahead[:, c], world.ahead[c])
            rank(f"one result 40 days ahead {name}", (ahead + error)[:, c], world.ahead_result[c])
    return out


def scale_values(scales: Scales) -> dict[str, float]:
    """Scales by name."""
    out = {f"noise {name}": float(x) for name, x in zip(COMPONENTS, scales.noise, strict=False)}
    out |= {f"drift {name}": float(x) for name, x in zip(COMPONENTS, scales.drift, strict=False)}
    out |= {"length": scales.length, "own share": scales.own}
    return out | {f"multiplier {name}": float(x) for name, x in zip(MULTIPLIERS, scales.multipliers, strict=True)}


def _smoothed(values: list[float], point: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draws of the log of a scale, each spread over the gap around its point."""
    log = np.log(np.array(values))
    order = np.argsort(log)
    sorted_log = log[order]
    middle = 0.5 * (sorted_log[1:] + sorted_log[:-1])
    first, last = 1.5 * sorted_log[0] - 0.5 * sorted_log[1], 1.5 * sorted_log[-1] - 0.5 * sorted_log[-2]
    edges = np.concatenate([[first], middle, [last]])
    place = np.argsort(order)[point]
    return edges[place] + rng.uniform(size=len(point)) * (edges[place + 1] - edges[place])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=100)
    parser.add_argument("--days", type=int, default=24, help="sampled days a world; two flocks on each")
    parser.add_argument("--outlier-rate", type=float, default=0.03)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--date", default="2026-11-25")
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    begun = time.perf_counter()
    jobs = [(seed, given.days, given.outlier_rate) for seed in range(given.n)]
    with ProcessPoolExecutor(given.processes, mp_context=get_context("spawn")) as pool:
        ranks = pd.DataFrame(list(pool.map(ranks_of, jobs, chunksize=5)))
    lines = []
    for name in ranks:
        x = ranks[name].to_numpy()
        inside = float(np.mean((x > 0.05) & (x < 0.95)))
        p = float(cramervonmises(x, "uniform").pvalue)
        deciles = " ".join(str(n) for n in np.histogram(x, bins=10, range=(0, 1))[0])
        lines.append((name, f"{x.mean():.2f}", f"{inside:.2f}", f"{p:.4f}", deciles))
    least = min(lines, key=lambda line: float(line[3]))
    text = "# Simulation-based calibration of the regression with drift\n\n"
    text += f"`python -m tests.simulation.calibration_sbc --n {given.n} --days {given.days}"
    text += f" --outlier-rate {given.outlier_rate}`, {given.date}.\n\n"
    text += "\n".join(__doc__.splitlines()[2:6]).strip() + "\n\n"
    text += f"{len(lines)} quantities; least p {least[3]} ({least[0]}); goal: each p > 0.001.\n\n"
    text += "| quantity | mean rank | inside 90 % | p (uniform) | ranks by tenths |\n|---|---|---|---|---|\n"
    text += "\n".join("| " + " | ".join(line) + " |" for line in lines) + "\n"
    print(text)
    print(f"{time.perf_counter() - begun:.0f} s")
    if given.write:
        RESULT.parent.mkdir(exist_ok=True)
        RESULT.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
