"""The label decision of a dairy: every rulebook, every line, and what follows from it."""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.label.outlook import Outlook, Pot, cut_into_months
from analysis.label.panel import LineDecision, Panel, decide_panel, impossible, unknown_claims
from analysis.label.rounding import decimal
from analysis.label.rulebook import Rulebook
from analysis.label.rulebook_file import load_rulebook, rulebook_names
from analysis.label.rows import label_row, label_tables
from analysis.records.findings import Answer, CannotDo, Finding, did_you_mean, warning
from analysis.records.season import Season


def decide_labels(season: Season, pot: Pot) -> Answer:
    """Decide what the label of the pots should say under each of the dairy's rulebooks.

    Parameters
    ----------
    season
        The records as of the month under review.
    pot
        The fitted pot: joint draws of every coming day, control errors, evidence.

    Returns
    -------
    Answer
        Decisions ``label``, ``label_action``, ``label_sets``, ``claims`` and ``next_tests``, the tables behind them, and
        flags: exemption and cautions first.

    Raises
    ------
    CannotDo
        If a rulebook does not exist or cannot be read.
    """
    outlook = cut_into_months(pot)
    books = rulebooks(season)
    flags: list[Finding] = []
    panels = _panels(season, outlook, books, flags)
    rows = [label_row(panel, line, pot) for panel in panels for line in panel.lines]
    return Answer(decisions={"label": rows}, tables=label_tables(panels), flags=tuple(flags))


def rulebooks(season: Season) -> list[Rulebook]:
    """Return the dairy's rulebooks as in force on the last day of the month, the home one first."""
    found: list[Rulebook] = []
    for name in season.dairy.rules:
        known = name in rulebook_names()
        path: str | Path = name if known or Path(name).is_absolute() else season.folder / name
        if not known and not Path(path).exists():
            path = name  # so that the message says what was written in dairy.toml
        book = load_rulebook(path, season.cutoff)
        if book.name not in {other.name for other in found}:
            found.append(book)
    return found


def _panels(season: Season, outlook: Outlook, books: Sequence[Rulebook], flags: list[Finding]) -> list[Panel]:
    """Decide the panel of each rulebook; say why where one cannot be."""
    if not len(outlook.counted):
        flags.append(
            warning(
                "label-no-milk",
                "no month of the coming year is likely to have milk, so no label can be decided",
                file="flock_diary.csv",
                advice="check lambing and drying-off dates",
            )
        )
        return []
    flags.extend(unknown_claims(books[0], season.dairy))
    panels = []
    for rules in books:
        serving_g = rules.serving_g(season.dairy.pot_g, season.dairy.serving_g)
        if serving_g is None:
            flags.append(
                warning(
                    "serving-missing",
                    f"the rulebook {rules.name} declares per serving and says nothing of its size, so it is left out",
                    file="dairy.toml",
                    column="serving_g",
                    advice="write serving_g in dairy.toml",
                )
            )
            continue
        panel, odd = decide_panel(outlook, rules, season.dairy, books[0], serving_g)
        panels.append(panel)
        flags.extend(odd)
    return panels


def try_values(season: Season, pot: Pot, rules: str, values: Mapping[str, float]) -> pd.DataFrame:
    """Return how declared values of one's own would fare.

    Parameters
    ----------
    season
        The records as of the month under review.
    pot
        The fitted pot.
    rules
        Name or path of the rulebook to try them under.
    values
        Declared value by nutrient (``energy_kj`` and ``energy_kcal`` where both are printed).

    Returns
    -------
    DataFrame
        One row a value: the columns of the label rows, with ``declared`` the value tried and ``ok_…`` its own, and one
        column a month (``YYYY-MM``) with the probability that a control sample is within tolerance.

    Raises
    ------
    CannotDo
        If the rulebook, a nutrient or a value cannot be.
    """
    outlook = cut_into_months(pot)
    books = rulebooks(season)
    named = [book for book in books if book.name == rules]
    book = named[0] if named else load_rulebook(rules, season.cutoff)
    panels = _panels(season, outlook, [book], flags := [])
    if not panels:
        raise CannotDo("; ".join(flag.sentence() for flag in flags))
    panel = panels[0]
    rows = []
    for name, value in values.items():
        line = _line_named(panel, name)
        problem = impossible(line.line, float(value) * 100 / panel.serving_g)
        if problem is not None:
            raise CannotDo(f"{name}={value:g} cannot be declared: {problem}")
        rows.append(_tried_row(panel, line, decimal(value), pot))
    return pd.DataFrame(rows)


def _line_named(panel: Panel, name: str) -> LineDecision:
    """Return the line that a word of the command line means: ``fat``, ``fat_g``, ``energy_kj``."""
    keys = {line.line.key: line for line in panel.lines}
    bare = name.rsplit("_", 1)[0] if name.rsplit("_", 1)[-1] in ("g", "mg") else name
    if bare in keys:
        return keys[bare]
    same = [line for line in panel.lines if line.line.nutrient == bare]
    if len(same) == 1:
        return same[0]
    raise CannotDo(f'the rulebook {panel.rules.name} has no single line "{name}": {did_you_mean(name, keys)}')


def _tried_row(panel: Panel, line: LineDecision, value: Decimal, pot: Pot) -> dict[str, Any]:
    row = label_row(panel, line, pot, tried=value)
    ok = line.ok(value)
    months: Iterable[float] = np.full(len(panel.outlook.months), np.nan) if ok is None else ok
    return row | dict(zip(panel.outlook.months, (float(chance) for chance in months), strict=True))
