"""Small invented seasons for the milk room: any span, hemisphere, lambing and sampling."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.records.season import Season, load_season
from tests.zoo import DAIRY, season_folder

LEVELS = {"fat_g_100g": 6.8, "protein_g_100g": 5.5, "lactose_g_100g": 4.8}


def expected(component: str, since: float, day: pd.Timestamp) -> float:
    """What the invented ewes give: richer with every week since lambing, and a little in winter."""
    sign = -0.5 if component == "lactose_g_100g" else 1.0
    yearly = 0.2 * np.cos(2 * np.pi * (day.day_of_year - 15) / 365.25)
    return LEVELS[component] + sign * (0.006 * (since - 100) + yearly) * LEVELS[component] / 6.8


def results(
    first: str,
    last: str,
    *,
    lambed: Mapping[str, Sequence[str]],
    sources: Sequence[str] = ("hill", "brook", "bulk"),
    every: int = 14,
    components: Sequence[str] = tuple(LEVELS),
    seed: int = 1,
    milked: int = 200,
    lab: str = "valley lab",
) -> list[dict[str, str]]:
    """Milk tests of each source on every `every`-th day on which its flocks are milked."""
    rng = np.random.default_rng(seed)
    rows = []
    for day in pd.date_range(first, last, freq=f"{every}D"):
        for source in sources:
            flocks = list(lambed) if source == "bulk" else [source]
            since = [
                min(((day - pd.Timestamp(d)).days for d in lambed[f] if pd.Timestamp(d) <= day), default=999)
                for f in flocks
            ]
            since = [s for s in since if 25 < s <= milked]
            if not since:
                continue
            row = {
                "sample_id": f"{source}{day:%Y%m%d}",
                "sampled_on": f"{day:%Y-%m-%d}",
                "reported_on": f"{day:%Y-%m-%d}",
                "source": source,
                "lab": lab,
                "method": "infrared",
            }
            for component in components:
                sd = {"fat_g_100g": 0.2, "protein_g_100g": 0.08, "lactose_g_100g": 0.05}[component]
                row[component] = f"{expected(component, float(np.mean(since)), day) + sd * rng.normal():.2f}"
            rows.append(row)
    return rows


def diary(
    lambed: Mapping[str, Sequence[str]], *, milked: int = 200, until: str = "2026-12-31", forage: bool = True
) -> list[dict[str, str]]:
    """Diary rows of each lactation: hay, then pasture."""
    rows = []
    for flock, days in lambed.items():
        for text in days:
            day = pd.Timestamp(text)
            for start, end, word in ((30, 90, "hay"), (91, milked, "pasture")):
                begin, stop = day + pd.Timedelta(days=start), day + pd.Timedelta(days=end)
                if begin > pd.Timestamp(until):
                    continue
                row = {"flock": flock, "from_date": f"{begin:%Y-%m-%d}", "ewes_milked": "70", "lambed_on": text}
                if forage:
                    row["forage"] = word
                if stop <= pd.Timestamp(until):
                    row["to_date"] = f"{stop:%Y-%m-%d}"
                rows.append(row)
    return rows


def weather(first: str, last: str) -> list[dict[str, str]]:
    """Invented weather of the north, every day."""
    rng = np.random.default_rng(5)
    rows = []
    for day in pd.date_range(first, last):
        mean = 12 - 9 * np.cos(2 * np.pi * (day.day_of_year - 15) / 365.25) + 2 * rng.normal()
        rain = max(0.0, 3 * rng.normal())
        rows.append(
            {
                "date": f"{day:%Y-%m-%d}",
                "t_mean_c": f"{mean:.1f}",
                "t_max_c": f"{mean + 5:.1f}",
                "rain_mm": f"{rain:.1f}",
            }
        )
    return rows


def milk_season(
    tmp_path: Path,
    month: str,
    *,
    tests: Sequence[Mapping[str, str]] = (),
    kept: Sequence[Mapping[str, str]] = (),
    sky: Sequence[Mapping[str, str]] = (),
    dairy: str = DAIRY,
    folder: str = "season",
) -> Season:
    """Write the records and load them as of a month; everything but milk, diary and weather is empty."""
    path = season_folder(
        tmp_path,
        dairy=dairy,
        folder=folder,
        milk_tests=list(tests),
        flock_diary=list(kept),
        weather=list(sky),
        batches=[],
        set_checks=[],
        ph_readings=[],
        pot_tests=[],
        decisions_taken=[],
    )
    return load_season(path, month)
