"""What the notebooks call: load, figure, how to read it, table. Each shows itself; none needs an `if` beside it."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import IPython.display
import pandas as pd

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

Shown = Any  # something that a notebook shows; IPython's classes are untyped


def said(outcome: StoredOutcome) -> Shown:
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
    return _text(f"**{_safe(decisions['dairy'])}, {month_words(outcome.month)}**: {through}, and {aside}.")


def figure(outcome: StoredOutcome, name: str) -> ShownFigure:
    """Draw a figure, keep it in the review folder, show it, and say below it how to read it."""
    shown = draw(outcome, name)
    _show(shown)
    _show(_text(f"*How to read it.* {_safe(shown.reading)}" if shown.drawn else _safe(shown.reading)))
    return shown


def figures(outcome: StoredOutcome, notebook: str, skip: Sequence[str] = ()) -> None:
    """Show the figures of a notebook, one below the other, save those shown elsewhere in it."""
    for name, entry in BOOK.items():
        if entry[0] == notebook and name not in skip:
            figure(outcome, name)


def table(outcome: StoredOutcome, name: str, columns: Sequence[str] = (), rows: int = 12) -> Shown:
    """Show the first rows of a table of the review; one that no room wrote is shown as empty."""
    found = outcome.tables.table(name)
    if found.empty:
        return _html(f"<p>The table {_safe(name)} is empty for these records.</p>")
    wanted = [column for column in columns if column in found.columns] or list(found.columns)
    text = found[wanted].head(rows).to_html(index=False, border=0, na_rep="–", float_format="{:.3g}".format)
    more = f"<p>{len(found) - rows} more rows stand in tables/{name}.csv.</p>" if len(found) > rows else ""
    return _html(text + more)


def tables(outcome: StoredOutcome, *makers: str) -> None:
    """Show tables of the page by the names of their makers in :mod:`analysis.review.page_tables`."""
    decisions = outcome.decisions
    for maker in makers:
        name, _, key = maker.partition(":")
        function = getattr(page_tables, name)
        made = function(decisions, key, source_names(outcome)) if key else function(decisions)
        shown = made if isinstance(made, list) else [made]
        for one in page_tables.with_rows(shown):
            _show(_text(_safe(one.caption)))
            _show(_frame(one))
        if not page_tables.with_rows(shown):
            _show(_text("There is nothing to show here yet; the flags of the review say why."))


def show_letter(outcome: StoredOutcome) -> Shown:
    """Show the three sentences of the letter."""
    lines = [
        f"{k}. {_safe(point.do)} *{_safe(point.chance)}* {_safe(point.why)} {_safe(point.caution)}".rstrip()
        for k, point in enumerate(letter(outcome.decisions, source_names(outcome)), 1)
    ]
    return _text("\n".join(lines))


def show_changes(outcome: StoredOutcome) -> dict[str, Any]:
    """Show what changed since the review before, and return it for the page."""
    changes = load_changes(outcome)
    lines = [_safe(changes["text"])]
    for title, items in (("Surprising results", changes["surprises"]), ("What moved", changes["moved"])):
        if items:
            lines += ["", f"**{title}**", "", *(f"- {_safe(item['text'])}" for item in items[:10])]
    _show(_text("\n".join(lines)))
    return changes


def shown_path(outcome: StoredOutcome, path: Path) -> Shown:
    """Say where a file lies, seen from the folder of the review."""
    return _text(f"Written: `{path.relative_to(outcome.out_folder).as_posix()}`")


def _frame(made: Table) -> Shown:
    frame = pd.DataFrame(list(made.rows), columns=list(made.heads))
    return _html(frame.to_html(index=False, border=0))


def _text(text: str) -> Shown:
    return IPython.display.Markdown(text)  # type: ignore[no-untyped-call]


def _html(text: str) -> Shown:
    return IPython.display.HTML(text)  # type: ignore[no-untyped-call]


def _show(shown: Shown) -> None:
    IPython.display.display(shown)  # type: ignore[no-untyped-call]


def _safe(text: str) -> str:
    """Keep text of the records from being read as markup in a notebook."""
    escaped = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    for mark in ("\\", "`", "*", "_", "[", "]", "$", "#"):
        escaped = escaped.replace(mark, "\\" + mark)
    return escaped
