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

    Drawn from ``pot_pairs`` (component, made_on, milk, milk_lo90, milk_hi90, pot, fitted).
    """
    title = "From milk to pot"
    table = table_of(outcome, "pot_pairs")
    if table.empty:
        return absent(
            title, "No pot test can be set beside its milk yet; the pots rest on the balance of mass alone.", "pot_pairs"
        )
    components = [name for name in _SHOWN if (table["component"] == name).any()]
    with quiet_style(narrow) as width:
        columns = 1 if narrow else len(components)
        figure = new_figure(width, 2.8 * len(components) if narrow else 3.0)
        axes = figure.subplots(len(components) // columns, columns, squeeze=False).ravel()
        for k, (ax, component) in enumerate(zip(axes, components, strict=True)):
            rows = table[table["component"] == component].sort_values("milk")
            tidy(ax)
            low = float(min(rows["milk"].min(), rows["pot"].min()))
            high = float(max(rows["milk"].max(), rows["pot"].max()))
            ax.plot([low, high], [low, high], color=GREY, linewidth=0.9, linestyle=(0, (2, 2)))
            ax.hlines(rows["pot"], rows["milk_lo90"], rows["milk_hi90"], color=SERIES[k], alpha=0.35, linewidth=1)
            ax.plot(rows["milk"], rows["pot"], MARKERS[k], color=SERIES[k], markersize=4, alpha=0.8)
            ax.set_xlabel(f"{plain(component)} of the milk, g/100 g")
            ax.set_ylabel(f"{plain(component)} of the pot, g/100 g")
    said = []
    for component in components:
        rows = table[table["component"] == component]
        ratio = float((rows["pot"] / rows["milk"]).median())
        said.append(f"{plain(component)} {number(ratio, 2)} times that of the milk (median of {len(rows)} pot tests)")
    reading = f"A mark above the dotted line is a pot richer than its milk: {listing(said)}; the level strokes are the milk's own uncertainty."
    return Chart(title, reading, f"Pot against milk. {'; '.join(said)}.", figure, ("pot_pairs",))


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
        low, high = rows.loc[rows["mean"].idxmin()], rows.loc[rows["mean"].idxmax()]
        said.append(
            f"{plain(component)} is lowest in {month_words(low['month'])} ({number(low['mean'], 1)} g/100 g) and highest in "
            f"{month_words(high['month'])} ({number(high['mean'], 1)} g/100 g)"
        )
        alts.append(said[-1])
    reading = (
        f"The thick stroke holds the month's average in 9 of 10 cases, the thin one a single test of pots; {listing(said)}."
    )
    return Chart(title, reading, f"Pots by month. {'; '.join(alts)}.", figure)
