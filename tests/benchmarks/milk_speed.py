"""Speed of the milk room, as ratios within one run.

`python -m tests.benchmarks.milk_speed` compares, on two years of records of three invented flocks, our fit of fat,
protein and lactose with twelve months of joint draws against one REML fit of fat alone by statsmodels MixedLM; and
lets the results of one ten-year dairy grow from 200 to 20,000, each size in a process of its own. Times are processor
times, so that a busy machine disturbs less. Goals: not slower than MixedLM; time no faster than n log n, memory
linear.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
import warnings
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from analysis.milk import fit_milk
from analysis.records.season import Season, read_season
from tests.simulation.dairies import COMPONENTS, SimulatedDairy, simulate

RESULT = Path(__file__).parent / "results" / "milk_speed.md"
SIZES = (200, 630, 2000, 6300, 20_000)


def three_flocks(years: float) -> SimulatedDairy:
    """The first ordinary dairy with three flocks."""
    for seed in range(100):
        dairy = simulate("ordinary", seed, years=0.5)
        if dairy.truth_milk.sizes["source"] == 4:
            return simulate("ordinary", seed, years=years)
    msg = "no dairy with three flocks among the first hundred"
    raise RuntimeError(msg)


def season_of(dairy: SimulatedDairy) -> Season:
    with tempfile.TemporaryDirectory() as folder:
        dairy.write(folder)
        return read_season(folder).as_of(dairy.month)


def grown(dairy: SimulatedDairy, n: int) -> SimulatedDairy:
    """The same dairy with `n` milk results spread evenly over its milk days, several a day if need be."""
    rng = np.random.default_rng(3)
    truth = dairy.truth_milk
    past = truth["day"].to_numpy().astype("datetime64[M]") <= np.datetime64(dairy.month, "M")
    milk = truth["milk"].to_numpy()[past]
    at, source = np.nonzero(np.isfinite(milk[..., 0]))
    pick = np.sort(rng.choice(len(at), n, replace=n > len(at)))
    value = milk[at[pick], source[pick]] + rng.standard_normal((n, 3)) * [0.1, 0.06, 0.05]
    day = pd.DatetimeIndex(truth["day"].to_numpy()[past][at[pick]])
    names = truth["source"].to_numpy()
    text = day.strftime("%Y-%m-%d")
    rows = {column: [""] * n for column in dairy.tables["milk_tests"].columns}
    rows |= {"sample_id": [f"G{i}" for i in range(n)], "sampled_on": text, "reported_on": text}
    rows |= {"source": names[source[pick]], "lab": ["house lab"] * n, "method": ["infrared"] * n}
    rows |= {component: np.round(value[:, c], 2) for c, component in enumerate(COMPONENTS)}
    table = pd.DataFrame(rows)[list(dairy.tables["milk_tests"].columns)]
    return SimulatedDairy(**{**vars(dairy), "tables": {**dairy.tables, "milk_tests": table}})


def best(work: Callable[[], object], times: int) -> float:
    """Least processor time of several runs."""
    spent = []
    for _ in range(times):
        begun = time.process_time()
        work()
        spent.append(time.process_time() - begun)
    return min(spent)


def against_mixedlm(times: int) -> dict[str, float]:
    """Processor seconds of ours and of MixedLM on the same table, turn about."""
    import statsmodels.formula.api as smf

    season = season_of(three_flocks(2.0))
    tests = season.tables["milk_tests"]
    table = tests[tests["fat_g_100g"].notna()].copy()
    angle = 2 * np.pi * table["sampled_on"].dt.day_of_year / 365.25
    for k in (1, 2):
        table[f"c{k}"], table[f"s{k}"] = np.cos(k * angle), np.sin(k * angle)
    table["stage"] = since_lambing(season, table)
    table["source"] = table["source"].fillna("bulk").astype(object)
    table["month"] = table["sampled_on"].dt.strftime("%Y-%m").astype(object)
    formula = "fat_g_100g ~ cr(stage, df=5) + c1 + s1 + c2 + s2 - 1"

    def plain() -> object:
        return smf.mixedlm(formula, table, groups="source").fit(reml=True)

    def months() -> object:
        parts = {"month": "0 + C(month)"}
        return smf.mixedlm(formula, table, groups="source", vc_formula=parts).fit(reml=True)

    def ours() -> object:
        return fit_milk(season).draws

    with warnings.catch_warnings(), threadpool_limits(1):
        warnings.simplefilter("ignore")
        plain()
        ours()
        return {
            "results": float(len(tests)),
            "ours, three components and 12 months of draws": best(ours, times),
            "fit alone": best(lambda: fit_milk(season), times),
            "MixedLM, fat, random flock": best(plain, times),
            "MixedLM, fat, random flock and flock-month": best(months, times),
        }


def since_lambing(season: Season, table: pd.DataFrame) -> pd.Series:
    """Days since any flock's newest lambing, at most 250."""
    lambed = np.sort(season.tables["flock_diary"]["lambed_on"].dropna().unique())
    at = np.clip(np.searchsorted(lambed, table["sampled_on"].to_numpy(), side="right") - 1, 0, None)
    return pd.Series((table["sampled_on"].to_numpy() - lambed[at]) / pd.Timedelta(days=1), table.index).clip(0, 250)


def one_size(n: int) -> tuple[int, int, float, float, float]:
    """Results, days with results, processor seconds of fit and of draws, and peak memory above the loaded season in
    MiB.
    """
    with threadpool_limits(1):
        season = season_of(grown(three_flocks(10.0), n))
        days = int(season.tables["milk_tests"]["sampled_on"].nunique())
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        begun = time.process_time()
        fit = fit_milk(season)
        fitted = time.process_time() - begun
        memory = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024.0
        begun = time.process_time()
        _ = fit.draws
        return n, days, fitted, time.process_time() - begun, memory


def slope(x: list[float], y: list[float]) -> float:
    """Slope on log scales."""
    return float(np.polyfit(np.log(x), np.log(y), 1)[0])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--date", default="2026-11-25")
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    speed = against_mixedlm(given.times)
    ours = speed["ours, three components and 12 months of draws"]
    text = f"# Speed of the milk room\n\n`python -m tests.benchmarks.milk_speed`, {given.date}.\n\n"
    text += "\n".join(__doc__.splitlines()[2:]).strip() + "\n\n"
    text += "| two years, three flocks | processor seconds | ours over it |\n|---|---|---|\n"
    for name, value in speed.items():
        if name != "results":
            text += f"| {name} | {value:.2f} | {ours / value:.2f} |\n"
    text += f"\n{speed['results']:.0f} results.\n\n"
    text += "| results | days | fit s | draws s | memory of the fit MiB |\n|---|---|---|---|---|\n"
    rows = []
    for n in SIZES:
        # A fresh process each: its peak memory is its own.
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
            rows.append(pool.submit(one_size, n).result())
        text += "| {} | {} | {:.2f} | {:.2f} | {:.0f} |\n".format(*rows[-1])
    n, _, fit, _, memory = (list(column) for column in zip(*rows, strict=True))
    text += (
        f"\nTime grows as n^{slope(n, fit):.2f} from {n[0]} to {n[-1]} results, n^{slope(n[-3:], fit[-3:]):.2f} over the "
        f"last three sizes; memory as n^{slope(n[-3:], memory[-3:]):.2f} over these.\n"
    )
    print(text)
    if given.write:
        RESULT.parent.mkdir(exist_ok=True)
        RESULT.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
