"""One function: the records of a dairy and a month give the decisions.

Every room hands over an :class:`~analysis.records.findings.Answer`; this module puts them together in the order of
the flow (milk, pot, setting, label) and knows nothing of how any of them was reached.
"""

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from threadpoolctl import threadpool_limits

from analysis.label import decide_labels
from analysis.milk import fit_milk
from analysis.pot import fit_pot
from analysis.records.findings import Answer, Finding, in_order, note
from analysis.records.season import Season, load_season, newest_month
from analysis.setting import fit_setting

CONTRACT = 1

# The lists of decisions.json in the order in which the contract names them.
LISTS = (
    "milk_forecast",
    "pot_forecast",
    "swing",
    "outcomes",
    "pot_outlook",
    "set_time",
    "starter",
    "label",
    "label_action",
    "label_sets",
    "claims",
    "next_tests",
    "track_record",
)


@dataclass(frozen=True)
class Outcome:
    """What was decided for a dairy and a month.

    Attributes
    ----------
    season
        The records as of the month.
    decisions
        The content of decisions.json.
    tables
        Tidy tables by name; every figure and every table of the page is drawn from these.
    """

    season: Season
    decisions: dict[str, Any]
    tables: dict[str, pd.DataFrame]


def decide(folder: Path | str, month: str | None = None) -> Outcome:
    """Decide everything for one season folder as of the last day of a month.

    Parameters
    ----------
    folder
        A season folder.
    month
        The month under review, ``YYYY-MM``; the newest month with records if None.

    Returns
    -------
    Outcome

    Raises
    ------
    analysis.records.findings.CannotDo
        If the folder or the month cannot be reviewed at all; the message is one line.
    """
    path = Path(folder)
    return decide_season(load_season(path, month or newest_month(path)))


def decide_season(season: Season) -> Outcome:
    """Decide everything for records already read.

    One thread of linear algebra: with more, sums are taken in another order and the last digits move.
    """
    with threadpool_limits(limits=1):
        milk = fit_milk(season)
        pot = fit_pot(season, milk)
        setting = fit_setting(season, milk)
        answers = (milk.answer(), pot.answer(), setting.answer(), decide_labels(season, pot))
    return Outcome(season, _decisions(season, answers), _tables(season, answers))


def write_decisions(decisions: Mapping[str, Any]) -> str:
    """Return decisions as the text of decisions.json: stable, without NaN, numbers rounded to what is meaningful."""
    return json.dumps(_plain(decisions), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _decisions(season: Season, answers: Iterable[Answer]) -> dict[str, Any]:
    decisions: dict[str, Any] = {
        "contract": CONTRACT,
        "dairy": season.dairy.name,
        "month": season.month,
        "data_through": _data_through(season),
    }
    decisions |= {name: [] for name in LISTS}
    flags: list[Finding] = list(season.findings)
    for answer in answers:
        for name, rows in answer.decisions.items():
            decisions[name] = decisions[name] + list(rows)
        flags.extend(answer.flags)
    if not decisions["track_record"]:
        flags.append(
            note("no-track-record", "earlier forecasts of this dairy were not held against what came afterwards")
        )
    decisions["flags"] = [flag.as_flag() for flag in in_order(flags)]
    return decisions


def _tables(season: Season, answers: Iterable[Answer]) -> dict[str, pd.DataFrame]:
    tables = {"set_aside": season.set_aside}
    for answer in answers:
        tables.update(answer.tables)
    return tables


def _data_through(season: Season) -> str | None:
    """Return the newest day on which something was sampled, made or seen, as ISO text."""
    days = [
        season.tables[table][column].max()
        for table, column in (("milk_tests", "sampled_on"), ("pot_tests", "sampled_on"), ("batches", "made_on"))
    ]
    known = [day for day in days if pd.notna(day)]
    return max(known).date().isoformat() if known else None


def _plain(value: Any) -> Any:
    """Turn numpy and pandas values into plain JSON values; a number that cannot be given becomes null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, str | bool) or value is None:
        return value
    if hasattr(value, "isoformat"):
        return None if pd.isna(value) else str(value.isoformat())[:10]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return round_meaningful(value) if math.isfinite(value) else None
    return value


def round_meaningful(value: float) -> float:
    """Return a number at four decimals below 10 and at five significant digits above.

    No quantity of a review is known better than that, and the digits beyond it differ between processors.
    """
    if abs(value) < 10:
        return round(value, 4) + 0.0
    return round(value, 4 - math.floor(math.log10(abs(value)))) + 0.0
