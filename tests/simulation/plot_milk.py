"""Draw one simulated dairy: results, truth, forecast and oracle, so that one sees why it is forecast badly."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import pandas as pd

from tests.simulation.cases import KEPT, load_case
from tests.simulation.dairies import COMPONENTS, simulate, true_months


def plot_dairy(kind: str, seed: int, rows: pd.DataFrame, method: str = "pasturepot") -> Path:
    """Write a figure, one row of panels a component, one column a source."""
    case = load_case(kind, seed)
    tests = case.tables["milk_tests"]
    truth = true_months(simulate(kind, seed, years=None))
    rows = rows[(rows["kind"] == kind) & (rows["seed"] == seed)]
    sources = [*sorted(set(truth["source"]) - {"bulk"}), "bulk"]
    figure, axes = plt.subplots(3, len(sources), figsize=(4.5 * len(sources), 9), sharex=True, squeeze=False)
    for c, component in enumerate(COMPONENTS):
        for s, source in enumerate(sources):
            ax = axes[c, s]
            mine = tests[(tests["source"] == source) & tests[component].notna()]
            ax.plot(pd.to_datetime(mine["sampled_on"]), mine[component].astype(float), ".", color="grey", ms=4)
            true = truth[(truth["source"] == source) & (truth["component"] == component)]
            ax.plot(_middle(true["month"]), true["mean"], "k-", lw=1, label="truth")
            for name, colour in ((method, "C0"), ("oracle", "C1")):
                some = rows[(rows["method"] == name) & (rows["source"] == source) & (rows["component"] == component)]
                some = some.sort_values("month")
                ax.errorbar(
                    _middle(some["month"]),
                    some["mean"],
                    [some["mean"] - some["lo90"], some["hi90"] - some["mean"]],
                    fmt="o",
                    ms=3,
                    lw=1,
                    color=colour,
                    label=name,
                )
            ax.set_title(f"{source} {component.split('_')[0]} ({len(mine)} results)", fontsize=9)
    for lambed in pd.to_datetime(case.tables["flock_diary"]["lambed_on"].dropna().unique()):
        for ax in axes.ravel():
            ax.axvline(lambed, color="C2", lw=0.4)
    axes[0, 0].legend(fontsize=7)
    figure.suptitle(f"{kind} {seed}, cut off at {case.month}")
    figure.autofmt_xdate()
    figure.tight_layout()
    place = KEPT / "plots" / f"{kind}-{seed}.png"
    place.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(place, dpi=70)
    plt.close(figure)
    return place


def _middle(months: pd.Series) -> pd.Series:
    return pd.to_datetime(months.astype(str) + "-15")
