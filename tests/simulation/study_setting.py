"""How good is the set-time forecast on invented vats that are not the fitted model?

`python -m tests.simulation.study_setting --dairies 20` simulates dairies of every kind in turn, fits as of several
months, and holds next month's window at the usual settings against the true set times of that month, the rule "it
takes the usual time", and an oracle who knows every constant and the culture's state at the cut-off. The milk of
the coming month is the true one with an error of 0.15 g/100 g, so that this is about setting alone. Writes the
table to tests/simulation/results/setting.md.
"""

from __future__ import annotations

import argparse
import datetime as dt
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from threadpoolctl import threadpool_limits

from analysis.records.season import read_season
from analysis.setting import fit_setting
from tests.simulation.dairies import KINDS, SimulatedDairy, simulate, true_set_time
from tests.simulation.oracle import oracle_set_time

RESULTS = Path(__file__).parent / "results" / "setting.md"


@dataclass(frozen=True)
class KnownMilk:
    """Stands where a MilkFit stands: the true milk with a forecast error, the same for all of a draw."""

    dairy: SimulatedDairy
    month: str
    error: float = 0.15
    draws: xr.Dataset = field(init=False)

    def __post_init__(self) -> None:
        truth = self.dairy.truth_milk
        month = truth["day"].to_numpy().astype("datetime64[M]")
        start = np.datetime64(self.month, "M") + 1
        coming = truth.isel(day=np.flatnonzero((month >= start) & (month < start + 12)))
        noise = self.error * np.random.default_rng([self.dairy.seed, 1]).standard_normal((1000, 1, 1, 1))
        milk = coming["milk"].to_numpy()[None] + noise
        kg = np.broadcast_to(coming["kg"].to_numpy(), (1000, *coming["kg"].shape))
        object.__setattr__(
            self,
            "draws",
            xr.Dataset(
                {"milk": (("draw", "day", "source", "component"), milk), "kg": (("draw", "day", "source"), kg)},
                coords={"day": coming["day"], "source": coming["source"], "component": coming["component"]},
            ),
        )

    def on_days(self, days: pd.DatetimeIndex, sources: list[str]) -> xr.DataArray:
        bulk = self.dairy.truth_milk["milk"].sel(source="bulk").dropna("day", how="all")
        at = bulk.reindex(day=pd.DatetimeIndex(days).astype("datetime64[ns]"), method="nearest").to_numpy()
        noise = self.error * np.random.default_rng([self.dairy.seed, 2]).standard_normal((1000, len(days), 1))
        return xr.DataArray(
            at[None] + noise, dims=("draw", "row", "component"), coords={"component": bulk["component"].to_numpy()}
        )


def score_month(dairy: SimulatedDairy, records, month: str) -> dict[str, float] | None:
    """Score one review month; None where there is no milk the month after."""
    coming = str(np.datetime64(month, "M") + 1)
    season = records.as_of(month)
    usual = season.dairy.usual
    true = true_set_time(dairy, coming, usual.incubator_c, usual.starter_g_kg, np.random.default_rng([dairy.seed, 9]))
    if true.size == 0 or season.tables["batches"].empty:
        return None
    oracle = oracle_set_time(dairy, coming, usual.incubator_c, usual.starter_g_kg)
    begun = time.perf_counter()
    fit = fit_setting(season, KnownMilk(dairy, month))
    row = fit.answer().decisions["set_time"][0]
    spent = time.perf_counter() - begun
    middle = float(np.quantile(true, 0.5, method="inverted_cdf"))
    if not np.isfinite([middle, *oracle[[0.1, 0.5, 0.95]]]).all():
        return None  # the month's vats stall: there is no time to be right about
    return {
        "vats": float(len(fit.set_time.rows)),
        "error": abs(row["expected_min"] - middle),
        "usual": abs(usual.set_min - middle),
        "oracle": abs(oracle[0.5] - middle),
        "bias": row["expected_min"] - middle,
        "before": float(np.mean(true < row["first_check_min"])),
        "after": float(np.mean(true > row["latest_min"])),
        "stalled": float(np.mean(np.isinf(true))),
        "width": row["latest_min"] - row["first_check_min"],
        "oracle_width": oracle[0.95] - oracle[0.1],
        "oracle_before": float(np.mean(true < oracle[0.1])),
        "oracle_after": float(np.mean(true > oracle[0.95])),
        "seconds": spent,
    }


