"""Do labels stand as often as they are said to, on invented dairies that are not the fitted model?

`python -m tests.simulation.study_label --dairies 40` simulates dairies of every kind in turn, decides their labels as
of the newest month, and holds every said probability against control samples drawn from the dairy's true pots of the
coming year, read by other competent labs. Written to tests/simulation/results/label.md:

- said probability against true share, in the month said to be worst and over the year (goal: within 2 points on
  average);
- the labels said to meet 0.95: their pooled true share in that month (goal: at least 0.95), how many are truly there;
- distance of the value to declare from the true average, against three simple rules, with what share of control
  samples each would have stood to in its own worst month.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from analysis.label import Rulebook, decide_labels, load_rulebook
from analysis.milk import fit_milk
from analysis.pot import fit_pot
from analysis.records.season import Season, read_season
from tests.simulation.dairies import KINDS, SimulatedDairy, control_samples, simulate

RESULTS = Path(__file__).parent / "results" / "label.md"
SAMPLES = 300
RULES = ("eu", "us")
# Lines that simple rules are tried on: those with pot tests or milk tests behind them.
SIMPLE = ("fat", "protein")


@dataclass(frozen=True)
class Truth:
    """What control samples of one dairy truly read: by rulebook, line and month; and the true averages."""

    readings: dict[tuple[str, str, str], np.ndarray]
    averages: dict[tuple[str, str], float]


def true_readings(dairy: SimulatedDairy, book: Rulebook, serving_g: float, months: list[str]) -> Truth:
    """Draw control samples of each month and work out every line of a rulebook from them."""
    readings: dict[tuple[str, str, str], np.ndarray] = {}
    averages: dict[tuple[str, str], float] = {}
    for month in months:
        samples = control_samples(dairy, month, SAMPLES, book.control_pots)
        for line in book.lines:
            weights = book.weights(line)
            readings[book.name, line.key, month] = sum(
                serving_g / 100 * weight * samples[name].to_numpy() for name, weight in weights.items()
            )
    pot = dairy.truth_pot
    start = np.datetime64(dairy.month, "M") + 1
    month = pot["day"].to_numpy().astype("datetime64[M]")
    coming = (month >= start) & (month < start + 12)
    kg = np.nan_to_num(dairy.truth_milk["kg"].sel(source="bulk").to_numpy()[coming])
    for line in book.lines:
        total = sum(
            serving_g / 100 * weight * np.nan_to_num(pot.sel(nutrient=name).to_numpy()[coming])
            for name, weight in book.weights(line).items()
        )
        averages[book.name, line.key] = float((total * kg).sum() / kg.sum())
    return Truth(readings, averages)


def share_within(book: Rulebook, key: str, declared: float, readings: np.ndarray) -> float:
    """Return the share of readings within the plain tolerance of a declared value."""
    limits = book.line(key).limits(declared)
    low = -np.inf if limits.low is None else float(limits.low)
    high = np.inf if limits.high is None else float(limits.high)
    return float(((readings >= low) & (readings <= high)).mean())


def simple_values(season: Season, book: Rulebook, key: str, serving_g: float) -> dict[str, float]:
    """Return what three simple rules would print: from pot tests, where there are none from milk tests."""
    column = f"{key}_g_100g"
    tests = season.tables["pot_tests"][column].dropna()
    if len(tests) < 2:
        tests = season.tables["milk_tests"][column].dropna()
    if len(tests) < 2:
        return {}
    scale = serving_g / 100 * sum(book.nutrient_weights(key).values())
    away = 1.0 if book.line(key).safe_end == "high" else -1.0
    raw = {
        "mean of all tests": tests.mean(),
        "mean and two standard deviations to the safe side": tests.mean() + away * 2 * tests.std(),
        "mean minus two standard deviations": tests.mean() - 2 * tests.std(),
        "lowest test": tests.min(),
    }
    return {name: float(book.line(key).rounding(max(value, 0.0) * scale)) for name, value in raw.items()}


def study_dairy(kind: str, seed: int) -> Iterator[dict[str, object]]:
    """Yield one row for each rulebook, line and way of choosing a value."""
    dairy = simulate(kind, seed)
    with tempfile.TemporaryDirectory() as folder:
        season = read_season(dairy.write(folder)).as_of(dairy.month)
        pot = fit_pot(season, fit_milk(season))
        answer = decide_labels(season, pot)
    by_month = answer.tables["label_by_month"]
    by_month = by_month[by_month["which"] == "declared"]
    for name in RULES:
        book = load_rulebook(name, season.cutoff)
        serving_g = book.serving_g(season.dairy.pot_g, season.dairy.serving_g) or 100.0
        mine = by_month[by_month["rules"] == name]
        world = dairy.world
        months = [month for month in sorted(set(mine["month"])) if _has_milk(dairy, month)]
        truth = true_readings(dairy, book, serving_g, months)
        for row in answer.decisions["label"]:
            if row["rules"] != name or row["ok_worst_month"] is None:
                continue
            key = "energy_kcal" if row["nutrient"] == "energy" else row["nutrient"]
            said = mine[(mine["nutrient"] == row["nutrient"]) & (mine["unit"] == row["unit"])].set_index("month")["ok"]
            shares = {m: share_within(book, key, row["declared"], truth.readings[name, key, m]) for m in months}
            worst = min(shares, key=lambda m, said=said: said[m])
            fixed = {"kind": kind, "seed": seed, "rules": name, "nutrient": row["nutrient"], "last": world.last}
            average = truth.averages[name, key]
            yield fixed | {
                "way": "this program",
                "said": float(said[worst]),
                "true": shares[worst],
                "said_year": float(said[months].mean()),
                "true_year": float(np.mean(list(shares.values()))),
                "true_worst": min(shares.values()),
                "away": abs(row["declared"] - average) / serving_g * 100,
                "evidence": row["evidence"],
            }
            if key in SIMPLE:
                for way, value in simple_values(season, book, key, serving_g).items():
                    others = [share_within(book, key, value, truth.readings[name, key, m]) for m in months]
                    yield fixed | {
                        "way": way,
                        "true_year": float(np.mean(others)),
                        "true_worst": min(others),
                        "away": abs(value - average) / serving_g * 100,
                    }


def _has_milk(dairy: SimulatedDairy, month: str) -> bool:
    return len(control_samples(dairy, month, 1)) > 0


def interval(table: pd.DataFrame, values: pd.Series, rng: np.random.Generator) -> str:
    """Return a mean with its 90 % interval by bootstrap over dairies."""
    per_dairy = values.groupby([table["kind"], table["seed"]]).agg(["sum", "count"]).to_numpy(dtype=float)
    drawn = per_dairy[rng.integers(0, len(per_dairy), (2000, len(per_dairy)))].sum(axis=1)
    low, high = np.quantile(drawn[:, 0] / drawn[:, 1], [0.05, 0.95])
    return f"{values.mean():.3f} ({low:.3f} to {high:.3f})"


def report(table: pd.DataFrame, dairies: int, seconds: float, day: str) -> str:
    """Return the results as a page of text."""
    rng = np.random.default_rng(7)
    ours = table[table["way"] == "this program"]
    said_by = (
        f"`python -m tests.simulation.study_label --dairies {dairies}` on {day}: {dairies} invented dairies of "
        f"{ours['kind'].nunique()} kinds, {SAMPLES} control samples a month, {seconds / dairies:.1f} s of processor a "
        "dairy. Figures in brackets: 90 % interval by bootstrap over dairies."
    )
    lines = [
        "# Do labels stand as often as they are said to?",
        "",
        said_by,
        "",
        "## Said probability against the true share of control samples within tolerance",
        "",
        "| rules | nutrient | n | said, worst month | true, that month | said less true | said, year | true, year |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for (rules, nutrient), group in ours.groupby(["rules", "nutrient"], sort=False):
        gap = interval(group, group["said"] - group["true"], rng)
        lines.append(
            f"| {rules} | {nutrient} | {len(group)} | {group['said'].mean():.3f} | {group['true'].mean():.3f} | "
            f"{gap} | {group['said_year'].mean():.3f} | {group['true_year'].mean():.3f} |"
        )
    gap = interval(ours, ours["said"] - ours["true"], rng)
    year = interval(ours, ours["said_year"] - ours["true_year"], rng)
    lines += [
        "",
        f"All lines: said less true {gap} in the month said to be worst, {year} over the year (goal: within 0.02).",
    ]
    lines += ["", "## Labels said to meet 0.95 in the worst month", ""]
    lines += [
        "| rules | nutrient | said so | pooled true share in that month | truly at 0.95 or better |",
        "|---|---|---|---|---|",
    ]
    safe = ours[ours["said"] >= 0.95]
    for (rules, nutrient), group in safe.groupby(["rules", "nutrient"], sort=False):
        pooled = interval(group, group["true"], rng)
        lines.append(f"| {rules} | {nutrient} | {len(group)} | {pooled} | {int((group['true'] >= 0.95).sum())} |")
    pooled = interval(safe, safe["true"], rng)
    lines += ["", f"All lines: {len(safe)} of {len(ours)}, pooled true share {pooled} (goal: at least 0.95); "]
    lines[-1] += f"{int((safe['true'] >= 0.95).sum())} of them are truly at 0.95 or better each."
    lines += ["", "## By what is said", "", "| said | n | mean said | mean true |", "|---|---|---|---|"]
    bins = pd.cut(ours["said"], [0, 0.5, 0.8, 0.9, 0.95, 0.99, 0.999, 1.0], include_lowest=True)
    for group_bin, group in ours.groupby(bins, observed=True):
        lines.append(f"| {group_bin} | {len(group)} | {group['said'].mean():.3f} | {group['true'].mean():.3f} |")
    lines += ["", "## Distance from the true average, and what it costs", ""]
    lines += [
        "Per 100 g; safety is the mean true share of control samples within tolerance in each one's own worst month.",
        "",
        "| rules | nutrient | way | n | mean distance, g | safety, worst month | share of dairies at 0.95 or better |",
        "|---|---|---|---|---|---|---|",
    ]
    for (rules, nutrient, way), group in table[table["nutrient"].isin(SIMPLE)].groupby(
        ["rules", "nutrient", "way"], sort=False
    ):
        away = interval(group, group["away"], rng)
        lines.append(
            f"| {rules} | {nutrient} | {way} | {len(group)} | {away} | "
            f"{group['true_worst'].mean():.3f} | {(group['true_worst'] >= 0.95).mean():.2f} |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Run the study and write its page."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--dairies", type=int, default=40, help="number of dairies, the kinds in turn")
    parser.add_argument("--day", default=time.strftime("%Y-%m-%d"), help="day written into the page")
    parser.add_argument("--first-seed", type=int, default=500)
    chosen = parser.parse_args()
    rows: list[dict[str, object]] = []
    start = time.process_time()
    with threadpool_limits(limits=1):
        for number in range(chosen.dairies):
            kind, seed = KINDS[number % len(KINDS)], chosen.first_seed + number
            rows += list(study_dairy(kind, seed))
            sys.stderr.write(f"\r{number + 1}/{chosen.dairies} {kind:20s} {time.process_time() - start:.0f} s")
    table = pd.DataFrame(rows)
    text = report(table, chosen.dairies, time.process_time() - start, chosen.day)
    RESULTS.parent.mkdir(exist_ok=True)
    RESULTS.write_text(text, encoding="utf-8")
    sys.stdout.write("\n" + text)


if __name__ == "__main__":
    main()
