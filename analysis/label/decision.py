"""The label decision of a dairy: every rulebook, every line, and what follows from it."""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.label.action import held_against_advice, label_action
from analysis.label.cautions import about_panels, first_said, last_said
from analysis.label.claims import ClaimVerdict, claim_flags, claim_row, claims_by_month, judge_claims
from analysis.label.composites import label_predicted
from analysis.label.evidence import label_evidence
from analysis.label.next_tests import (
    Plan,
    considered,
    first_own_evidence,
    milk_of,
    plan_row,
    plans,
    sampling_sheet,
    watch_claims,
    watch_lines,
    worth_buying,
)
from analysis.label.outlook import Evidence, Outlook, Pot, cut_into_months
from analysis.label.panel import LineDecision, Panel, decide_panel, impossible, unknown_claims
from analysis.label.rounding import decimal
from analysis.label.rows import counted, label_row, label_tables, weakest_names
from analysis.label.rulebook import Rulebook
from analysis.label.rulebook_file import load_rulebook, rulebook_names
from analysis.label.samples import ControlSamples, draw_samples, panel_ok
from analysis.label.seasonal import label_sets
from analysis.records.findings import Answer, CannotDo, Finding, did_you_mean, note, warning
from analysis.records.season import Season

LISTS = ("label", "label_action", "label_sets", "claims", "next_tests")
SEED = 5
"""This room's own constant in the seed of its simulated control samples."""


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
        Decisions ``label``, ``label_action``, ``label_sets``, ``claims`` and ``next_tests``, the tables behind them,
        and flags: exemption and cautions first.

    Raises
    ------
    CannotDo
        If a rulebook does not exist or cannot be read.
    """
    outlook = cut_into_months(pot)
    books = rulebooks(season)
    flags: list[Finding] = first_said(books, season)
    panels = _panels(season, outlook, books, flags)
    if not panels:
        return Answer(decisions={name: [] for name in LISTS}, flags=(*flags, *last_said(panels)))
    evidence = counted(pot.evidence, season.tables["milk_tests"])
    seed = int(season.month.replace("-", ""))
    samples = draw_samples(outlook, np.random.default_rng([seed, SEED]))
    judged = [(panel, judge_claims(panel, samples, pot)) for panel in panels]
    tests, test_tables, test_flags = _tests(season, pot, judged, seed)
    chosen = tests[0] if tests else None
    together = {panel.rules.name: _together(panel, samples) for panel in panels}
    sets = {panel.rules.name: label_sets(panel, samples) for panel in panels}
    actions = [
        action
        for panel in panels
        for plan in [chosen if panel is panels[0] else None]
        if (action := label_action(panel, samples, season, plan, sets[panel.rules.name])) is not None
    ]
    taken, taken_flags = held_against_advice(season, panels)
    all_sets = [row for panel in panels for row in sets[panel.rules.name]]
    flags += about_panels(panels, pot)
    flags += _about_actions(panels, actions, season)
    flags += [*claim_flags(judged), *taken_flags, *test_flags, *last_said(panels)]
    return Answer(
        decisions={
            "label": [
                label_row(panel, line, evidence) | {"panel_ok_worst_month": together[panel.rules.name]}
                for panel in panels
                for line in panel.lines
            ],
            "label_action": actions,
            "label_sets": all_sets,
            "claims": [claim_row(panel, verdict) for panel, verdicts in judged for verdict in verdicts],
            "next_tests": [plan_row(panels[0], plan) for plan in tests],
        },
        tables={
            **label_tables(panels),
            "label_sets": _sets_table(all_sets),
            "claims_by_month": claims_by_month(judged),
            "label_evidence": label_evidence(season, panels, pot),
            "label_decisions_taken": taken,
            "label_predicted": label_predicted(season, panels),
            **test_tables,
        },
        flags=tuple(flags),
    )


def _together(panel: Panel, samples: ControlSamples) -> float | None:
    """Return the probability, in the worst month, that a control sample is right on every printed line at once."""
    if not panel.bounded:
        return None
    return float(panel_ok(panel, samples, [(line, line.choice.declared) for line in panel.bounded]).min())


def _tests(
    season: Season, pot: Pot, judged: Sequence[tuple[Panel, list[ClaimVerdict]]], seed: int
) -> tuple[list[Plan], dict[str, pd.DataFrame], list[Finding]]:
    """Return the tests worth buying for the home label, the tables behind that, and what to say."""
    panel, verdicts = judged[0]
    chances = {verdict.claim.claim: verdict.ok for verdict in verdicts if verdict.ok is not None}
    watched = [*watch_lines(panel), *watch_claims(panel, chances)]
    milk = milk_of(pot)
    found = plans(panel, watched, milk, season.dairy, seed)
    chosen = worth_buying(found) or first_own_evidence(found, _without_test(panel, verdicts, pot))
    tests = [] if chosen is None else [chosen]
    flags: list[Finding] = []
    if not season.dairy.costs:
        flags.append(
            note(
                "costs-missing",
                "no costs are given, so tests are weighed by risk alone and no date is set for the labels in hand",
                file="dairy.toml",
                column="costs",
                advice="write [costs] in dairy.toml",
            )
        )
    if chosen is None:
        reason = (
            f"{panel.rules.name} gives no tolerance, so a test lowers no risk that could be counted"
            if not watched
            else "none of those looked at would lower its risk enough; the usual tests of milk go on"
        )
        flags.append(
            note("no-test-worth-buying", f"no further test is worth buying for the label this month: {reason}")
        )
    if milk is None:
        flags.append(note("milk-tests-not-weighed", "only pot composites were weighed: the milk model was not at hand"))
    rows = [plan_row(panel, plan) for plan in tests]
    tables = {
        "next_tests_considered": considered(panel, found, chosen),
        "sampling_sheet": sampling_sheet(rows, season.dairy),
    }
    return tests, tables, flags


def _without_test(panel: Panel, verdicts: Sequence[ClaimVerdict], pot: Pot) -> list[str]:
    """Return what stands on the pots, or must, without any test: mandatory lines by handbook, claims not tested."""
    names = {line.line.nutrient for line in panel.lines if line.line.key in panel.printed}
    if "sodium" in names:
        names.add("salt")
    said = [name for name in weakest_names(panel, pot) if name in names]
    said += [
        f'the claim "{verdict.claim.claim}"'
        for verdict in verdicts
        if verdict.claim in panel.claims and verdict.verdict == "not tested"
    ]
    return said


def _about_actions(panels: Sequence[Panel], actions: Sequence[Mapping[str, Any]], season: Season) -> list[Finding]:
    """Return why there is no action, or no date for one."""
    found = []
    judged = {action["rules"] for action in actions}
    without = [panel.rules.name for panel in panels if panel.rules.name not in judged]
    if without:
        found.append(
            note(
                "label-action-not-judged",
                f"no line on the pots can be held against a tolerance under {', '.join(without)}, so nothing is said "
                "about the labels in hand there",
                file="dairy.toml",
                column="label",
            )
        )
    if season.dairy.costs and any(action["decide_by"] is None for action in actions):
        found.append(
            note(
                "label-no-date",
                "no date can be set for the labels in hand",
                file="dairy.toml",
                column="costs",
                advice="write labels_left, pots_per_week and lab_days",
            )
        )
    return found


def _sets_table(sets: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return the label sets as a tidy table: one row a set, label and line."""
    columns = [
        "rules",
        "labels",
        "from_month",
        "line",
        "declared",
        "ok_worst_month",
        "panel_ok_worst_month",
        "meets_risk",
        "buys",
    ]
    rows = [
        {
            "rules": row["rules"],
            "labels": row["labels"],
            "from_month": start,
            "line": line,
            "declared": value,
            **{name: row[name] for name in columns[5:]},
        }
        for row in sets
        for start, declared in zip(row["from_month"], row["declared"], strict=True)
        for line, value in declared.items()
    ]
    return pd.DataFrame(rows, columns=columns)


