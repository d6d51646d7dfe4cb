"""Figures of the label: control samples month by month, how sure each value is, and claims."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter

from analysis.review.chart import (
    BLUE,
    GREY,
    INK,
    MARKERS,
    OLIVE,
    PALE,
    RUST,
    Chart,
    Outcome,
    absent,
    month_axis,
    month_position,
    new_figure,
    quiet_style,
    table_of,
    tidy,
)
from analysis.review.letter import home_rules
from analysis.review.words import in_hundred, listing, missing, month_name, month_words, number, plain, rulebook_words

_FIRST = ("fat", "protein")
_NO_LABEL = "No label value could be decided, so there is nothing to draw."
# which: (words, colour, dash)
_VALUES = {
    "declared": ("to declare", INK, "-"),
    "cautious": ("careful", RUST, "--"),
    "on_pot_now": ("on the pot", OLIVE, ":"),
}


def _home_tables(outcome: Outcome, name: str, windows_name: str) -> tuple[pd.DataFrame, pd.DataFrame] | None:
    """Return a label table and the windows by nutrient under the home rulebook; None where nothing was decided."""
    rules = home_rules(outcome.decisions)
    table = table_of(outcome, name)
    if table.empty or rules is None:
        return None
    windows = table_of(outcome, windows_name)
    return table[table["rules"] == rules], windows[windows["rules"] == rules].set_index("nutrient")


def control_samples(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """Show what a control sample would read in each month, against the tolerance of the value to declare.

    Drawn from ``label_control_distribution`` (rules, nutrient, unit, month, mean, q05 … q95) and ``label_window``.
    """
    title = "What a control sample would find"
    data = ("label_control_distribution", "label_window")
    found = _home_tables(outcome, *data)
    if found is None:
        return absent(title, _NO_LABEL, *data)
    table, windows = found
    shown = _nutrients(windows, 2)
    with quiet_style(narrow) as width:
        figure = new_figure(width, 2.5 * len(shown) + 0.4)
        axes = figure.subplots(len(shown), 1, sharex=True, squeeze=False)[:, 0]
        for ax, nutrient in zip(axes, shown, strict=True):
            _control_panel(ax, table[table["nutrient"] == nutrient], _window(windows, nutrient))
        at = table["month"].map(month_position)
        month_axis(
            axes[-1], float(at.min()) - 0.6, float(at.max()) + 0.5, 3 if narrow else 1, room=4.2 if narrow else 1.5
        )
    return Chart(title, _control_reading(shown, windows, table), _control_alt(shown, windows, table), figure, data)


def label_sureness(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """Show how surely each declarable value holds in the worst month.

    Drawn from ``label_curve`` (rules, nutrient, unit, value, month, ok) and ``label_window``.
    """
    title = "How sure each label value is"
    data = ("label_curve", "label_window")
    found = _home_tables(outcome, *data)
    if found is None:
        return absent(title, _NO_LABEL, *data)
    table, windows = found
    shown = [name for name in _nutrients(windows, 2) if (table["nutrient"] == name).any()]
    if not shown:
        return absent(title, "These rules state no tolerance for fat or protein.", *data)
    with quiet_style(narrow) as width:
        columns = 1 if narrow else len(shown)
        figure = new_figure(width, 2.5 * len(shown) + 0.2 if narrow else 2.7)
        axes = figure.subplots(len(shown) // columns, columns, squeeze=False).ravel()
        for ax, nutrient in zip(axes, shown, strict=True):
            _sureness_panel(ax, table[table["nutrient"] == nutrient], _window(windows, nutrient))
        axes[0].set_ylabel("chance in the worst month")
    reading = _sureness_reading(shown[0], _window(windows, shown[0]))
    alt = "; ".join(
        f"{plain(name)}: values from {number(row['ok_from'])} to {number(row['ok_to'])} {row['unit']} hold each month"
        for name, row in ((name, _window(windows, name)) for name in shown)
    )
    return Chart(title, reading, f"Chance in the worst month by declared value. {alt}.", figure, data)


def claims_by_month(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """Show in which months each claim holds, under the home rules.

    Drawn from ``claims_by_month`` (rules, claim, month, ok).
    """
    title = "Claims, month by month"
    rules = home_rules(outcome.decisions)
    table = table_of(outcome, "claims_by_month")
    if table.empty or rules is None or table["ok"].dropna().empty:
        return absent(title, "No claim could be judged month by month.", "claims_by_month")
    table = table[(table["rules"] == rules) & table["ok"].notna()]
    worst = table.groupby("claim")["ok"].min()
    claims = worst.sort_values().index.tolist()
    wanted = _wanted(outcome)
    with quiet_style(narrow) as width:
        figure = new_figure(width, 0.36 * len(claims) + 0.8)
        ax = figure.subplots()
        for y, claim in enumerate(claims):
            rows = table[table["claim"] == claim]
            at = rows["month"].map(month_position)
            holds = rows["ok"] >= wanted
            ax.hlines(y, at.min(), at.max(), color=PALE, linewidth=6, zorder=1)
            ax.scatter(at[holds], [y] * int(holds.sum()), marker="o", s=34, color=BLUE, zorder=2)
            ax.scatter(
                at[~holds], [y] * int((~holds).sum()), marker="o", s=34, facecolor="white", edgecolor=RUST, zorder=2
            )
        ax.set_yticks(range(len(claims)), [_wrapped(claim, 20 if narrow else 34) for claim in claims])
        ax.set_ylim(-0.7, len(claims) - 0.3)
        at = table["month"].map(month_position)
        month_axis(ax, float(at.min()) - 0.6, float(at.max()) + 0.6, 3 if narrow else 1)
        sns.despine(ax=ax, left=True)
        ax.tick_params(axis="y", length=0)
    safe = [claim for claim in claims if worst[claim] >= wanted]
    reading = (
        f"A filled mark is a month in which the claim holds with at least {in_hundred(wanted)}, an open one a "
        "month in which it "
        f"does not; {listing(safe) + ' hold' + ('s' if len(safe) == 1 else '') if safe else 'no claim holds'} "
        "in every month."
    )
    alt = "; ".join(f"{claim}: {in_hundred(float(worst[claim]))} in the worst month" for claim in reversed(claims))
    return Chart(title, reading, f"Claims under {rulebook_words(rules)}. {alt}.", figure, ("claims_by_month",))


def _control_panel(ax: Axes, table: pd.DataFrame, window: Any) -> None:
    tidy(ax)
    ax.grid(visible=False)
    at = table["month"].map(month_position).to_numpy()
    low, high = window.get("limits_low"), window.get("limits_high")
    bottom, top = float(table["q05"].min()), float(table["q95"].max())
    ends = [float(value) for value in (low, high, *(window.get(name) for name in _VALUES)) if not missing(value)]
    bottom, top = min([bottom, *ends]), max([top, *ends])
    pad = 0.06 * (top - bottom)
    ax.set_ylim(bottom - pad, top + pad)
    ax.axhspan(
        bottom - 2 * pad if missing(low) else float(low),
        top + 2 * pad if missing(high) else float(high),
        color=PALE,
        zorder=0,
    )
    ax.vlines(at, table["q05"], table["q95"], color=BLUE, linewidth=2, zorder=2)
    ax.vlines(at, table["q25"], table["q75"], color=BLUE, linewidth=6, alpha=0.75, zorder=2)
    ax.plot(at, table["q50"], "o", color="white", markeredgecolor=BLUE, markersize=3.5, zorder=3)
    right = float(at.max()) + 0.55
    said = [(name, float(window[name])) for name in _VALUES if not missing(window.get(name))]
    heights = _spread([value for _, value in said], 0.075 * (top - bottom + 2 * pad))
    for (name, value), y in zip(said, heights, strict=True):
        words, colour, dash = _VALUES[name]
        ax.plot([float(at.min()) - 0.6, right], [value] * 2, color=colour, linestyle=dash, linewidth=1.2, zorder=1)
        ax.annotate(f"{number(value)} {words}", (right, y), xytext=(2, 0), textcoords="offset points", va="center",
                    fontsize=7.5, color=colour, annotation_clip=False)  # fmt: skip
    ax.set_ylabel(f"{plain(str(table['nutrient'].iloc[0]))}, {window['unit']} a {window['basis']}")


def _spread(values: Sequence[float], gap: float) -> list[float]:
    """Return heights for labels: in the order of their values, a gap apart, moved as little as need be."""
    order = sorted(range(len(values)), key=lambda k: values[k])
    heights = list(values)
    for _ in range(50):
        for low, high in pairwise(order):
            short = gap - (heights[high] - heights[low])
            if short > 0:
                heights[low] -= short / 2
                heights[high] += short / 2
    return heights


def _sureness_panel(ax: Axes, table: pd.DataFrame, window: Any) -> None:
    tidy(ax)
    worst = table.groupby("value")["ok"].min()
    sns.lineplot(x=worst.index, y=worst.to_numpy(), color=BLUE, ax=ax)
    wanted = float(window["wanted"])
    ax.axhline(wanted, color=GREY, linewidth=0.9, linestyle=(0, (4, 2)))
    ax.annotate(f"wanted: {in_hundred(wanted)}", (0.02, wanted), xycoords=("axes fraction", "data"), xytext=(0, 2),
                textcoords="offset points", va="bottom", fontsize=7.5, color=GREY)  # fmt: skip
    for k, (name, (words, colour, _dash)) in enumerate(_VALUES.items()):
        value = window.get(name)
        if missing(value):
            continue
        chance = float(np.interp(float(value), worst.index.to_numpy(dtype=float), worst.to_numpy(dtype=float)))
        ax.plot(
            [float(value)], [chance], MARKERS[k], color=colour, markersize=6, label=f"{number(value)} {words}", zorder=3
        )
    ax.set_ylim(0, 1.08)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_xlabel(f"declared {plain(str(table['nutrient'].iloc[0]))}, {window['unit']} a {window['basis']}")
    ax.set_ylabel("")
    ax.legend(loc="best", handletextpad=0.1, fontsize=7.5)


def _nutrients(windows: pd.DataFrame, most: int) -> list[str]:
    first = [name for name in _FIRST if name in windows.index]
    return (first or list(dict.fromkeys(windows.index)))[:most]


def _window(windows: pd.DataFrame, nutrient: str) -> Any:
    """Return the row of a nutrient's window."""
    return windows.loc[nutrient]


