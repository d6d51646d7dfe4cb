"""Nutrition claims: in which months a pot would meet their conditions, from joint readings of control samples."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.label.outlook import Array, Pot
from analysis.label.panel import Panel
from analysis.label.rulebook import RECORDS_NITROGEN_FACTOR, Claim, Condition, Rulebook
from analysis.label.rulebook_file import carried
from analysis.label.samples import ControlSamples, Readings
from analysis.records.findings import Finding, note, warning
from analysis.records.months import month_words

# The other factor that a result without one may have been worked out with: food law of the EU (FIC Annex I point 10).
_OTHER_FACTOR = 6.25
_EQUAL = 1e-9
# Below this in the best month a claim is out of reach, and how much is missing is of no use to anyone.
_HOPELESS = 0.01


@dataclass(frozen=True)
class ClaimVerdict:
    """What became of one claim.

    Parameters
    ----------
    claim
        The claim.
    verdict
        ``safe``, ``seasonal``, ``not supported`` or ``not tested``.
    ok
        Probability by month that a control sample meets the conditions; None where not tested.
    untested
        Nutrients that stand in the way of a verdict.
    decisive
        The condition that decides the worst month, with the readings' mean by month (None for a recipe).
    margin
        Reading that 1 in 20 control samples of the worst month would miss, on the measure of ``decisive``.
    both_factors
        Whether protein was judged under two nitrogen factors.
    """

    claim: Claim
    verdict: str
    ok: Array | None
    untested: tuple[str, ...] = ()
    decisive: Condition | None = None
    means: Array | None = None
    margin: float | None = None
    both_factors: bool = False


def judge_claims(panel: Panel, samples: ControlSamples, pot: Pot) -> list[ClaimVerdict]:
    """Judge every claim of a panel's rulebook.

    A claim holds for a month with the probability that the reading of one control sample meets its conditions: the
    thresholds as they stand, without the laboratory's uncertainty taken off, and never after rounding. Where protein
    results have no nitrogen factor, both readings of them are judged and the worse taken.
    """
    readings = samples.readings(panel.rules.control_pots)
    unknown = pot.evidence["protein"].factor_unknown > 0 if "protein" in pot.evidence else False
    other = readings.with_protein(RECORDS_NITROGEN_FACTOR / _OTHER_FACTOR) if unknown else None
    return [_judge(panel, claim, readings, other, pot) for claim in panel.rules.claims]


def _judge(panel: Panel, claim: Claim, readings: Readings, other: Readings | None, pot: Pot) -> ClaimVerdict:
    untested = tuple(sorted({name for c in claim.conditions for name in _untested(panel.rules, c, pot)}))
    if untested:
        return ClaimVerdict(claim, "not tested", None, untested)
    ok, measures = _chances(panel, claim, readings)
    used = readings
    both = other is not None and any("protein" in _needs(panel.rules, condition) for condition in claim.conditions)
    if other is not None and both:
        ok_other, measures_other = _chances(panel, claim, other)
        if ok_other.min() < ok.min():
            measures, used = measures_other, other
        ok = np.minimum(ok, ok_other)
    holds = ok >= panel.wanted - _EQUAL
    verdict = "safe" if holds.all() else "seasonal" if holds.any() else "not supported"
    worst = int(np.argmin(ok))
    decisive, means, margin = None, None, None
    best_gap = -np.inf if claim.needs == "all" else np.inf
    for condition, measure in zip(claim.conditions, measures, strict=True):
        if measure is None:
            continue
        at_least = condition.at_least is not None
        low_end = float(np.quantile(measure[used.known[:, worst], worst], 0.05 if at_least else 0.95))
        missing = (condition.threshold - low_end) if at_least else (low_end - condition.threshold)
        relative = missing / max(condition.threshold, 1e-9)
        if (relative > best_gap) if claim.needs == "all" else (relative < best_gap):
            best_gap, decisive, margin = relative, condition, low_end
            means = used.mean(measure.mean(axis=2))
    return ClaimVerdict(claim, verdict, ok, (), decisive, means, margin, both)


def _needs(rules: Rulebook, condition: Condition) -> set[str]:
    """Return the nutrients of the records that a condition rests on."""
    if condition.measure == "recipe" or condition.nutrient is None:
        return set()
    own = set(rules.nutrient_weights(condition.nutrient)) - {"lactic_acid"}
    if condition.measure == "share of energy" or condition.per == "100 kcal":
        return own | {"fat", "protein"}
    return own


def _untested(rules: Rulebook, condition: Condition, pot: Pot) -> Iterator[str]:
    """Yield the nutrients of a condition for which there is no test, or which the program does not work out."""
    for name in _needs(rules, condition):
        if not carried(name):
            yield name.replace("_", " ")
        elif name in pot.evidence and pot.evidence[name].basis == "handbook values":
            yield name


def _chances(panel: Panel, claim: Claim, readings: Readings) -> tuple[Array, list[Array | None]]:
    """Return by month the chance that the conditions are met, and the measure of each (None for a recipe)."""
    meets: list[NDArray[np.bool_]] = []
    measures: list[Array | None] = []
    for condition in claim.conditions:
        known = condition.measure != "recipe" and not (condition.per == "serving" and panel.portion_g is None)
        measure = measured(panel, condition, readings) if known else None
        measures.append(measure)
        if measure is None:  # a recipe is as it is written; a serving of unknown size meets nothing
            meets.append(np.full(readings.values.shape[1:], condition.measure == "recipe"))
        elif condition.at_least is not None:
            meets.append(measure >= condition.at_least)
        else:
            meets.append(measure <= condition.threshold)
    joined = np.all(meets, axis=0) if claim.needs == "all" else np.any(meets, axis=0)
    return readings.share(joined), measures


def measured(panel: Panel, condition: Condition, readings: Readings) -> Array:
    """Return what a condition measures, reading by reading (draw, month, lot).

    A share of energy is worked out in kJ and in kcal where the rulebook has both, and the less favourable taken: the
    texts name neither, and 17/37 is not 4/9.
    """
    rules, nutrient = panel.rules, condition.nutrient
    assert nutrient is not None
    amount = readings.of(rules.nutrient_weights(nutrient))
    if condition.measure == "share of energy":
        shares = []
        for unit in ("kJ", "kcal"):
            weights = rules.energy_weights(unit)
            if weights is not None:
                shares.append(100 * rules.energy_per_gram(nutrient, unit) * amount / _positive(readings.of(weights)))
        return np.asarray(np.min(shares, axis=0) if condition.at_least is not None else np.max(shares, axis=0))
    if condition.per == "100 kcal":
        weights = rules.energy_weights("kcal")
        assert weights is not None
        amount = amount * 100 / _positive(readings.of(weights))
    else:
        grams = {"reference amount": rules.reference_amount_g, "serving": panel.portion_g}.get(
            condition.per or "", 100.0
        )
        assert grams is not None  # the reference amount was checked with the file, the serving by the caller
        amount = amount * grams / 100
    if condition.measure == "share of daily value":
        daily = next(value for name, value, *_ in rules.daily_values if name == nutrient)
        amount = 100 * amount / daily
    return np.asarray(amount)


def _positive(energy: Array) -> Array:
    """Return energies with those of months without milk, which are not counted, set to 1."""
    return np.where(energy > 0, energy, 1.0)


def unit_of(condition: Condition) -> str:
    """Return the unit of what a condition measures, in words."""
    if condition.measure == "share of energy":
        return "% of the energy"
    if condition.measure == "share of daily value":
        return f"% of the daily value per {condition.per}"
    unit = "mg" if condition.nutrient in ("sodium", "calcium") else "g"
    return f"{unit} per {condition.per}"


def claim_row(panel: Panel, verdict: ClaimVerdict) -> dict[str, Any]:
    """Return the row of one claim for decisions.json."""
    claim, ok, months = verdict.claim, verdict.ok, panel.outlook.months
    return {
        "rules": panel.rules.name,
        "claim": claim.claim,
        "verdict": verdict.verdict,
        "ok_worst_month": None if ok is None else float(ok.min()),
        "worst_month": None if ok is None else months[int(np.argmin(ok))],
        "months": [] if ok is None else [months[i] for i in np.flatnonzero(ok >= panel.wanted - _EQUAL)],
        "on_pot_now": claim in panel.claims,
        "beside": claim.beside,
        "would_change": would_change(panel, verdict),
        "both_factors": verdict.both_factors,
        "source": f"{claim.origin.source} [{claim.origin.mark}]",
    }


def would_change(panel: Panel, verdict: ClaimVerdict) -> str:
    """Return in one sentence what the verdict rests on and what would change it."""
    claim = verdict.claim
    recipe = [condition.text for condition in claim.conditions if condition.measure == "recipe"]
    if verdict.ok is None:
        return f"a test of {', '.join(verdict.untested)} on pots of several months would allow a verdict"
    said = [f"rests on the recipe: {text}" for text in recipe]
    if verdict.decisive is not None and verdict.margin is not None:
        condition = verdict.decisive
        month = month_words(panel.outlook.months[int(np.argmin(verdict.ok))])
        side, need = ("below", "at least") if condition.at_least is not None else ("above", "at most")
        unit = unit_of(condition)
        said.append(
            f"in {month} 1 control sample in 20 would read {side} {verdict.margin:.3g} {unit}; "
            f"{need} {condition.threshold:g} is needed"
        )
        if verdict.ok.max() < _HOPELESS:
            said.append("far from it in every month")
        elif verdict.verdict in ("seasonal", "not supported"):
            gap = abs(verdict.margin - condition.threshold)
            way = "more" if condition.at_least is not None else "less"
            said.append(f"{gap:.2g} {way} there would make it safe")
    return "; ".join(said)


def claims_by_month(judged: Sequence[tuple[Panel, list[ClaimVerdict]]]) -> pd.DataFrame:
    """Return the tidy table of claims by month."""
    rows = [
        {
            "rules": panel.rules.name,
            "claim": verdict.claim.claim,
            "month": month,
            "ok": float(verdict.ok[index]),
            "measure": None if verdict.decisive is None else unit_of(verdict.decisive),
            "mean": None if verdict.means is None else float(verdict.means[index]),
            "threshold": None if verdict.decisive is None else verdict.decisive.threshold,
        }
        for panel, verdicts in judged
        for verdict in verdicts
        if verdict.ok is not None
        for index, month in enumerate(panel.outlook.months)
    ]
    return pd.DataFrame(rows, columns=["rules", "claim", "month", "ok", "measure", "mean", "threshold"])


def claim_flags(judged: Sequence[tuple[Panel, list[ClaimVerdict]]]) -> list[Finding]:
    """Return what must be said about the claims: those on the pots that do not hold, those that were not tested."""
    findings: list[Finding] = []
    for panel, verdicts in judged:
        for verdict in verdicts:
            if verdict.claim in panel.claims and verdict.verdict in ("seasonal", "not supported", "not tested"):
                months = panel.outlook.months
                failing = (
                    [month_words(months[i]) for i in np.flatnonzero(verdict.ok < panel.wanted - _EQUAL)]
                    if verdict.ok is not None
                    else []
                )
                findings.append(
                    warning(
                        "claim-on-pot",
                        f'the claim "{verdict.claim.claim}" stands on the pots and is {verdict.verdict} under '
                        f"{panel.rules.name}" + (f": too unsure in {', '.join(failing)}" if failing else ""),
                        advice=would_change(panel, verdict),
                    )
                )
        untested = [verdict.claim.claim for verdict in verdicts if verdict.ok is None]
        if untested:
            findings.append(
                note(
                    "claims-not-tested",
                    f"no probability for these claims under {panel.rules.name}, since what they speak of was never "
                    f"tested: {', '.join(untested)}",
                )
            )
        if any(verdict.both_factors for verdict in verdicts):
            findings.append(
                note(
                    "claims-both-factors",
                    f"protein results without a nitrogen factor: the protein claims under {panel.rules.name} were "
                    "judged with 6.38 and with 6.25, and the worse taken",
                    advice="ask the lab for its factor and write it into protein_factor",
                )
            )
    return findings
