"""Figures of the set time: when to look, and starter age against failed pots."""

import pandas as pd
import seaborn as sns
from matplotlib.ticker import FuncFormatter, MultipleLocator, PercentFormatter

from analysis.review.chart import (
    BLUE,
    GREY,
    INK,
    PLUM,
    RUST,
    Chart,
    Outcome,
    absent,
    day_position,
    month_axis,
    new_figure,
    quiet_style,
    rows_of,
    table_of,
    tidy,
)
from analysis.review.words import clock_span, in_hundred, month_words, number

_MOST_SETTINGS = 6


def set_window(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """When to look at the pots next month: a strip of hours and minutes for each setting.

    Drawn from ``set_time`` of decisions.json.
    """
    title = "When to look at the pots"
    table = rows_of(outcome, "set_time")
    needed = ["first_check_min", "expected_min", "latest_min"]
    if table.empty or table[needed].dropna().empty:
        return absent(
            title, "There is no set-time forecast: too few vats were looked at to say when the next will set."
        )
    month = str(table["month"].iloc[0])
    table = table[table["month"] == month].dropna(subset=needed).head(_MOST_SETTINGS).reset_index(drop=True)
    with quiet_style(narrow) as width:
        figure = new_figure(width, 0.66 * len(table) + 0.75)
        ax = figure.subplots()
        for y, row in table.iterrows():
            place = len(table) - 1 - int(str(y))
            usual = place == len(table) - 1
            colour = BLUE if usual else GREY
            ax.barh(place, row["latest_min"] - row["first_check_min"], left=row["first_check_min"], height=0.34,
                    color=colour, alpha=0.35 if usual else 0.25, linewidth=0)  # fmt: skip
            ax.plot([row["expected_min"]] * 2, [place - 0.24, place + 0.24], color=colour, linewidth=2.4)
            for at, side in ((row["first_check_min"], "right"), (row["latest_min"], "left")):
                shift = -2 if side == "right" else 2
                ax.annotate(
                    clock_span(at),
                    (at, place),
                    xytext=(shift, 0),
                    textcoords="offset points",
                    ha=side,
                    va="center",
                    fontsize=8,
                    color=INK,
                )
            ax.annotate(
                clock_span(row["expected_min"]),
                (row["expected_min"], place + 0.26),
                xytext=(0, 1),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=8,
                color=INK,
                fontweight="bold",
            )
        ax.set_yticks(range(len(table)), [_setting_words(row, i == 0, narrow) for i, row in table.iterrows()][::-1])
        ax.set_ylim(-0.6, len(table) - 0.25)
        low, high = float(table["first_check_min"].min()), float(table["latest_min"].max())
        pad = max(0.3 if narrow else 0.18, 0.05) * max(high - low, 30)
        ax.set_xlim(low - 1.3 * pad, high + 1.3 * pad)
        ax.xaxis.set_major_locator(MultipleLocator(30 if high - low > 60 or narrow else 15))
        ax.xaxis.set_major_formatter(
            FuncFormatter(lambda minutes, _at: f"{int(minutes) // 60}:{int(minutes) % 60:02d}")
        )
        ax.set_xlabel("hours and minutes from adding the starter")
        sns.despine(ax=ax, left=True)
        ax.tick_params(axis="y", length=0)
    first = table.iloc[0]
    reading = (
        f"In {month_words(month)}, at the usual settings (upper strip), start looking at "
        f"{clock_span(first['first_check_min'])}; "
        f"half of the vats are set by {clock_span(first['expected_min'])} (the upright stroke) and 95 in 100 by "
        f"{clock_span(first['latest_min'])}."
    )
    said = "; ".join(
        f"{number(row['incubator_c'])} °C with {number(row['starter_g_kg'])} g/kg starter: first look "
        f"{clock_span(row['first_check_min'])}, expected {clock_span(row['expected_min'])}, latest "
        f"{clock_span(row['latest_min'])}"
        for _, row in table.iterrows()
    )
    return Chart(title, reading, f"Set time in {month_words(month)}. {said}.", figure)


def starter_age(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """Failed pots against the age of the starter, with the 90 % band.

    Drawn from ``starter`` of decisions.json.
    """
    title = "Starter age and failed pots"
    table = rows_of(outcome, "starter")
    if table.empty or table["failed_share"].dropna().empty:
        return absent(title, "Failed pots cannot be set against starter age: the records hold too few vats with both.")
    table = table.sort_values("starter_age_d")
    with quiet_style(narrow) as width:
        figure = new_figure(width, 2.5)
        ax = figure.subplots()
        tidy(ax)
        ax.fill_between(table["starter_age_d"], table["lo90"], table["hi90"], color=RUST, alpha=0.18, linewidth=0)
        sns.lineplot(data=table, x="starter_age_d", y="failed_share", color=RUST, marker="o", markersize=4, ax=ax)
        seen = table_of(outcome, "starter_age", "starter_age_d", "vats", "failed_seen")
        if not seen.empty:
            size = 8 + 60 * seen["vats"] / seen["vats"].max()
            ax.scatter(
                seen["starter_age_d"],
                seen["failed_seen"],
                s=size,
                facecolor="none",
                edgecolor=GREY,
                label="seen (larger: more vats)",
            )
            ax.legend(loc="upper left", handletextpad=0.2)
        ax.set_ylim(0, None)
        ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=_decimals(float(table["hi90"].max()))))
        ax.set_xlabel("age of the starter, days")
        ax.set_ylabel("pots that fail")
    young, old = table.iloc[0], table.iloc[-1]
    reading = (
        "The line is the expected share of failed pots and the band its 90 % interval: "
        f"{in_hundred(young['failed_share'])} pots "
        f"with a starter of {_days(young['starter_age_d'])}, {in_hundred(old['failed_share'])} with one of "
        f"{_days(old['starter_age_d'])}."
    )
    said = "; ".join(
        f"{_days(row['starter_age_d'])}: {100 * row['failed_share']:.1f} % ({100 * row['lo90']:.1f} to "
        f"{100 * row['hi90']:.1f} %)"
        for _, row in table.iterrows()
    )
    return Chart(title, reading, f"Share of failed pots by age of the starter. {said}.", figure)


