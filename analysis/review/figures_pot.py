"""Figures of the pot: from milk to pot, and the pots of the coming months."""

from analysis.review.chart import (
    BLUE,
    GREY,
    INK,
    MARKERS,
    SERIES,
    Chart,
    Outcome,
    absent,
    month_axis,
    month_position,
    new_figure,
    quiet_style,
    rows_of,
    table_of,
    tidy,
)
from analysis.review.words import listing, month_words, number, plain

_SHOWN = ("fat_g_100g", "protein_g_100g")


def milk_to_pot(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """Show what pots held against the milk that they were made from.

    Drawn from ``pot_milk`` (made_on, nutrient, milk, milk_lo90, milk_hi90, pot_fitted, pot_measured).
    """
    title = "From milk to pot"
    table = table_of(outcome, "pot_milk", "nutrient", "milk", "milk_lo90", "milk_hi90", "pot_measured")
    table = table.dropna(subset=["milk", "pot_measured"]) if len(table) else table
    if table.empty:
        return absent(
            title, "No pot test can be set beside its milk yet; the pots rest on the balance of mass alone.", "pot_milk"
        )
    nutrients = list(dict.fromkeys(table["nutrient"]))
    with quiet_style(narrow) as width:
        columns = 1 if narrow else len(nutrients)
        figure = new_figure(width, 2.8 * len(nutrients) if narrow else 3.0)
        axes = figure.subplots(len(nutrients) // columns, columns, squeeze=False).ravel()
        for k, (ax, nutrient) in enumerate(zip(axes, nutrients, strict=True)):
            rows = table[table["nutrient"] == nutrient].sort_values("milk")
            tidy(ax)
            low = float(min(rows["milk_lo90"].min(), rows["pot_measured"].min()))
            high = float(max(rows["milk_hi90"].max(), rows["pot_measured"].max()))
            ax.plot([low, high], [low, high], color=GREY, linewidth=0.9, linestyle=(0, (2, 2)))
            ax.hlines(
                rows["pot_measured"], rows["milk_lo90"], rows["milk_hi90"], color=SERIES[k], alpha=0.35, linewidth=1
            )
            ax.plot(rows["milk"], rows["pot_measured"], MARKERS[k], color=SERIES[k], markersize=4, alpha=0.8)
            at = low + 0.1 * (high - low)
            ax.annotate(
                "pot = milk", (at, at), xytext=(7, -3), textcoords="offset points", va="top", fontsize=7.5, color=GREY
            )
            ax.set_xlabel(f"{plain(nutrient)} of the milk, g/100 g")
            ax.set_ylabel(f"{plain(nutrient)} of the pot, g/100 g")
    said = []
    for nutrient in nutrients:
        rows = table[table["nutrient"] == nutrient]
        ratio = float((rows["pot_measured"] / rows["milk"]).median())
        said.append(f"{plain(nutrient)} {number(ratio, 2)} times that of the milk (median of {len(rows)} lots tested)")
    reading = (
        f"A mark above the dotted line is a pot richer than its milk: {listing(said)}; the level strokes are "
        "the 90 % interval of the "
        "milk."
    )
    return Chart(title, reading, f"Pot against milk. {'; '.join(said)}.", figure, ("pot_milk",))


def pot_by_month(outcome: Outcome, *, narrow: bool = False) -> Chart:
    """Show fat and protein of the pots in the coming months, with both intervals.

    Drawn from ``pot_forecast`` of decisions.json.
    """
    title = "The pots of the coming months"
    table = rows_of(outcome, "pot_forecast")
    if table.empty:
        return absent(title, "There is no forecast of the pots: no month ahead is likely to have enough milk.")
    components = [name for name in _SHOWN if (table["component"] == name).any()] or [str(table["component"].iloc[0])]
    table = table[table["component"].isin(components)]
    table = table.assign(at=table["month"].map(month_position))
    with quiet_style(narrow) as width:
        figure = new_figure(width, 1.8 * len(components) + 0.4)
        axes = figure.subplots(len(components), 1, sharex=True, squeeze=False)[:, 0]
        for ax, component in zip(axes, components, strict=True):
            rows = table[table["component"] == component]
            tidy(ax)
            ax.vlines(rows["at"], rows["one_lo90"], rows["one_hi90"], color=BLUE, linewidth=1.2, alpha=0.6)
            ax.vlines(rows["at"], rows["mean_lo90"], rows["mean_hi90"], color=BLUE, linewidth=4.5, alpha=0.6)
            ax.plot(rows["at"], rows["mean"], "o", color="white", markeredgecolor=INK, markersize=4)
            ax.set_ylabel(f"{plain(component)}, g/100 g")
        month_axis(axes[-1], float(table["at"].min()) - 0.6, float(table["at"].max()) + 0.6, 3 if narrow else 1)
    said, alts = [], []
    for component in components:
        rows = table[table["component"] == component]
        low, high = rows.iloc[int(rows["mean"].argmin())], rows.iloc[int(rows["mean"].argmax())]
        said.append(
            f"{plain(component)} is lowest in {month_words(low['month'])} ({number(low['mean'], 1)} g/100 g) "
            "and highest in "
            f"{month_words(high['month'])} ({number(high['mean'], 1)} g/100 g)"
        )
        alts.append(said[-1])
    strokes = "The thick stroke holds the month's average in 9 of 10 cases, the thin one a single test of pots"
    reading = f"{strokes}; {listing(said)}."
    return Chart(title, reading, f"Pots by month. {'; '.join(alts)}.", figure)
