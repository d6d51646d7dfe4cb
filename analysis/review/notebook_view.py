"""What the notebooks call: load, figure, how to read it, table. Each shows itself; none needs an `if` beside it."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from IPython.display import HTML, Markdown, display

from analysis.review import page_tables
from analysis.review.changes import load_changes
from analysis.review.chart_book import BOOK, ShownFigure, draw
from analysis.review.evidence import source_names
from analysis.review.letter import letter
from analysis.review.outcome import StoredOutcome, load_or_decide
from analysis.review.page_tables import Table
from analysis.review.words import count_of, month_words

__all__ = [
    "figure",
    "figures",
    "load_or_decide",
    "month_words",
    "said",
    "show_changes",
    "show_letter",
    "shown_path",
    "table",
    "tables",
]


def said(outcome: StoredOutcome) -> Markdown:
    """Say in one sentence whose month this is and what it rests on."""
    decisions = outcome.decisions
    flags = decisions["flags"]
    errors = sum(flag["severity"] == "error" for flag in flags)
    through = (
        f"the records reach to {decisions['data_through']}"
        if decisions["data_through"]
        else "the records hold no dated row"
    )
    aside = (
        f"{count_of(errors, 'row or value was', 'rows or values were')} set aside"
        if errors
        else "nothing was set aside"
    )
    return Markdown(f"**{_safe(decisions['dairy'])}, {month_words(outcome.month)}**: {through}, and {aside}.")


def figure(outcome: StoredOutcome, name: str) -> ShownFigure:
    """Draw a figure, keep it in the review folder, show it, and say below it how to read it."""
    shown = draw(outcome, name)
    display(shown)
    display(Markdown(f"*How to read it.* {_safe(shown.reading)}" if shown.drawn else _safe(shown.reading)))
    return shown


def figures(outcome: StoredOutcome, notebook: str, skip: Sequence[str] = ()) -> None:
    """Show the figures of a notebook, one below the other, save those shown elsewhere in it."""
    for name, entry in BOOK.items():
        if entry[0] == notebook and name not in skip:
            figure(outcome, name)


def table(outcome: StoredOutcome, name: str, columns: Sequence[str] = (), rows: int = 12) -> HTML:
    """Show the first rows of a table of the review; one that no room wrote is shown as empty."""
    found = outcome.tables.table(name)
    if found.empty:
        return HTML(f"<p>The table {_safe(name)} is empty for these records.</p>")
    wanted = [column for column in columns if column in found.columns] or list(found.columns)
    text = found[wanted].head(rows).to_html(index=False, border=0, na_rep="–", float_format="{:.3g}".format)
    more = f"<p>{len(found) - rows} more rows stand in tables/{name}.csv.</p>" if len(found) > rows else ""
    return HTML(text + more)


def tables(outcome: StoredOutcome, *makers: str) -> None:
    """Show tables of the page by the names of their makers in :mod:`analysis.review.page_tables`."""
    decisions = outcome.decisions
    for maker in makers:
        name, _, key = maker.partition(":")
        function = getattr(page_tables, name)
        made = function(decisions, key, source_names(outcome)) if key else function(decisions)
        shown = made if isinstance(made, list) else [made]
        for one in page_tables.with_rows(shown):
            display(Markdown(_safe(one.caption)))
            display(_frame(one))
        if not page_tables.with_rows(shown):
            display(Markdown("There is nothing to show here yet; the flags of the review say why."))


def show_letter(outcome: StoredOutcome) -> Markdown:
    """Show the three sentences of the letter."""
    lines = [
        f"{k}. {_safe(point.do)} *{_safe(point.chance)}* {_safe(point.why)} {_safe(point.caution)}".rstrip()
        for k, point in enumerate(letter(outcome.decisions), 1)
    ]
    return Markdown("\n".join(lines))


def show_changes(outcome: StoredOutcome) -> dict[str, Any]:
    """Show what changed since the review before, and return it for the page."""
    changes = load_changes(outcome)
    lines = [_safe(changes["text"])]
    for title, items in (("Surprising results", changes["surprises"]), ("What moved", changes["moved"])):
        if items:
            lines += ["", f"**{title}**", "", *(f"- {_safe(item['text'])}" for item in items[:10])]
    display(Markdown("\n".join(lines)))
    return changes


def shown_path(outcome: StoredOutcome, path: Path) -> Markdown:
    """Say where a file lies, seen from the folder of the review."""
    return Markdown(f"Written: `{path.relative_to(outcome.out_folder).as_posix()}`")


def _frame(made: Table) -> HTML:
    frame = pd.DataFrame(list(made.rows), columns=list(made.heads))
    return HTML(frame.to_html(index=False, border=0))


def _safe(text: str) -> str:
    """Keep text of the records from being read as markup in a notebook."""
    escaped = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    for mark in ("\\", "`", "*", "_", "[", "]", "$", "#"):
        escaped = escaped.replace(mark, "\\" + mark)
    return escaped
