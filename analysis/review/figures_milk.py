"""Figures of the milk: months gone by and ahead, and what made the swing."""

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from analysis.review.chart import (
    BLUE,
    GREY,
    INK,
    MARKERS,
    RUST,
    SERIES,
    Chart,
    Outcome,
    absent,
    day_position,
    month_axis,
    month_position,
    new_figure,
    quiet_style,
    source_names,
    table_of,
    tidy,
)
from analysis.review.words import listing, month_words, number, plain

_MONTHS_BACK = 24
# A result this likely to be an outlier is drawn as a cross and named.
_OUTLIER = 0.5
_PART_WORDS = {
    "lactation": "weeks since lambing",
    "season": "time of year",
    "forage": "forage",
    "weather": "weather",
    "flock": "which flock",
    "year": "year to year",
    "lab": "lab and sampling",
    "unexplained": "not explained",
}


def milk_by_month(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """Show the milk by month with its forecast, one panel a source and component.

    Drawn from ``milk_months`` (month, source, component, kind, mean, lo90, hi90, one_lo90, one_hi90) and the single
    results in
    ``milk_results``.
    """
    title = "Milk, month by month"
    table = table_of(outcome, "milk_months")
    if table.empty:
        return absent(title, "There is no milk forecast: no milk results could be used.", "milk_months", "milk_results")
    results = table_of(outcome, "milk_results")
    table = table.assign(at=table["month"].map(month_position))
    turn = _turn(table)
    table = table[table["at"] > turn - _MONTHS_BACK]
    if not results.empty:
        results = results.assign(at=day_position(results["sampled_on"]))
        results = results[results["at"] > turn - _MONTHS_BACK]
    names = source_names(outcome)
    sources = _sources(table)
    if narrow:
        sources = sources[:1]
    # Fat and protein: what the label and the set time hang on. Lactose stands in the table.
    components = list(dict.fromkeys(table["component"]))[:2]
    with quiet_style(narrow) as width:
        height = 2.0 * len(components) + 0.7
        figure = new_figure(width, height)
        axes = figure.subplots(len(components), len(sources), sharex=True, sharey="row", squeeze=False)
        for i, component in enumerate(components):
            for j, source in enumerate(sources):
                ax = axes[i][j]
                _milk_panel(ax, _of(table, source, component), _of(results, source, component), turn)
                if i == 0:
                    ax.set_title(names.get(source, source))
                if j == 0:
                    ax.set_ylabel(f"{plain(component)}, g/100 g")
        last = float(table["at"].max()) + 0.5
        for ax in axes[-1]:
            month_axis(
                ax, max(turn - _MONTHS_BACK, float(table["at"].min()) - 0.5), last, 12 if len(sources) > 3 else None
            )
        _milk_legend(figure, narrow)
    table = table[table["component"].isin(components)]
    reading = _milk_reading(table, sources[0], names.get(sources[0], sources[0]), components)
    return Chart(title, reading, _milk_alt(table, names), figure, ("milk_months", "milk_results"))


def swing(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """Show what made the swing: the share of each part, with its 90 % interval, by component.

    Drawn from ``milk_swing`` (component, part, share, lo90, hi90).
    """
    title = "What made the swing"
    table = table_of(outcome, "milk_swing")
    if table.empty:
        return absent(title, "The swing cannot be split: too few milk results could be used.", "milk_swing")
    components = list(dict.fromkeys(table["component"]))
    order = table.groupby("part")["share"].mean().sort_values().index.tolist()
    with quiet_style(narrow) as width:
        figure = new_figure(width, 0.34 * len(order) + 0.9)
        ax = figure.subplots()
        for k, component in enumerate(components):
            rows = table[table["component"] == component].set_index("part").reindex(order)
            y = [i + 0.2 * ((len(components) - 1) / 2 - k) for i in range(len(order))]
            ax.hlines(y, 100 * rows["lo90"], 100 * rows["hi90"], color=SERIES[k], linewidth=1.6, alpha=0.75)
            ax.plot(100 * rows["share"], y, MARKERS[k], color=SERIES[k], markersize=5.5, label=plain(component))
        ax.axvline(0, color=GREY, linewidth=0.8)
        ax.set_yticks(range(len(order)), [_PART_WORDS.get(part, part) for part in order])
        ax.set_ylim(-0.6, len(order) - 0.4)
        ax.set_xlabel("share of all that varied, %")
        sns.despine(ax=ax, left=True)
        ax.tick_params(axis="y", length=0)
        ax.legend(loc="lower right", handletextpad=0.2)
    return Chart(title, _swing_reading(table), _swing_alt(table), figure, ("milk_swing",))


def _milk_panel(ax: Axes, table: pd.DataFrame, results: pd.DataFrame, turn: float) -> None:
    """Draw one source and component: results, fitted months, forecast with both bands."""
    tidy(ax)
    ahead = table[table["kind"] == "forecast"].sort_values("at")
    past = table[table["kind"] != "forecast"].sort_values("at")
    ax.axvline(turn, color=GREY, linewidth=0.8, linestyle=(0, (2, 2)))
    if not results.empty:
        points = results
        odd = points.get("outlier_probability", pd.Series(0.0, index=points.index)).fillna(0) > _OUTLIER
        sns.scatterplot(
            data=points[~odd], x="at", y="value", s=9, color=GREY, alpha=0.7, linewidth=0, ax=ax, legend=False
        )
        ax.plot(points.loc[odd, "at"], points.loc[odd, "value"], "x", color=RUST, markersize=5, markeredgewidth=1.4)
    past = _with_gaps(past)
    ahead = _with_gaps(ahead)
    ax.plot(past["at"], past["mean"], color=INK, linewidth=1.4)
    ax.fill_between(ahead["at"], ahead["one_lo90"], ahead["one_hi90"], color=BLUE, alpha=0.13, linewidth=0)
    ax.fill_between(ahead["at"], ahead["lo90"], ahead["hi90"], color=BLUE, alpha=0.33, linewidth=0)
    ax.plot(ahead["at"], ahead["mean"], color=BLUE, linestyle="--")
    ax.set_xlabel("")
    ax.set_ylabel("")


def _with_gaps(table: pd.DataFrame) -> pd.DataFrame:
    """Put an empty row into each month without milk, so that no line is drawn across it."""
    if table.empty:
        return table
    first = float(table["at"].min())
    every = pd.Index([first + k for k in range(round(float(table["at"].max()) - first) + 1)], name="at")
    return table.set_index("at").reindex(every).reset_index()


def _milk_legend(figure: Figure, narrow: bool) -> None:
    entries = [
        Line2D([], [], marker="o", linestyle="", color=GREY, markersize=3.5, label="a result"),
        Line2D([], [], marker="x", linestyle="", color=RUST, markersize=5, markeredgewidth=1.4, label="an odd result"),
        Line2D([], [], color=INK, label="month's average"),
        Line2D([], [], color=BLUE, linestyle="--", label="forecast"),
        Patch(color=BLUE, alpha=0.42, linewidth=0, label="average, 9 in 10"),
        Patch(color=BLUE, alpha=0.13, linewidth=0, label="one result, 9 in 10"),
    ]
    figure.legend(
        handles=entries, loc="outside lower center", ncols=2 if narrow else 3, handlelength=1.4, columnspacing=1.2
    )


def _of(table: pd.DataFrame, source: str, component: str) -> pd.DataFrame:
    if table.empty:
        return table
    return table[(table["source"] == source) & (table["component"] == component)]


def _turn(table: pd.DataFrame) -> float:
    """Return where the months under review end and the forecast begins."""
    ahead = table[table["kind"] == "forecast"]
    return float(ahead["at"].min()) - 0.5 if not ahead.empty else float(table["at"].max()) + 0.5


def _sources(table: pd.DataFrame) -> list[str]:
    """Return bulk first, then the flocks in their order."""
    found = list(dict.fromkeys(table["source"].astype(str)))
    return sorted(found, key=lambda name: name != "bulk")


def _milk_reading(table: pd.DataFrame, source: str, name: str, components: Sequence[str]) -> str:
    ahead = table[(table["kind"] == "forecast") & (table["source"] == source)].dropna(subset=["mean"])
    if ahead.empty:
        return (
            "The line is the month's average as the results show it; no month ahead is likely to have enough milk days."
        )
    first = str(ahead.sort_values("at")["month"].iloc[0])
    said = []
    for component in components:
        row = ahead[(ahead["month"] == first) & (ahead["component"] == component)]
        if not row.empty:
            said.append(f"{plain(component)} {_span(row.iloc[0])}")
    return (
        f"Right of the dotted line lies the forecast: in {month_words(first)} the milk ({name}) is expected at "
        f"{listing(said)}; the darker band holds the month's average in 9 of 10 cases, the lighter band a "
        "single new result."
    )


def _span(row: "pd.Series[Any]") -> str:
    return f"{number(row['mean'], 1)} g/100 g ({number(row['lo90'], 1)} to {number(row['hi90'], 1)})"


def _milk_alt(table: pd.DataFrame, names: Mapping[str, str]) -> str:
    said = []
    ahead = table[table["kind"] == "forecast"].dropna(subset=["mean"])
    for (source, component), rows in ahead.groupby(["source", "component"], sort=False):
        low, high = rows.iloc[int(rows["mean"].argmin())], rows.iloc[int(rows["mean"].argmax())]
        said.append(
            f"{names.get(str(source), source)}, {plain(str(component))}: lowest {number(low['mean'], 1)} in "
            f"{month_words(low['month'])}, highest {number(high['mean'], 1)} g/100 g in {month_words(high['month'])}"
        )
    return f"Milk by month with a forecast of twelve months. {'; '.join(said)}." if said else "Milk by month."


def _swing_reading(table: pd.DataFrame) -> str:
    said = []
    for component, rows in table.groupby("component", sort=False):
        top = rows.sort_values("share", ascending=False).iloc[0]
        part = _PART_WORDS.get(str(top["part"]), str(top["part"]))
        said.append(
            f"of the swing in {plain(str(component))}, {part} made about {number(100 * top['share'], 0)} % "
            f"(90 % interval {number(100 * top['lo90'], 0)} to {number(100 * top['hi90'], 0)} %)"
        )
    return f"Each mark is a part's share and its line the uncertainty of that share: {listing(said)}."


def _swing_alt(table: pd.DataFrame) -> str:
    said = []
    for component, rows in table.groupby("component", sort=False):
        parts = ", ".join(
            f"{_PART_WORDS.get(str(row.part), str(row.part))} {number(100 * float(str(row.share)), 0)} %"
            for row in rows.sort_values("share", ascending=False).itertuples()
        )
        said.append(f"{plain(str(component))}: {parts}")
    return f"Shares of what varied in the milk. {'; '.join(said)}."