def rulebooks(season: Season) -> list[Rulebook]:
    """Return the dairy's rulebooks as in force on the last day of the month, the home one first."""
    found: list[Rulebook] = []
    for name in season.dairy.rules:
        book = _rulebook_named(season, name)
        if book.name not in {other.name for other in found}:
            found.append(book)
    return found


def _rulebook_named(season: Season, name: str) -> Rulebook:
    """Return a rulebook by name, or by a path that may be relative to the season folder."""
    beside = season.folder / name
    path: str | Path = beside if name not in rulebook_names() and beside.exists() else name
    return load_rulebook(path, season.cutoff)


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
    book = named[0] if named else _rulebook_named(season, rules)
    flags: list[Finding] = []
    panels = _panels(season, outlook, [book], flags)
    if not panels:
        raise CannotDo("; ".join(flag.sentence() for flag in flags))
    panel = panels[0]
    evidence = counted(pot.evidence, season.tables["milk_tests"])
    rows = []
    for name, value in values.items():
        line = _line_named(panel, name)
        problem = impossible(line.line, float(value) * 100 / panel.serving_g)
        if problem is not None:
            raise CannotDo(f"{name}={value:g} cannot be declared: {problem}")
        rows.append(_tried_row(panel, line, decimal(value), evidence))
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


def _tried_row(panel: Panel, line: LineDecision, value: Decimal, evidence: Mapping[str, Evidence]) -> dict[str, Any]:
    row = label_row(panel, line, evidence, tried=value)
    ok = line.ok(value)
    months: Iterable[float] = np.full(len(panel.outlook.months), np.nan) if ok is None else ok
    return row | dict(zip(panel.outlook.months, (float(chance) for chance in months), strict=True))
