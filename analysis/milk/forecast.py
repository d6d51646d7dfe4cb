"""The coming twelve months of milk as month means and single results, with 90 % intervals."""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.milk import priors
from analysis.milk.model import MilkFit
from analysis.records.months import month_of

Array = NDArray[np.float64]

LEAST_DAYS = 10
TESTED_LEAST = 1


def forecast_rows(fit: MilkFit) -> list[dict[str, Any]]:
    """Return the rows of ``milk_forecast``.

    A month stands here if at least ten days with milk are likelier than not. ``mean…`` is about the plain mean of the true
    composition over the days with milk; ``one…`` is a 90 % interval for one new result of the laboratory last used on a random
    milk day, unmixed samples and all.
    """
    draws = fit.draws
    tested = [c for c in priors.COMPONENTS if fit.rows[c].notna().sum() >= TESTED_LEAST]
    components = list(priors.COMPONENTS)
    wanted = [c for c in components if c in tested or c != "lactose_g_100g"]
    milk = np.asarray(draws["milk"])
    months = np.array([month_of(day) for day in pd.DatetimeIndex(draws["day"].values)])
    rng = np.random.default_rng([fit.seed, 4])
    rows: list[dict[str, Any]] = []
    for month in dict.fromkeys(months):
        inside = np.flatnonzero(months == month)
        for s, source in enumerate(fit.sources):
            block = milk[:, inside, s]
            n_days = np.isfinite(block[:, :, 0]).sum(1)
            if (n_days >= LEAST_DAYS).mean() <= 0.5:
                continue
            block = block[n_days > 0]
            kept = np.flatnonzero(n_days > 0)
            mean = np.nanmean(block, axis=1)
            one = single_results(fit, block, kept, rng)
            for component in wanted:
                c = components.index(component)
                rows.append(
                    {
                        "month": month,
                        "source": source,
                        "component": component,
                        "mean": float(mean[:, c].mean()),
                        "mean_lo90": float(np.quantile(mean[:, c], 0.05)),
                        "mean_hi90": float(np.quantile(mean[:, c], 0.95)),
                        "one_lo90": float(np.quantile(one[:, c], 0.05)),
                        "one_hi90": float(np.quantile(one[:, c], 0.95)),
                    }
                )
    return rows


def single_results(fit: MilkFit, block: Array, draw: NDArray[np.int64], rng: np.random.Generator) -> Array:
    """Draw what the laboratory last used would report on samples of random milk days.

    Parameters
    ----------
    fit
    block : array, shape (d, days, 3)
        True milk, NaN on days without milk; every draw has at least one day with milk.
    draw : int array, shape (d,)
        Which posterior draw each row is.
    rng

    Returns
    -------
    array, shape (4 d, 3)
    """
    n_draws = len(block)
    with_milk = np.isfinite(block[:, :, 0])
    bias = lab_bias(fit)[draw]
    spread = fit.noise[1][draw]
    chol = np.linalg.cholesky(priors.NOISE_CORRELATION)
    out = []
    for _ in range(4):
        pick = np.argmax(np.where(with_milk, rng.uniform(size=with_milk.shape), -1.0), axis=1)
        error = (rng.standard_normal((n_draws, 3)) @ chol.T) * spread
        odd = rng.uniform(size=n_draws) < priors.OUTLIER_RATE
        error += odd[:, None] * rng.standard_normal((n_draws, 3)) * priors.OUTLIER_SD
        out.append(block[np.arange(n_draws), pick] + bias + error)
    return np.concatenate(out)


def lab_bias(fit: MilkFit) -> Array:
    """Return draws of what the laboratory last used reads above the reference, shape (draw, 3)."""
    if len(fit.rows):
        last = fit.rows.iloc[-1]
        pair = (str(last["lab"]), str(last["method"]))
        if pair in fit.features.labs:
            column = fit.features.columns("lab")[fit.features.labs.index(pair)]
            return np.asarray(fit.sample.coefficients[:, column])
    return np.zeros((len(fit.sample.coefficients), 3))


def results_table(fit: MilkFit) -> pd.DataFrame:
    """Return every result with what the model expected of it and the probability that it is an odd one."""
    frames = []
    error = np.array([fit.result_error[c] for c in priors.COMPONENTS])
    day = np.sqrt((fit.noise[0] ** 2).mean(0))
    fitted = fit.posterior.fitted[: len(fit.rows)] + fit.known_mean
    spread = np.sqrt(fit.posterior.fitted_sd[: len(fit.rows)] ** 2 + error**2 + day**2)
    for c, component in enumerate(priors.COMPONENTS):
        frames.append(
            pd.DataFrame(
                {
                    "file_row": fit.rows["file_row"],
                    "sample_id": fit.rows["sample_id"],
                    "source": fit.rows["source"],
                    "sampled_on": fit.rows["sampled_on"],
                    "lab": fit.rows["lab"],
                    "component": component,
                    "value": fit.rows[component],
                    "fitted": fitted[:, c],
                    "lo90": fitted[:, c] - 1.645 * spread[:, c],
                    "hi90": fitted[:, c] + 1.645 * spread[:, c],
                    "outlier_probability": fit.posterior.outlier[: len(fit.rows)],
                }
            )
        )
    table = pd.concat(frames, ignore_index=True)
    return table[table["value"].notna()].reset_index(drop=True)


def months_table(fit: MilkFit, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return past months as fitted and coming months as forecast, one row a month, source and component."""
    ahead = pd.DataFrame(rows)
    if len(ahead):
        ahead = ahead.rename(columns={"mean_lo90": "lo90", "mean_hi90": "hi90"})
    ahead["kind"] = "forecast"
    past = _past_months(fit)
    return pd.concat([past, ahead], ignore_index=True)[
        ["month", "source", "component", "kind", "mean", "lo90", "hi90", "one_lo90", "one_hi90"]
    ]


def _past_months(fit: MilkFit, most: int = 24) -> pd.DataFrame:
    """Return the true milk of the last months, read from the results: three days stand for a month."""
    calendar = fit.calendar
    days = calendar.past_days()
    milking = np.stack([flock.milking for flock in calendar.past], axis=1)
    number, sources, label = [], [], []
    months = pd.Index([month_of(day) for day in days])
    for month in list(dict.fromkeys(months))[-most:]:
        inside = np.flatnonzero(months == month)
        for source in fit.sources:
            flock = calendar.flocks.index(source) if source in calendar.flocks else None
            with_milk = milking[inside].any(1) if flock is None else milking[inside, flock]
            at = inside[with_milk]
            if len(at) >= LEAST_DAYS:
                chosen = at[np.linspace(0, len(at) - 1, 3).astype(int)]
                number += list(chosen)
                sources += [source] * 3
                label += [(month, source)] * 3
    if not number:
        return pd.DataFrame(columns=["month", "source", "component", "kind", "mean", "lo90", "hi90"])
    milk = np.asarray(fit.on_days(days[number], sources))
    mean = milk.reshape(len(milk), -1, 3, 3).mean(2)
    rows = []
    for i in range(mean.shape[1]):
        month, source = label[3 * i]
        for c, component in enumerate(priors.COMPONENTS):
            x = mean[:, i, c]
            rows.append((month, source, component, "fitted", x.mean(), np.quantile(x, 0.05), np.quantile(x, 0.95)))
    return pd.DataFrame(rows, columns=["month", "source", "component", "kind", "mean", "lo90", "hi90"])
