"""The panel of one rulebook: every line decided, consistent with one another, beside what the pots say today."""

from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np

from analysis.label.outlook import Array, LineOutlook, Outlook, line_outlook
from analysis.label.rounding import decimal
from analysis.label.rulebook import Claim, Line, Rulebook
from analysis.label.values import Choice, ClaimTie, Curve, chances, choose, curve_of
from analysis.records.dairy import Dairy
from analysis.records.findings import Finding, did_you_mean, note, warning

# A line that cannot be larger than another one of the panel.
PARTS = (("saturates", "fat"), ("sugars", "carbohydrate"))
# Key of dairy.toml -> nutrient and unit.
_ENERGY = {"energy_kj": ("energy", "kJ"), "energy_kcal": ("energy", "kcal")}
# Energy recomputed from printed lines may differ by this much organic acid, which no printed line shows (g/100 g;
# lactic acid of yogurt 0.7-1.3, from memory).
_UNPRINTED_ACID_G = 1.5


@dataclass(frozen=True)
class LineDecision:
    """One line of the panel, decided.

    Parameters
    ----------
    outlook
        Its average and the law of its control reading.
    ties
        Claims on the pot that tighten its tolerance.
    curve
        Probabilities of every declarable value; None where the rules give no tolerance.
    choice
        The value to declare, the cautious one, the window.
    on_pot
        What the pots say today, None where nothing.
    """

    outlook: LineOutlook
    ties: tuple[ClaimTie, ...]
    curve: Curve | None
    choice: Choice
    on_pot: Decimal | None

    @property
    def line(self) -> Line:
        """The line of the rulebook."""
        return self.outlook.line

    def ok(self, value: Decimal | None) -> Array | None:
        """Return the probability by month that a control sample stands to a value; None where it cannot be said."""
        if value is None or self.curve is None:
            return None
        index = self.curve.position.get(value)
        if index is not None:
            return np.asarray(self.curve.ok[index])
        return chances(self.outlook.law, self.line, value, self.ties)


@dataclass(frozen=True)
class Panel:
    """Every line of one rulebook's panel, decided.

    Parameters
    ----------
    rules
        The rulebook.
    outlook
        The pots of the coming year.
    serving_g
        Mass that a declared value stands for.
    wanted
        Wanted probability in every month.
    lines
        The lines, in the order of the panel.
    printed
        Keys of the lines that are (or must be) on the pot: mandatory ones, those on it today, those a claim asks for.
    claims
        Claims on the pots today that this rulebook knows.
    portion_g
        What a claim "per serving" speaks of; None where no serving is known.
    """

    rules: Rulebook
    outlook: Outlook
    serving_g: float
    wanted: float
    lines: tuple[LineDecision, ...]
    printed: frozenset[str]
    claims: tuple[Claim, ...]
    portion_g: float | None

    @property
    def basis(self) -> str:
        """The basis in words."""
        return self.rules.basis_words(self.serving_g)

    @property
    def bounded(self) -> tuple[LineDecision, ...]:
        """The printed lines for which the rules give a tolerance."""
        return tuple(line for line in self.lines if line.curve is not None and line.line.key in self.printed)


def decide_panel(
    outlook: Outlook, rules: Rulebook, dairy: Dairy, home: Rulebook, serving_g: float
) -> tuple[Panel, tuple[Finding, ...]]:
    """Decide every line of a rulebook's panel.

    Parameters
    ----------
    outlook
        The pots of the coming year; at least one month must count.
    rules
        The rulebook.
    dairy
        The dairy, for what its pots say today and the probability that it wants.
    home
        The dairy's home rulebook, on whose basis the pots are labelled.
    serving_g
        Mass that a declared value stands for.

    Returns
    -------
    tuple[Panel, tuple[Finding, ...]]
        The panel, and what is odd about it or about the values on the pots.
    """
    outlooks = {line.key: line_outlook(outlook, rules, line, serving_g) for line in rules.lines}
    shared = shares_basis(home, rules)
    on_pot, findings = printed_values(dairy, rules) if shared else ({}, [])
    claims = tuple(claim for claim in rules.claims if shared and is_on_pot(claim, dairy))
    lines = []
    for line in rules.lines:
        own = outlooks[line.key]
        ties = tuple(tie for claim in claims if (tie := claim_tie(claim, line, rules, outlooks, serving_g)) is not None)
        curve = curve_of(own, ties) if line.has_tolerance else None
        choice = choose(line, curve, own.expected, own.safe_end, dairy.label_ok, serving_g)
        lines.append(LineDecision(own, ties, curve, choice, on_pot.get(line.key)))
    about = {claim.about for claim in claims}
    printed = frozenset(
        line.line.key for line in lines if line.line.mandatory or line.on_pot is not None or line.line.nutrient in about
    )
    whole, odd = _consistent(tuple(lines), dairy.label_ok)
    portion_g = serving_g if rules.per == "serving" else dairy.serving_g
    return Panel(rules, outlook, serving_g, dairy.label_ok, whole, printed, claims, portion_g), (*findings, *odd)


