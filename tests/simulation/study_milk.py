"""How good is the milk forecast on invented dairies that are not the fitted model?

`python -m tests.simulation.study_milk --dairies 60` simulates dairies of every kind in turn, cuts each off at its
newest month, and scores the forecast of the coming twelve months against the truth, general-purpose alternatives, and
an oracle who knows every constant and the state at the cut-off but not the future's shocks. Scored are month means
(the plain mean of the true milk over days with milk) and single coming results of the lab last used, on every month
and source for which there is truth, an oracle and a forecast of ours.

Each dairy counts once; errors of fat, protein and lactose are divided by the oracle's mean over the whole study, so
that they weigh alike. Every ratio and share stands with its 90 % interval by bootstrap over dairies.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from analysis.milk import fit_milk
from analysis.milk.forecast import forecast_rows
from analysis.records.season import Season
from tests.simulation.cases import KEPT, Case, kept_forecast, load_case
from tests.simulation.dairies import KINDS
from tests.simulation.scoring import Z90, bootstrap_mean, bootstrap_ratio, crps_normal, interval_score

RESULTS = Path(__file__).parent / "results"
OURS, ORACLE = "pasturepot", "oracle"
KEY = ["month", "source", "component"]
FORECAST = ["mean", "lo90", "hi90", "one_lo90", "one_hi90"]
DAIRY = ["kind", "seed"]


def our_forecast(season: Season) -> pd.DataFrame:
    """Forecast of the fitted model in the columns of the oracle."""
    rows = pd.DataFrame(forecast_rows(fit_milk(season)))
    return rows.rename(columns={"mean_lo90": "lo90", "mean_hi90": "hi90"})[KEY + FORECAST]


def score_case(job: tuple[str, int, tuple[str, ...]]) -> pd.DataFrame:
    """Score all methods on one dairy: one row a method, month, source and component."""
    kind, seed, peers = job
    with threadpool_limits(1):
        case = load_case(kind, seed)
        season = case.season()
        begun = time.perf_counter()
        rows = our_forecast(season)
        frames = [
            _scored(case, rows, OURS, time.perf_counter() - begun),
            _scored(case, case.oracle, ORACLE, 0.0),
        ]
        if peers:
            from tests.simulation.peers import CODE, PEERS

            for name in peers:
                rows, seconds = kept_forecast(name, CODE, case, PEERS[name])
                frames.append(_scored(case, rows, name, seconds))
    out = pd.concat(frames, ignore_index=True)
    out["kind"], out["seed"], out["cutoff"], out["years"] = kind, seed, case.month, case.years
    out["results"] = len(season.tables["milk_tests"])
    out["flocks"] = len(season.dairy.flocks)
    return out


def _scored(case: Case, rows: pd.DataFrame, method: str, seconds: float) -> pd.DataFrame:
    scored = case.truth.merge(rows[KEY + FORECAST], on=KEY, how="inner")
    sd = (scored["hi90"] - scored["lo90"]) / (2 * Z90)
    scored["error"] = (scored["mean"] - scored["truth"]).abs()
    scored["inside"] = ((scored["truth"] >= scored["lo90"]) & (scored["truth"] <= scored["hi90"])).astype(float)
    scored["interval"] = interval_score(*(scored[c].to_numpy() for c in ("truth", "lo90", "hi90")))
    scored["crps"] = crps_normal(scored["truth"].to_numpy(), scored["mean"].to_numpy(), sd.to_numpy())
    one = case.singles.merge(rows[[*KEY, "one_lo90", "one_hi90"]], on=KEY, how="inner")
    value, lo, hi = (one[c].to_numpy(float) for c in ("value", "one_lo90", "one_hi90"))
    one["one_inside"] = ((value >= lo) & (value <= hi)).astype(float)
    one["one_interval"] = interval_score(value, lo, hi)
    one["one_crps"] = crps_normal(value, (lo + hi) / 2, (hi - lo) / (2 * Z90))
    single = one.groupby(KEY, as_index=False)[["one_inside", "one_interval", "one_crps"]].mean()
    scored = scored.merge(single, on=KEY, how="left")
    first = np.datetime64(case.month, "M")
    scored["ahead"] = (scored["month"].to_numpy().astype("datetime64[M]") - first).astype(int)
    scored["method"], scored["seconds"] = method, seconds
    return scored


def common(rows: pd.DataFrame) -> pd.DataFrame:
    """Keep what the oracle and we both forecast, and divide scores by the oracle's mean of the component."""
    rows = rows.copy()
    both = [*DAIRY, *KEY]
    ours = rows.loc[rows["method"] == OURS, both]
    oracle = rows.loc[rows["method"] == ORACLE, both]
    rows = rows.merge(ours.merge(oracle, on=both), on=both, how="inner")
    for score in ("error", "interval", "crps", "one_interval", "one_crps"):
        usual = rows[rows["method"] == ORACLE].groupby("component")[score].mean()
        rows[score] = rows[score] / rows["component"].map(usual)
    return rows


