"""Simulated dairies with their truth and oracle, kept on disk so that a study can be run again quickly.

What is kept lies under build/study/ in a folder named by the hash of the generator's code: a changed generator makes
its dairies anew.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from analysis.records.months import add_months
from analysis.records.season import Season, read_season
from tests.simulation.dairies import simulate, single_results, true_months
from tests.simulation.oracle import LEAST_DAYS, oracle_months

KEPT = Path(__file__).parents[2] / "build" / "study"
GENERATOR = ("dairies", "herd", "kinds", "labs", "oracle", "pots", "tables", "vats", "weather", "world")
SINGLES = 20


@dataclass(frozen=True)
class Case:
    """One simulated dairy, cut off at its newest month.

    Attributes
    ----------
    kind, seed, month
    years : length of the records
    tables, dairy_toml : the records as stored
    truth : DataFrame month, source, component, truth, of the coming months with at least ten milk days
    oracle : DataFrame of `oracle_months`
    singles : DataFrame month, source, component, value: coming results of the lab last used
    """

    kind: str
    seed: int
    month: str
    years: float
    tables: dict[str, pd.DataFrame]
    dairy_toml: str
    truth: pd.DataFrame
    oracle: pd.DataFrame
    singles: pd.DataFrame

    def season(self) -> Season:
        """Read the records as the program does."""
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / "dairy.toml").write_text(self.dairy_toml, encoding="utf-8", newline="\n")
            for name, table in self.tables.items():
                table.to_csv(Path(folder) / f"{name}.csv", index=False, lineterminator="\n")
            return read_season(folder).as_of(self.month)


def generator_hash() -> str:
    """Return a short hash of the code that makes the dairies."""
    here = Path(__file__).parent
    code = b"".join((here / f"{name}.py").read_bytes() for name in GENERATOR)
    return hashlib.sha256(code).hexdigest()[:12]


# Taken when the generator is loaded: what is kept must not bear the name of code edited since.
_HASH = generator_hash()


def load_case(kind: str, seed: int) -> Case:
    """Return a dairy, from disk if it is there."""
    place = KEPT / _HASH / f"{kind}-{seed}.pickle"
    if place.exists():
        return pickle.loads(place.read_bytes())
    case = _make(kind, seed)
    _write(place, case)
    return case


def kept_forecast(
    name: str, code: str, case: Case, forecast: Callable[[Season], pd.DataFrame]
) -> tuple[pd.DataFrame, float]:
    """Return a forecast and the seconds it took, from disk if the same code made it before.

    Parameters
    ----------
    name
        Of the method.
    code
        Text of the code that forecasts; a changed text forecasts anew.
    case, forecast
    """
    of_code = hashlib.sha256(code.encode()).hexdigest()[:12]
    place = KEPT / _HASH / f"{name.replace(' ', '-')}-{of_code}" / f"{case.kind}-{case.seed}.pickle"
    if place.exists():
        return pickle.loads(place.read_bytes())
    season = case.season()
    begun = time.perf_counter()
    found = (forecast(season), time.perf_counter() - begun)
    _write(place, found)
    return found


def _write(place: Path, content: object) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    part = place.with_suffix(f".{os.getpid()}.part")
    part.write_bytes(pickle.dumps(content))
    part.replace(place)


def _make(kind: str, seed: int) -> Case:
    dairy = simulate(kind, seed, years=None)
    coming = [add_months(dairy.month, k) for k in range(1, 13)]
    truth = true_months(dairy)
    truth = truth[truth["month"].isin(coming) & (truth["milk_days"] >= LEAST_DAYS)]
    drawn = []
    for month in coming:
        values = single_results(dairy, month, n=SINGLES)
        drawn.append(values.assign(month=month)[["month", "source", "component", "value"]])
    world = dairy.world
    return Case(
        kind=kind,
        seed=seed,
        month=dairy.month,
        years=(world.last - world.first + 1) / 365.25,
        tables=dairy.tables,
        dairy_toml=dairy.dairy_toml,
        truth=truth.rename(columns={"mean": "truth"})[["month", "source", "component", "truth"]].reset_index(drop=True),
        oracle=oracle_months(dairy, dairy.month),
        singles=pd.concat([d for d in drawn if len(d)], ignore_index=True),
    )
