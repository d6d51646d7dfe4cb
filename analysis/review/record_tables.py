"""What the records hold, as tables: how many rows, from when to when, what was said about them."""

from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    from analysis.records.season import Season

# The day that dates a row, by table.
_DAY = {
    "milk_tests": "sampled_on",
    "batches": "made_on",
    "pot_tests": "sampled_on",
    "flock_diary": "from_date",
    "weather": "date",
    "decisions_taken": "decided_on",
}


def record_tables(season: "Season") -> dict[str, pd.DataFrame]:
    """Return what the records of a season hold, as tables.

    Returns
    -------
    dict of DataFrame
        ``record_counts`` (table, used, set_aside, first, last), ``record_months`` (table, source, month, rows),
        ``record_settings`` (name, value), ``record_sources`` (source, name) and ``findings`` (severity, code, where,
        text).
    """
    counts, by_month = [], []
    aside = season.set_aside
    for name, table in season.tables.items():
        dropped = int((aside["file"] == f"{name}.csv").sum()) if len(aside) else 0
        days: Any = (
            pd.to_datetime(table[_DAY[name]]).dropna() if name in _DAY else pd.Series([], dtype="datetime64[ns]")
        )
        first, last = (days.min().date().isoformat(), days.max().date().isoformat()) if len(days) else (None, None)
        counts.append((name, len(table), dropped, first, last))
        if name in {"milk_tests", "batches", "pot_tests"} and len(days):
            by_month.append(_months(name, table.loc[days.index], days))
    columns = ["table", "source", "month", "rows"]
    names = [("bulk", "bulk milk"), *((flock.id, flock.name) for flock in season.dairy.flocks)]
    return {
        "record_settings": pd.DataFrame(
            [("target_ph", season.dairy.limits.target_ph), ("label_ok", season.dairy.label_ok)],
            columns=["name", "value"],
        ),
        "record_sources": pd.DataFrame(names, columns=["source", "name"]),
        "record_counts": pd.DataFrame(counts, columns=["table", "used", "set_aside", "first", "last"]),
        "record_months": pd.concat(by_month, ignore_index=True) if by_month else pd.DataFrame(columns=columns),
        "findings": pd.DataFrame(
            [
                (said["severity"], said["code"], said["where"], said["text"])
                for said in (f.as_flag() for f in season.findings)
            ],
            columns=["severity", "code", "where", "text"],
        ),
    }


def _months(name: str, table: pd.DataFrame, days: "pd.Series[pd.Timestamp]") -> pd.DataFrame:
    source = table["source"].fillna("bulk") if "source" in table.columns else pd.Series("", index=table.index)
    grouped = pd.DataFrame({"table": name, "source": source, "month": days.dt.strftime("%Y-%m")})
    return grouped.groupby(["table", "source", "month"], as_index=False).size().rename(columns={"size": "rows"})