def strata(rows: pd.DataFrame) -> dict[str, pd.Series]:
    """Which rows belong to each line of the table."""
    length = rows["years"]
    out = {"all": pd.Series(data=True, index=rows.index)}
    out |= {c.split("_")[0]: rows["component"] == c for c in ("fat_g_100g", "protein_g_100g", "lactose_g_100g")}
    out |= {"1-3 months ahead": rows["ahead"] <= 3, "4-12 months ahead": rows["ahead"] > 3}
    out |= {"flocks": rows["source"] != "bulk", "bulk": rows["source"] == "bulk"}
    out |= {
        "records < 1 year": length < 1,
        "records 1-2 years": (length >= 1) & (length < 2),
        "records 2-4 years": length >= 2,
    }
    out |= {kind: rows["kind"] == kind for kind in KINDS if (rows["kind"] == kind).any()}
    return out


def lines(rows: pd.DataFrame, method: str) -> pd.DataFrame:
    """Scores of one method by stratum, each with a 90 % interval."""
    table = []
    for name, chosen in strata(rows).items():
        mine = rows[chosen & (rows["method"] == method)].groupby(DAIRY)
        base = rows[chosen & (rows["method"] == ORACLE)].groupby(DAIRY)
        scores = ["error", "inside", "interval", "crps", "one_inside", "one_interval", "one_crps"]
        a, b = mine[scores].mean().align(base[scores].mean(), join="inner", axis=0)
        line: dict[str, object] = {"": name, "dairies": len(a)}
        for score, what in (("error", "MAE"), ("interval", "interval score"), ("crps", "CRPS")):
            line[f"{what} / oracle"] = _words(*bootstrap_ratio(a[score].to_numpy(), b[score].to_numpy()))
        line["inside 90 %"] = _words(*bootstrap_mean(a["inside"].to_numpy()))
        line["one: interval score / oracle"] = _words(
            *bootstrap_ratio(a["one_interval"].to_numpy(), b["one_interval"].to_numpy())
        )
        line["one: CRPS / oracle"] = _words(*bootstrap_ratio(a["one_crps"].to_numpy(), b["one_crps"].to_numpy()))
        line["one: inside 90 %"] = _words(*bootstrap_mean(a["one_inside"].to_numpy()))
        table.append(line)
    return pd.DataFrame(table)


def _words(value: float, lo: float, hi: float) -> str:
    return "" if np.isnan(value) else f"{value:.2f} ({lo:.2f}-{hi:.2f})"


def method_lines(rows: pd.DataFrame) -> pd.DataFrame:
    """One line a method: overall scores, the two horizons, and sparse clients."""
    table = []
    for method in dict.fromkeys(rows["method"]):
        by = lines(rows, method).set_index("")
        mine = rows[rows["method"] == method]
        line = {"method": method}
        line |= {k: by.loc["all", k] for k in by.columns if k != "dairies"}
        for name in ("fat", "protein", "1-3 months ahead", "4-12 months ahead", "sparse"):
            if name in by.index:
                line[f"MAE / oracle, {name}"] = by.loc[name, "MAE / oracle"]
        line["seconds a dairy"] = f"{mine.groupby(DAIRY)['seconds'].first().mean():.2f}"
        table.append(line)
    return pd.DataFrame(table)


def by_dairy(rows: pd.DataFrame, method: str = OURS) -> pd.DataFrame:
    """One line a dairy, worst first: by how much the error exceeds the oracle's usual."""
    mine, base = rows[rows["method"] == method], rows[rows["method"] == ORACLE]
    out = mine.groupby(DAIRY).agg(
        cutoff=("cutoff", "first"),
        years=("years", "first"),
        results=("results", "first"),
        flocks=("flocks", "first"),
        error=("error", "mean"),
        inside=("inside", "mean"),
        interval=("interval", "mean"),
        one_inside=("one_inside", "mean"),
        seconds=("seconds", "first"),
    )
    out["oracle_error"] = base.groupby(DAIRY)["error"].mean()
    for component in ("fat_g_100g", "protein_g_100g", "lactose_g_100g"):
        some = mine[mine["component"] == component]
        out[component.split("_")[0]] = some.groupby(DAIRY)["error"].mean()
        signed = (some["mean"] - some["truth"]).groupby([some[k] for k in DAIRY]).mean()
        out[f"{component.split('_')[0]}_bias_g"] = signed
    return out.reset_index().sort_values("error", ascending=False, ignore_index=True).round(3)