def culture(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """Show how the culture has gone through the records: slower or quicker than its own usual.

    Drawn from ``culture`` (made_on, slower_pct, lo90, hi90, fresh) of the setting room.
    """
    title = "How lively the culture was"
    table = table_of(outcome, "culture")
    if table.empty:
        return absent(title, "The culture cannot be followed: no vat tells when it set.", "culture")
    table = table.assign(at=day_position(table["made_on"])).sort_values("at")
    with quiet_style(narrow) as width:
        figure = new_figure(width, 2.4)
        ax = figure.subplots()
        tidy(ax)
        ax.axhline(0, color=GREY, linewidth=0.9)
        ax.fill_between(table["at"], table["lo90"], table["hi90"], color=PLUM, alpha=0.2, linewidth=0)
        ax.plot(table["at"], table["slower_pct"], color=PLUM)
        fresh = table[table["fresh"].astype(str).isin({"True", "1", "1.0"})]
        ax.plot(fresh["at"], fresh["slower_pct"], "v", color=INK, markersize=5, label="fresh starter")
        if len(fresh):
            ax.legend(loc="upper left", handletextpad=0.1)
        ax.set_ylabel("slower than usual, %")
        month_axis(ax, float(table["at"].min()) - 0.2, float(table["at"].max()) + 0.2, 12 if narrow else None)
    last = table.iloc[-1]
    side = "slower" if last["slower_pct"] > 0 else "quicker"
    sure = "" if last["lo90"] > 0 or last["hi90"] < 0 else "; as the band spans nought, that may be chance"
    reading = (
        f"Above nought the culture sets more slowly than its own usual, below more quickly; at the last vat it was "
        f"{number(abs(last['slower_pct']), 0)} % {side} (90 % interval {number(last['lo90'], 0)} to "
        f"{number(last['hi90'], 0)} %){sure}."
    )
    most = table.iloc[int(table["slower_pct"].argmax())]
    alt = (
        f"Pace of the culture over {len(table)} vats. Slowest on {str(most['made_on'])[:10]}, "
        f"{number(most['slower_pct'], 0)} % slower "
        f"than usual; last vat {number(last['slower_pct'], 0)} %."
    )
    return Chart(title, reading, alt, figure, ("culture",))


def _days(age: float) -> str:
    return f"{number(age)} day" if age == 1 else f"{number(age)} days"


def _decimals(highest: float) -> int:
    return 1 if highest < 0.05 else 0


def _setting_words(row: "pd.Series[float]", usual: bool, narrow: bool) -> str:
    text = f"{number(row['incubator_c'])} °C\n{number(row['starter_g_kg'])} g/kg starter"
    if usual:
        return text if narrow else f"{text}\n(usual)"
    trial = str(row.get("trial_vat_first")) == "True"
    return f"{text}\ntrial vat first" if trial else text