def _wanted(outcome: Outcome) -> float:
    windows = table_of(outcome, "label_window")
    return float(windows["wanted"].iloc[0]) if not windows.empty else 0.95


def _wrapped(text: str, width: int) -> str:
    words, lines = text.split(), [""]
    for word in words:
        if len(lines[-1]) + len(word) + 1 > width and lines[-1]:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return "\n".join(lines)


def _control_reading(shown: Sequence[str], windows: pd.DataFrame, table: pd.DataFrame) -> str:
    name = shown[0]
    window, rows = _window(windows, name), table[table["nutrient"] == name]
    lowest = rows.iloc[int(rows["q50"].argmin())]
    highest = rows.iloc[int(rows["q50"].argmax())]
    band = (
        f"the shaded band is what the rules tolerate around {number(window['declared'])} {window['unit']}"
        if not missing(window.get("limits_low")) or not missing(window.get("limits_high"))
        else "these rules state no tolerance"
    )
    return (
        f"Each stroke holds nine of ten control samples of a month and its thick part the middle half; {band}, "
        f"and {plain(name)} goes "
        f"from {number(lowest['q50'], 1)} in {month_words(lowest['month'])} to {number(highest['q50'], 1)} in "
        f"{month_words(highest['month'])}."
    )


def _control_alt(shown: Sequence[str], windows: pd.DataFrame, table: pd.DataFrame) -> str:
    said = []
    for name in shown:
        window = _window(windows, name)
        months = ", ".join(
            f"{month_name(row['month'])} {number(row['q50'], 1)} ({number(row['q05'], 1)} to {number(row['q95'], 1)})"
            for _, row in table[table["nutrient"] == name].iterrows()
        )
        said.append(
            f"{plain(name)}, {window['unit']} a {window['basis']}: to declare {number(window['declared'])}, tolerated "
            f"{number(window.get('limits_low'))} to {number(window.get('limits_high'))}; by month, median and "
            f"90 % interval: {months}"
        )
    return f"Control samples by month. {'. '.join(said)}."


def _sureness_reading(name: str, window: Any) -> str:
    if missing(window.get("ok_from")):
        return (
            f"Where the curve reaches the dashed line a value holds in every month; for {plain(name)} no "
            "single value does, so the "
            "year needs more than one label or a departure agreed with the authority."
        )
    return (
        f"Where the curve lies above the dashed line a value holds in every month: for {plain(name)} that is from "
        f"{number(window['ok_from'])} to {number(window['ok_to'])} {window['unit']}."
    )