def markdown(table: pd.DataFrame) -> str:
    """Return a table as markdown."""
    head = "| " + " | ".join(map(str, table.columns)) + " |\n|" + "---|" * len(table.columns) + "\n"
    return head + "\n".join("| " + " | ".join(map(str, row)) + " |" for row in table.itertuples(index=False)) + "\n"


def missed(raw: pd.DataFrame) -> tuple[int, int]:
    """Count the oracle's forecasts and those of them that ours does not give."""
    keys = [*DAIRY, *KEY]
    oracle = raw.loc[raw["method"] == ORACLE, keys]
    both = oracle.merge(raw.loc[raw["method"] == OURS, keys], on=keys)
    return len(oracle), len(oracle) - len(both)


def jobs_of(n: int, kinds: list[str], first: int, peers: tuple[str, ...]) -> list[tuple[str, int, tuple[str, ...]]]:
    """Kinds in turn, seeds rising."""
    return [(kinds[i % len(kinds)], first + i // len(kinds), peers) for i in range(n)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--dairies", type=int, default=60)
    parser.add_argument("--kinds", default=",".join(KINDS), help="comma separated")
    parser.add_argument("--seeds-from", type=int, default=1000)
    parser.add_argument("--no-peers", action="store_true")
    parser.add_argument("--peers", default="", help="comma separated; all when left out")
    parser.add_argument("--worst", type=int, default=10)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--date", default="2026-11-25", help="written above the tables")
    parser.add_argument(
        "--write", default="", help="name of the result file under results/, without .md; none when left out"
    )
    parser.add_argument(
        "--plot", type=int, default=0, help="draw this many of the worst dairies under build/study/plots"
    )
    given = parser.parse_args()
    peers: tuple[str, ...] = ()
    if not given.no_peers:
        from tests.simulation.peers import PEERS

        peers = tuple(given.peers.split(",")) if given.peers else tuple(PEERS)
    jobs = jobs_of(given.dairies, given.kinds.split(","), given.seeds_from, peers)
    begun = time.perf_counter()
    if given.processes > 1:
        with ProcessPoolExecutor(given.processes, mp_context=get_context("spawn")) as pool:
            raw = pd.concat(pool.map(score_case, jobs), ignore_index=True)
    else:
        raw = pd.concat(map(score_case, jobs), ignore_index=True)
    KEPT.mkdir(parents=True, exist_ok=True)
    raw.to_csv(KEPT / "milk_rows.csv", index=False)
    rows = common(raw)
    dairies = by_dairy(rows)
    dairies.to_csv(KEPT / "milk_dairies.csv", index=False)
    asked, lost = missed(raw)
    command = f"python -m tests.simulation.study_milk --dairies {given.dairies}"
    command += f" --seeds-from {given.seeds_from}" + (" --no-peers" if given.no_peers else "")
    command += "" if given.kinds == ",".join(KINDS) else f" --kinds {given.kinds}"
    command += f" --peers {given.peers}" if given.peers else ""
    text = f"# Milk forecasts on {len(dairies)} invented dairies\n\n`{command}`, {given.date}.\n\n"
    text += "\n".join(__doc__.splitlines()[2:]).strip() + "\n\n"
    text += f"Of {asked} month means with truth and an oracle {lost} have no forecast of ours and are not scored.\n\n"
    text += "## Ours, by stratum\n\n" + markdown(lines(rows, OURS)) + "\n"
    if peers:
        text += "## Against others\n\n" + markdown(method_lines(rows)) + "\n"
    text += f"## The {given.worst} worst dairies (errors over the oracle's usual error)\n\n"
    text += markdown(dairies.head(given.worst))
    print(text)
    print(f"{time.perf_counter() - begun:.0f} s; every score: {KEPT / 'milk_rows.csv'}")
    if given.write:
        RESULTS.mkdir(exist_ok=True)
        (RESULTS / f"{given.write}.md").write_text(text, encoding="utf-8", newline="\n")
    if given.plot:
        from tests.simulation.plot_milk import plot_dairy

        for one in dairies.head(given.plot).itertuples():
            print(plot_dairy(str(one.kind), int(one.seed), raw))


if __name__ == "__main__":
    main()