def shares_basis(home: Rulebook, rules: Rulebook) -> bool:
    """Return whether values printed under the home rulebook mean the same under another: basis and nitrogen factor."""
    return home.name == rules.name or (
        home.per == rules.per == "100 g"
        and home.nitrogen_factor == rules.nitrogen_factor
        and home.organic_acids_inside == rules.organic_acids_inside
    )


def is_on_pot(claim: Claim, dairy: Dairy) -> bool:
    """Return whether the pots carry a claim today."""
    return claim.claim.casefold() in {text.strip().casefold() for text in dairy.label.claims}


def unknown_claims(home: Rulebook, dairy: Dairy) -> list[Finding]:
    """Return a finding for each claim on the pots that the home rulebook does not list."""
    known = [claim.claim for claim in home.claims]
    folded = {claim.casefold() for claim in known}
    return [
        warning(
            "claim-unknown",
            f"the claim on the pots is none that the rulebook {home.name} lists, so it is not judged",
            file="dairy.toml",
            column="label.claims",
            value=text,
            advice=f"{did_you_mean(text, known)}; only listed claims may be made: ask {home.authority}",
        )
        for text in dairy.label.claims
        if text.strip().casefold() not in folded
    ]


def printed_values(dairy: Dairy, rules: Rulebook) -> tuple[dict[str, Decimal], list[Finding]]:
    """Return what the pots say today by key of the line, without impossible values, and what is odd about them."""
    found: dict[str, Decimal] = {}
    findings: list[Finding] = []
    keys = {line.key: line for line in rules.lines}
    for name, value in sorted(dairy.label.values.items()):
        key = name if name in _ENERGY else name.rsplit("_", 1)[0]
        amount = float(value)
        if key == "salt" and "salt" not in keys and "sodium" in keys:
            key, amount = "sodium", amount * 1000.0 / rules.salt_factor
        line = keys.get(key)
        if line is None:
            continue
        problem = impossible(line, amount)
        if problem is not None:
            findings.append(
                warning(
                    "label-value-impossible",
                    f"the value on the pots is set aside: {problem}",
                    file="dairy.toml",
                    column=f"label.{name}",
                    value=f"{amount:g}",
                    advice="correct it",
                )
            )
            continue
        found[key] = decimal(amount)
        if line.rounding(amount) != found[key]:
            findings.append(
                note(
                    "label-value-not-rounded",
                    f"{line.printed_as} {amount:g} {line.unit} is not rounded as {rules.name} rounds; "
                    f"it would be printed as {line.rounding.print(amount, line.unit)}",
                    file="dairy.toml",
                    column=f"label.{name}",
                )
            )
    findings += [
        warning(
            "label-values-disagree",
            f"the pots say more {part} ({found[part]:f} g) than {whole} ({found[whole]:f} g), of which it is a part",
            file="dairy.toml",
            column="label",
            advice="correct the one that is wrong",
        )
        for part, whole in PARTS
        if part in found and whole in found and found[part] > found[whole]
    ]
    return found, findings + _energy_gap(found, rules)


def impossible(line: Line, amount: float) -> str | None:
    """Return why a declared value cannot be, or None where it can."""
    if not np.isfinite(amount) or amount < 0:
        return "a declared value is a number from 0 on"
    most = {"g": 100.0, "kJ": 3700.0, "kcal": 900.0, "mg": 40000.0}[line.unit]
    if amount > most:
        return f"100 g of food cannot hold more than {most:g} {line.unit}"
    return None


