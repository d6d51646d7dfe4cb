"""Figure of the records: what was written down, month by month."""

import pandas as pd
from matplotlib.axes import Axes

from analysis.review.chart import (
    INK,
    SERIES,
    Chart,
    Outcome,
    absent,
    month_axis,
    month_position,
    new_figure,
    quiet_style,
    source_names,
    table_of,
)
from analysis.review.words import listing, month_words

_KIND_WORDS = {"milk_tests": "milk results", "batches": "vats", "pot_tests": "pot results"}
_LARGEST = 9.0  # points; the area of a mark goes with the number of rows


def records_by_month(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """How many results and vats each month holds, by source; a gap shows as a gap.

    Drawn from ``record_months`` (table, source, month, rows).
    """
    title = "What was written down"
    table = table_of(outcome, "record_months")
    if table.empty:
        return absent(title, "The records hold no dated rows up to this month.", "record_months")
    table = table.assign(
        source=table["source"].fillna(""),
        at=table["month"].map(month_position),
    )
    names = source_names(outcome)
    lanes = list(dict.fromkeys(zip(table["table"], table["source"], strict=True)))
    with quiet_style(narrow) as width:
        figure = new_figure(width, 0.3 * len(lanes) + 0.75)
        ax = figure.subplots()
        most = float(table["rows"].max())
        for y, (kind, source) in enumerate(reversed(lanes)):
            _lane(ax, _of(table, kind, source), y, list(_KIND_WORDS).index(kind), most)
        ax.set_yticks(
            range(len(lanes)), [_lane_words(kind, names.get(source, source)) for kind, source in reversed(lanes)]
        )
        ax.set_ylim(-0.7, len(lanes) - 0.3)
        first, last = float(table["at"].min()) - 0.5, float(table["at"].max()) + 0.5
        month_axis(ax, first, last, 12 if narrow and last - first > 18 else None)
        for side in ("top", "right", "left"):
            ax.spines[side].set_visible(False)
        ax.tick_params(axis="y", length=0)
    totals = [
        f"{int(_of(table, kind, source)['rows'].sum())} {_lane_words(kind, names.get(source, source))}"
        for kind, source in lanes
    ]
    newest = month_words(str(table["month"].max()))
    empty = _gaps(table)
    reading = (
        f"Each mark is one month and its size the number of rows, {int(most)} at most; the newest are of {newest}"
        + (
            f", and {empty} of the months in between hold no milk result."
            if empty
            else ", and no month in between is without a milk result."
        )
    )
    return Chart(title, reading, f"Rows by month: {listing(totals)}.", figure, ("record_months",))


def _of(table: pd.DataFrame, kind: str, source: str) -> pd.DataFrame:
    return table[(table["table"] == kind) & (table["source"] == source)]


def _lane(ax: Axes, rows: pd.DataFrame, y: int, colour: int, most: float) -> None:
    sizes = _LARGEST * (rows["rows"] / most) ** 0.5
    ax.hlines(y, rows["at"].min(), rows["at"].max(), color="#d9dcd5", linewidth=0.8, zorder=1)
    ax.scatter(rows["at"], [y] * len(rows), s=sizes**2, color=SERIES[colour], edgecolors=INK, linewidths=0.3, zorder=2)


def _lane_words(kind: str, source: str) -> str:
    return f"{_KIND_WORDS.get(kind, kind)}, {source}" if source else _KIND_WORDS.get(kind, kind)


def _gaps(table: pd.DataFrame) -> int:
    """Return how many months between the first and the last milk result hold none."""
    milk = table[table["table"] == "milk_tests"]
    if milk.empty:
        return 0
    return int(milk["at"].max() - milk["at"].min()) + 1 - milk["month"].nunique()
