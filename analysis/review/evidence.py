"""What figures and tables are drawn from: decisions and tables by name, absent ones as empty."""

from collections.abc import Mapping
from typing import Any, Protocol

import pandas as pd


class Outcome(Protocol):
    """What figures are drawn from."""

    @property
    def decisions(self) -> Mapping[str, Any]:
        """Content of decisions.json."""

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Tables by name."""


def table_of(outcome: Outcome, name: str, *columns: str) -> pd.DataFrame:
    """Return a table of the outcome, empty where no room wrote one of that name with these columns."""
    if name not in outcome.tables:
        return pd.DataFrame()
    table = outcome.tables[name]
    return table if set(columns) <= set(table.columns) else pd.DataFrame()


def rows_of(outcome: Outcome, key: str) -> pd.DataFrame:
    """Return a list of decisions.json as a table."""
    return pd.DataFrame(outcome.decisions.get(key) or [])


def source_names(outcome: Outcome) -> dict[str, str]:
    """Return short names of the flocks and the bulk milk by their ids: up to the first comma, 18 letters at most."""
    table = table_of(outcome, "record_sources", "source", "name")
    named = {} if table.empty else dict(zip(table["source"].astype(str), table["name"].astype(str), strict=True))
    return {"bulk": "bulk milk"} | {source: _short(name) for source, name in named.items()}


def _short(name: str, longest: int = 18) -> str:
    first = name.split(",")[0].strip()
    return first if len(first) <= longest else first[: longest - 1].rstrip() + "…"
