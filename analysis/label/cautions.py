"""What must be said beside every label answer: exemption first, then what it rests on, then the cautions."""

from collections.abc import Sequence

import numpy as np

from analysis.label.outlook import Pot
from analysis.label.panel import LineDecision, Panel
from analysis.label.rows import weakest_names
from analysis.label.rulebook import Rulebook, names_of
from analysis.records.findings import Finding, note, warning
from analysis.records.months import month_words
from analysis.records.season import Season

_EQUAL = 1e-9
# Said once, whatever the rulebook.
GENERAL = (
    "Decision support, not legal advice: the food business operator answers for the label, the authority decides.",
    (
        "The results are no better than the sampling: all seasons, several lots, accredited methods, stated "
        "uncertainty and nitrogen factor."
    ),
    "Claims, health claims and front-of-pack statements need review by a qualified person before print.",
    (
        "Allergen (milk), name, species, origin, date and storage rules are not covered here, nor infants' foods, nor "
        "advice to any single consumer with a disease or allergy."
    ),
)


def first_said(books: Sequence[Rulebook], season: Season) -> list[Finding]:
    """Return what comes first: who may be exempt, and that a claim ends that."""
    claims = bool(season.dairy.label.claims)
    found = [
        note(
            "label-exemption",
            f"{rules.name}: {rules.exemption}"
            + (" These pots carry a claim today." if claims and rules is books[0] else ""),
        )
        for rules in books
    ]
    found += [
        warning(
            "rulebook-not-yet-in-force",
            f"the rulebook {rules.name} is in force from {rules.in_force_from.isoformat()}, after the month under "
            "review; it stands in for an older one that is not at hand",
            advice=f"ask {rules.authority} what held then",
        )
        for rules in books
        if rules.in_force_from > season.cutoff
    ]
    return found


def about_panels(panels: Sequence[Panel], pot: Pot) -> list[Finding]:
    """Return what must be said about the values: missing lines, tolerances and tests, departures, failing months."""
    found: list[Finding] = []
    for panel in panels:
        found += _about_rules(panel)
        for line in panel.lines:
            found += _about_line(panel, line)
        found += _about_evidence(panel, pot)
    unknown = pot.evidence["protein"].factor_unknown if "protein" in pot.evidence else 0
    if unknown:
        found.append(
            note(
                "label-factor-unknown",
                f"{unknown} protein results give no nitrogen factor and were taken as nitrogen x 6.38; had they been "
                "nitrogen x 6.25, the declared protein would be 2 % higher",
                advice="ask the lab, and write protein_factor",
            )
        )
    return found


def _about_rules(panel: Panel) -> list[Finding]:
    rules = panel.rules
    found: list[Finding] = []
    if rules.not_carried:
        found.append(
            note(
                "label-lines-not-carried",
                f"the panel of {rules.name} also needs {', '.join(rules.not_carried)}, which are not worked out here",
            )
        )
    without = [line.line for line in panel.lines if not line.line.has_tolerance]
    if without:
        reasons = "; ".join(dict.fromkeys(line.no_tolerance or "" for line in without))
        found.append(
            note(
                "label-no-tolerance",
                f"{rules.name} gives no tolerance for {names_of(without)}, so no probability is said: {reasons}",
            )
        )
    if rules.one_sided:
        found.append(
            note(
                "label-one-sided",
                f"{rules.name} limits each line on one side only: where ok_to is the most that the serving could hold, "
                "or ok_from is 0, that end is open",
            )
        )
    return found


def _about_line(panel: Panel, line: LineDecision) -> list[Finding]:
    own, choice, rules = line.line, line.choice, panel.rules
    found: list[Finding] = []
    least = own.only_if_at_least
    if least is not None and line.outlook.expected < float(least):
        found.append(
            note(
                "label-amount-not-significant",
                f"{own.nutrient} may be declared under {rules.name} only from {least:g} {own.unit} on; "
                f"{line.outlook.expected:.0f} are expected",
            )
        )
    if own.key not in panel.printed or line.curve is None:
        return found
    said = own.rounding.print(choice.declared, own.unit)
    if choice.window is None:
        ok = line.ok(choice.declared)
        assert ok is not None
        months = [month_words(panel.outlook.months[i]) for i in np.flatnonzero(ok < panel.wanted - _EQUAL)]
        tied = "".join(f'; the claim "{tie.claim}" on the pots tightens its tolerance' for tie in line.ties)
        found.append(
            warning(
                "label-no-single-value",
                f"no single value of {own.nutrient} holds in every month under {rules.name}: the average {said} fails "
                f"in {', '.join(months)}, and no cautious value holds either{tied}",
                advice="see the seasonal labels, or standardise or blend the milk; the number is not moved to hide it",
            )
        )
    elif choice.departs != 0 and not rules.one_sided:
        found.append(
            warning(
                "label-departs-from-average",
                f"{own.nutrient} {said} departs from the average by {choice.departs:+f} {own.unit} under {rules.name}, "
                "because the average does not hold in every month",
                advice=f"agree the departure with {rules.authority} before print",
            )
        )
    return found


def _about_evidence(panel: Panel, pot: Pot) -> list[Finding]:
    handbook = weakest_names(panel, pot)
    if not handbook:
        return []
    return [
        warning(
            "label-handbook-values",
            f"never tested here, so generally established data stand in under {panel.rules.name}: "
            f"{', '.join(name.replace('_', ' ') for name in handbook)}",
            advice="have one pot composite tested for them",
        )
    ]


def last_said(panels: Sequence[Panel]) -> list[Finding]:
    """Return the cautions that every answer shows."""
    found = [note("label-caution", text) for text in GENERAL]
    for panel in panels:
        rules = panel.rules
        found += [note("label-caution", f"{rules.name}: {text}") for text in rules.cautions]
        marks = [origin.mark for _, _, origin in rules.origins] + [line.origin.mark for line in rules.lines]
        marks += [band.origin.mark for line in rules.lines for band in line.tolerance]
        found.append(
            note(
                "label-rules-compiled",
                f"{rules.name}: the rules were compiled on {rules.compiled_on.isoformat()} and may have changed; "
                f"{sum(mark == 'M' for mark in marks)} of {len(marks)} of the numbers used are from memory: check the "
                "current text",
            )
        )
    return found