def claim_tie(
    claim: Claim, line: Line, rules: Rulebook, outlooks: dict[str, LineOutlook], serving_g: float
) -> ClaimTie | None:
    """Return how a claim on the pot tightens a line, or None.

    The threshold of a claim about a share of energy is put into grams at the expected energy of the pot (the stricter
    of kJ and kcal): what the label as a whole says it holds.
    """
    if claim.about != line.nutrient or not any(band.when == claim.when for band in line.claimed):
        return None
    thresholds = []
    for condition in claim.conditions:
        if condition.measure == "amount" and condition.nutrient == line.nutrient:
            per = {"100 g": 100.0, "reference amount": rules.reference_amount_g, "serving": serving_g}.get(
                condition.per or ""
            )
            if per:
                thresholds.append(condition.threshold * serving_g / per)
        elif condition.measure == "share of energy" and condition.nutrient == line.nutrient:
            for own in outlooks.values():
                per_gram = rules.energy_per_gram(line.nutrient, own.line.unit)
                if own.line.nutrient == "energy" and per_gram > 0:
                    thresholds.append(condition.threshold / 100 * own.expected / per_gram)
    if not thresholds:
        return None
    return ClaimTie(claim.claim, claim.when, decimal(max(thresholds) if claim.when == "presence" else min(thresholds)))


def _consistent(lines: tuple[LineDecision, ...], wanted: float) -> tuple[tuple[LineDecision, ...], list[Finding]]:
    """Return the lines with no part larger than its whole.

    Rounding can print a part above its whole only by a step; the part is then declared as the whole where that holds.
    """
    by_key = {line.line.key: line for line in lines}
    findings = []
    for part_name, whole_name in PARTS:
        part, whole = by_key.get(part_name), by_key.get(whole_name)
        if part is None or whole is None:
            continue
        choice = part.choice
        if choice.declared > whole.choice.declared:
            down = whole.choice.declared
            ok = part.ok(down)
            fits = ok is None or float(ok.min()) >= wanted or float(ok.min()) >= _lowest(part, choice.declared)
            if fits:
                choice = replace(choice, declared=down, departs=choice.departs + down - choice.declared)
            findings.append(
                note(
                    "label-part-above-whole",
                    f"{part.line.printed_as} came out above {whole.line.printed_as.lower()}"
                    + (" and is declared as the same value" if fits else " and no lower value holds: look at both"),
                )
            )
        if (
            choice.cautious is not None
            and whole.choice.cautious is not None
            and choice.cautious > whole.choice.cautious
        ):
            choice = replace(choice, cautious=max(whole.choice.cautious, min(choice.declared, choice.cautious)))
        by_key[part_name] = replace(part, choice=choice)
    return tuple(by_key[line.line.key] for line in lines), findings


def _lowest(line: LineDecision, value: Decimal) -> float:
    ok = line.ok(value)
    return 1.0 if ok is None else float(ok.min())


def _energy_gap(found: dict[str, Decimal], rules: Rulebook) -> list[Finding]:
    """Return a finding where the energy on the pots cannot come from its printed lines.

    Energy is worked out from unrounded values, so any value between those of the smallest and the largest amounts that
    round to the printed lines is right, with organic acid up to 1.5 g that no line prints.
    """
    findings = []
    main = ("fat", "carbohydrate", "protein")
    if any(name not in found for name in main):
        return []
    for unit, key in (("kJ", "energy_kj"), ("kcal", "energy_kcal")):
        if key not in found:
            continue
        low = high = 0.0
        for name in main:
            line = rules.line(name)
            ends = line.rounding.interval(line.rounding(found[name]))
            per_gram = rules.energy_per_gram(name, unit)
            low, high = low + per_gram * float(ends[0]), high + per_gram * float(ends[1])
        high += rules.energy_per_gram("lactic_acid", unit) * _UNPRINTED_ACID_G
        line = rules.line(key)
        if not line.rounding(low) <= found[key] <= line.rounding(high):
            findings.append(
                warning(
                    "label-energy-gap",
                    f"the energy on the pots, {found[key]:f} {unit}, cannot come from the fat, carbohydrate and "
                    f"protein printed beside it: those give {line.rounding(low):f} to {line.rounding(high):f} {unit}",
                    file="dairy.toml",
                    column=f"label.{key}",
                    advice="work it out again from the unrounded values",
                )
            )
    return findings
