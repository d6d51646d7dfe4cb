"""The same regression with drift written in PyMC and sampled by NUTS, against our posterior.

`python -m tests.simulation.reference_pymc` (study dependencies) makes two small worlds from the prior, samples each
with NUTS and fits each with ours. NUTS knows nothing of arrow matrices, Laplace points or variational outliers: it
samples scales, coefficients and drift as written in the model, with the two errors of each row summed out exactly.
Writes tests/simulation/results/milk_reference.md.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import arviz as az
import numpy as np
import pandas as pd
import pymc as pm
import pytensor.tensor as pt

from analysis.inference.drifting_regression import DriftPosterior, fit_drifting_regression
from tests.simulation.calibration_sbc import scale_values
from tests.simulation.regression_world import MULTIPLIERS, NAMES, RegressionWorld, draw_world

RESULT = Path(__file__).parent / "results" / "milk_reference.md"
COMPONENTS = ("fat", "protein")
WORLDS = {
    "errors all ordinary": (3, 1e-9),
    "three errors in a hundred large": (8, 0.03),
}


def nuts(world: RegressionWorld, draws: int, chains: int, seed: int) -> az.InferenceData:
    """Sample the model with PyMC."""
    prior, table = world.prior, world.table
    q, c = prior.mean.shape
    days, day_of = np.unique(table.days, return_inverse=True)
    n_scales = prior.n_scales
    with pm.Model():
        u = pm.Normal("u", 0.0, 1.0, shape=n_scales)
        noise = pm.Deterministic("noise", prior.noise_sd * pt.exp(prior.noise_log_sd * u[:c]))
        drift = pm.Deterministic("drift", prior.drift_sd * pt.exp(prior.drift_log_sd * u[c : 2 * c]))
        length = pm.Deterministic("length", prior.length * pt.exp(prior.length_log_sd * u[2 * c]))
        own = pm.Deterministic("own", pm.math.sigmoid(prior.own_logit + prior.own_logit_sd * u[2 * c + 1]))
        multipliers = pm.Deterministic("multipliers", pt.exp(prior.multiplier_log_sd * u[2 * c + 2 :]))
        times = pt.concatenate([multipliers, pt.ones(1)])[prior.multiplier_of]
        shock = pm.Normal("shock", 0.0, 1.0, shape=(q, c))
        spread = prior.sd * times[:, None]
        beta = pm.Deterministic("beta", prior.mean + (shock @ np.linalg.cholesky(prior.correlation).T) * spread)
        gap = np.abs(days[:, None] - days)
        time_chol = pt.linalg.cholesky(pt.exp(-gap / length) + 1e-9 * np.eye(len(days)))
        move = pm.Normal("move", 0.0, 1.0, shape=(len(days), 3, c))
        mixed = (move @ np.linalg.cholesky(prior.drift_correlation).T) * drift
        path = pt.tensordot(time_chol, mixed, axes=[[1], [0]])
        share = pt.sqrt(pt.stack([1.0 - own, own, own]))
        state = pm.Deterministic("state", path * share[None, :, None])
        expected = table.features @ beta + (table.loads[:, :, None] * state[day_of]).sum(1)
        small = pt.outer(noise, noise) * prior.noise_correlation
        left = table.responses - expected
        log_small = _normal(left, small) + np.log1p(-prior.outlier_rate)
        log_large = _normal(left, small + np.diag(prior.outlier_sd**2)) + np.log(prior.outlier_rate)
        pm.Potential("rows", pt.logaddexp(log_small, log_large).sum())
        return pm.sample(
            draws=draws,
            tune=800,
            chains=chains,
            cores=1,
            random_seed=seed,
            target_accept=0.9,
            progressbar=False,
            compute_convergence_checks=False,
        )


def _normal(left: pt.TensorVariable, cov: pt.TensorVariable) -> pt.TensorVariable:
    chol = pt.linalg.cholesky(cov)
    z = pt.linalg.solve_triangular(chol, left.T, lower=True)
    size = left.shape[1]
    return -0.5 * (z**2).sum(0) - pt.log(pt.diag(chol)).sum() - 0.5 * size * np.log(2 * np.pi)


def sampled_quantities(found: az.InferenceData) -> dict[str, np.ndarray]:
    """Chains by draws of each quantity."""
    post = found.posterior
    out = {f"log noise {name}": np.log(post["noise"].values[..., c]) for c, name in enumerate(COMPONENTS)}
    out |= {f"log drift {name}": np.log(post["drift"].values[..., c]) for c, name in enumerate(COMPONENTS)}
    out["log length"] = np.log(post["length"].values)
    out["own share"] = post["own"].values
    for m, name in enumerate(MULTIPLIERS):
        out[f"log multiplier {name}"] = np.log(post["multipliers"].values[..., m])
    for k, name in enumerate(NAMES):
        for c, component in enumerate(COMPONENTS):
            out[f"{name} {component}"] = post["beta"].values[..., k, c]
    for g, name in enumerate(("common", "flock a", "flock b")):
        for c, component in enumerate(COMPONENTS):
            out[f"drift on the last day, {name}, {component}"] = post["state"].values[..., -1, g, c]
    return out


def our_quantities(fit: DriftPosterior, n: int, seed: int) -> dict[str, np.ndarray]:
    """Draws of the same quantities."""
    draws = fit.sample(np.random.default_rng(seed), n)
    scales = pd.DataFrame([scale_values(s) for s in draws.scales]).iloc[draws.point]
    out = {}
    for name in scales:
        value = scales[name].to_numpy()
        out[name if name == "own share" else f"log {name}"] = value if name == "own share" else np.log(value)
    for k, name in enumerate(NAMES):
        for c, component in enumerate(COMPONENTS):
            out[f"{name} {component}"] = draws.coefficients[:, k, c]
    for g, name in enumerate(("common", "flock a", "flock b")):
        for c, component in enumerate(COMPONENTS):
            out[f"drift on the last day, {name}, {component}"] = draws.states[:, -1, g, c]
    return out


def compare(world: RegressionWorld, draws: int, chains: int, seed: int) -> tuple[pd.DataFrame, dict[str, float]]:
    """One line a quantity: both posteriors, and their difference in posterior sds and in Monte Carlo errors."""
    begun = time.perf_counter()
    found = nuts(world, draws, chains, seed)
    spent = time.perf_counter() - begun
    theirs = sampled_quantities(found)
    begun = time.perf_counter()
    fit = fit_drifting_regression(world.table, world.prior, seed=seed)
    mine_spent = time.perf_counter() - begun
    n = 20_000
    mine = our_quantities(fit, n, seed)
    rows = []
    for name, chain in theirs.items():
        mean, sd = float(chain.mean()), float(chain.std())
        ess = float(az.ess(chain))
        error = float(np.hypot(sd / np.sqrt(ess), mine[name].std() / np.sqrt(n)))
        shift = mine[name].mean() - mean
        rows.append(
            {
                "quantity": name,
                "NUTS mean": f"{mean:.4f}",
                "NUTS sd": f"{sd:.4f}",
                "ours mean": f"{mine[name].mean():.4f}",
                "ours sd": f"{mine[name].std():.4f}",
                "shift / sd": shift / sd,
                "shift / MC error": shift / error,
                "sd ratio": mine[name].std() / sd,
                "ESS": ess,
            }
        )
    info = {
        "seconds NUTS": spent,
        "seconds ours": mine_spent,
        "largest R-hat": float(max(az.rhat(chain) for chain in theirs.values())),
        "divergences": float(found.sample_stats["diverging"].values.sum()),
        "largest outlier probability": float(fit.outlier.max()),
    }
    return pd.DataFrame(rows), info


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--chains", type=int, default=2)
    parser.add_argument("--date", default="2026-11-25")
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    text = "# Our posterior against NUTS\n\n"
    text += f"`python -m tests.simulation.reference_pymc --draws {given.draws} --chains {given.chains}`"
    text += f" (PyMC {pm.__version__}), {given.date}.\n\n" + "\n".join(__doc__.splitlines()[2:8]).strip() + "\n"
    for words, (seed, rate) in WORLDS.items():
        world = draw_world(np.random.default_rng([seed, 77]), n_days=10, n_responses=2, outlier_rate=rate, missing=0.0)
        table, info = compare(world, given.draws, given.chains, seed)
        scale = table["quantity"].str.contains("log |own share")
        worst = table.loc[~scale, "shift / MC error"].abs()
        text += f"\n## {words}\n\n{len(world.table.days)} results, {len(COMPONENTS)} responses. "
        text += "; ".join(f"{k} {v:.3g}" for k, v in info.items()) + ".\n\n"
        text += (
            f"Coefficients and drift: shift at most {table.loc[~scale, 'shift / sd'].abs().max():.3f} sd "
            f"({worst.max():.1f} Monte Carlo errors, {np.mean(worst <= 3):.0%} of them within 3), sd ratio "
            f"{table.loc[~scale, 'sd ratio'].min():.3f}-{table.loc[~scale, 'sd ratio'].max():.3f}. "
            f"Scales (weighted points): shift at most {table.loc[scale, 'shift / sd'].abs().max():.3f} sd, sd ratio "
            f"{table.loc[scale, 'sd ratio'].min():.3f}-{table.loc[scale, 'sd ratio'].max():.3f}.\n\n"
        )
        for column, form in (("shift / sd", "{:+.3f}"), ("shift / MC error", "{:+.1f}"), ("sd ratio", "{:.3f}")):
            table[column] = table[column].map(form.format)
        table["ESS"] = table["ESS"].round().astype(int)
        text += "| " + " | ".join(table.columns) + " |\n|" + "---|" * len(table.columns) + "\n"
        text += "\n".join("| " + " | ".join(map(str, row)) + " |" for row in table.itertuples(index=False)) + "\n"
    print(text)
    if given.write:
        RESULT.parent.mkdir(exist_ok=True)
        RESULT.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