def run(dairies: int, first_seed: int, months: int) -> pd.DataFrame:
    """Score `dairies` dairies, each as of `months` months of its records."""
    out = []
    for i in range(dairies):
        kind = KINDS[i % len(KINDS)]
        seed = first_seed + i
        dairy = simulate(kind, seed, years=None)
        with tempfile.TemporaryDirectory() as place:
            records = read_season(dairy.write(place))
        first = dairy.tables["batches"]["made_on"].min() if len(dairy.tables["batches"]) else None
        for back in range(months):
            month = str(np.datetime64(dairy.month, "M") - 3 * back)
            if first is None or month < str(first)[:7]:
                continue
            scored = score_month(dairy, records, month)
            if scored is not None:
                out.append({"kind": kind, "seed": seed, "month": month, **scored})
    return pd.DataFrame(out)


def summary(scores: pd.DataFrame) -> pd.DataFrame:
    """Medians of the errors, pooled shares and ratios, in all and by number of vats that told something."""
    groups = {"all": scores.index == scores.index}
    groups["fewer than 40 vats"] = scores["vats"] < 40
    groups["40 to 200 vats"] = scores["vats"].between(40, 200)
    groups["more than 200 vats"] = scores["vats"] > 200
    rows = []
    for name, inside in groups.items():
        part = scores[inside]
        if part.empty:
            continue
        error, usual, oracle = (part[c].median() for c in ("error", "usual", "oracle"))
        rows.append(
            {
                "records": name,
                "reviews": len(part),
                "median error, min": error,
                "oracle's": oracle,
                "usual time's": usual,
                "error / oracle's": error / oracle,
                "error / usual's": error / usual,
                "set before first look, %": 100 * part["before"].mean(),
                "set after latest, %": 100 * part["after"].mean(),
                "of these stalled, %": 100 * part["stalled"].mean(),
                "oracle before, %": 100 * part["oracle_before"].mean(),
                "oracle after, %": 100 * part["oracle_after"].mean(),
                "width / oracle's": (part["width"] / part["oracle_width"]).median(),
                "seconds": part["seconds"].median(),
            }
        )
    return pd.DataFrame(rows)


def as_page(table: pd.DataFrame, asked_for: str) -> str:
    """Return the results page: command, date, goals, table."""
    day = dt.datetime.now(tz=dt.UTC).date().isoformat()
    rows = [[v if isinstance(v, str) else f"{v:.3g}" for v in row] for row in table.to_numpy()]
    lines = [list(table.columns), ["---"] * table.shape[1], *rows]
    return f"""# Set time on invented vats

`python -m tests.simulation.study_setting {asked_for}`, {day}

Goals: error at most 1.3 of the oracle's and below 0.6 of the usual time's; 7-13 % set before the first look, 3-7 %
after the latest; width at most 1.2 of the oracle's.

""" + "".join("| " + " | ".join(line) + " |\n" for line in lines)


def main() -> None:
    """Run from the command line."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--dairies", type=int, default=20)
    asked.add_argument("--months", type=int, default=4, help="review months a dairy, three months apart")
    asked.add_argument("--first-seed", type=int, default=1000)
    asked.add_argument("--scores", type=Path, help="write every review's scores to this CSV file")
    args = asked.parse_args()
    with threadpool_limits(limits=1):
        scores = run(args.dairies, args.first_seed, args.months)
    table = summary(scores)
    if args.scores:
        scores.to_csv(args.scores, index=False)
    RESULTS.parent.mkdir(exist_ok=True)
    text = as_page(table, f"--dairies {args.dairies} --months {args.months} --first-seed {args.first_seed}")
    RESULTS.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
