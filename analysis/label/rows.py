"""Rows of decisions.json and tidy tables of the label values."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from analysis.label.outlook import Evidence, Pot
from analysis.label.panel import LineDecision, Panel
from analysis.label.rulebook import Line
from analysis.label.values import limits_for
from analysis.pot.figures import NUTRIENTS

_EQUAL = 1e-9
_SHARES = (0.05, 0.25, 0.5, 0.75, 0.95)
# Weakest first: a sum rests on what its weakest part rests on.
BASES = ("handbook values", "milk tests and mass balance", "pot tests")
# Columns of milk_tests.csv that a nutrient of the pot rests on where no pot was tested for it.
FROM_MILK = {
    "fat": ("fat_g_100g",),
    "protein": ("protein_g_100g",),
    "sugars": ("lactose_g_100g",),
    "carbohydrate": ("lactose_g_100g",),
    "total_solids": ("fat_g_100g", "protein_g_100g"),
}


def label_row(
    panel: Panel, line: LineDecision, evidence: Mapping[str, Evidence], tried: Decimal | None = None
) -> dict[str, Any]:
    """Return the row of one line for decisions.json; ``tried`` stands in for the value to declare."""
    choice, own = line.choice, line.line
    declared = choice.declared if tried is None else tried
    ok = line.ok(declared)
    worst = None if ok is None else int(np.argmin(ok))
    now = line.ok(line.on_pot)
    cautious_ok = line.ok(choice.cautious)
    basis, n_tests = rests_on(line, evidence)
    limits = limits_for(own, declared, line.ties) if own.has_tolerance else None
    average = own.rounding(line.outlook.expected)
    return {
        "rules": panel.rules.name,
        "nutrient": own.nutrient,
        "unit": own.unit,
        "basis": panel.basis,
        "printed_as": own.printed_as,
        "prints": own.rounding.print(declared, own.unit),
        "mandatory": own.mandatory,
        "declared": float(declared),
        "ok_from": None if choice.window is None else float(choice.window[0]),
        "ok_to": None if choice.window is None else float(choice.window[1]),
        "open_below": own.open_below,
        "open_above": own.open_above,
        "on_pot_now": None if line.on_pot is None else float(line.on_pot),
        "on_pot_now_ok_worst_month": None if now is None else float(now.min()),
        "expected": line.outlook.expected,
        "expected_lo90": line.outlook.interval[0],
        "expected_hi90": line.outlook.interval[1],
        "ok_year": None if ok is None else float(ok @ panel.outlook.month_kg),
        "ok_worst_month": None if ok is None else float(ok.min()),
        "worst_month": None if worst is None else panel.outlook.months[worst],
        "meets_risk": None if ok is None else bool(ok.min() >= panel.wanted - _EQUAL),
        "departs_by": float(declared - average),
        "limits_low": None if limits is None or limits.low is None else float(limits.low),
        "limits_high": None if limits is None or limits.high is None else float(limits.high),
        "tightened_by": [tie.claim for tie in line.ties],
        "evidence": basis,
        "n_tests": n_tests,
        "cautious": None if choice.cautious is None else float(choice.cautious),
        "cautious_ok_worst_month": None if cautious_ok is None else float(cautious_ok.min()),
        "why": why(panel, line, declared),
    }


def why(panel: Panel, line: LineDecision, declared: Decimal) -> str:
    """Return in one sentence why a value is the one to declare, or what is wrong with it."""
    own, choice = line.line, line.choice
    average = own.rounding(line.outlook.expected)
    words = f"{own.rounding.print(line.outlook.expected, own.unit)} is the average of the coming year"
    if not own.has_tolerance:
        return f"{words}; {own.no_tolerance}"
    ok = line.ok(declared)
    assert ok is not None
    failing = [panel.outlook.months[index] for index in np.flatnonzero(ok < panel.wanted - _EQUAL)]
    said = (
        ""
        if declared == average
        else f"{own.rounding.print(declared, own.unit)} departs from it by {declared - average:+f}"
    )
    if failing:
        end = f"a control sample is too likely to miss {own.rounding.print(declared, own.unit)} in {', '.join(failing)}"
        if choice.window is None:
            end += ", and no single value holds in every month: see the seasonal labels"
    elif declared == average:
        end = "and it holds in every month"
    else:
        fails = line.ok(average)
        assert fails is not None
        months = [panel.outlook.months[index] for index in np.flatnonzero(fails < panel.wanted - _EQUAL)]
        end = (
            f"because the average itself would miss the wanted probability in {', '.join(months)}"
            if months
            else "and it holds"
        )
        if months and not panel.rules.one_sided:
            end += f"; agree the departure with {panel.rules.authority}"
    return ", ".join(part for part in (words, said, end) if part)


@dataclass(frozen=True)
class Counted:
    """What a nutrient rests on, with the milk tests counted where it rests on those."""

    basis: str
    n_tests: int
    newest: object = None
    factor_unknown: int = 0


def counted(evidence: Mapping[str, Evidence], milk_tests: pd.DataFrame) -> dict[str, Evidence]:
    """Return the evidence by nutrient; where it rests on milk tests, their number."""
    found: dict[str, Evidence] = {}
    for name, own in evidence.items():
        columns = FROM_MILK.get(name, ())
        number = int(milk_tests[list(columns)].notna().all(axis=1).sum()) if columns and len(milk_tests) else 0
        on_milk = own.basis == "milk tests and mass balance"
        found[name] = Counted(own.basis, number if on_milk else own.n_tests, own.newest, own.factor_unknown)
    return found


def rests_on(line: LineDecision, evidence: Mapping[str, Evidence]) -> tuple[str, int]:
    """Return the evidence of a line: that of its weakest part, and the number of tests behind it."""
    parts = [evidence[name] for name in line.outlook.weights if name in evidence and name != "lactic_acid"]
    if not parts:
        return "handbook values", 0
    weakest = min(parts, key=lambda part: (BASES.index(part.basis) if part.basis in BASES else 0, part.n_tests))
    return weakest.basis, int(weakest.n_tests)


def label_tables(panels: Sequence[Panel]) -> dict[str, pd.DataFrame]:
    """Return the tables that the figures of the label are drawn from."""
    return {
        "label_by_month": _frame(_by_month(panels), ("rules", "nutrient", "unit", "month", "which", "value", "ok")),
        "label_control_distribution": _frame(
            _distribution(panels),
            ("rules", "nutrient", "unit", "month", "mean", "q05", "q25", "q50", "q75", "q95"),
        ),
        "label_window": _frame(
            _windows(panels),
            (
                "rules", "nutrient", "unit", "basis", "average", "lo90", "hi90", "declared", "cautious", "on_pot_now",
                "ok_from", "ok_to", "limits_low", "limits_high", "control_low", "control_high", "wanted",
            ),
        ),
        "label_curve": _curves(panels),
        "label_choices": _frame(
            _choices(panels), ("rules", "nutrient", "unit", "choice", "value", "ok_year", "ok_worst_month", "text")
        ),
        "panel": _frame(
            _printed(panels), ("rules", "order", "nutrient", "unit", "basis", "printed_as", "text", "printed")
        ),
        "rule_sources": _frame(_sources(panels), ("rules", "about", "value", "source", "mark")),
    }  # fmt: skip


def _frame(rows: Iterable[dict[str, Any]], columns: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(columns))


def _id(panel: Panel, line: LineDecision) -> dict[str, Any]:
    return {"rules": panel.rules.name, "nutrient": line.line.nutrient, "unit": line.line.unit}


def _by_month(panels: Sequence[Panel]) -> Iterator[dict[str, Any]]:
    for panel in panels:
        for line in panel.lines:
            values = {"declared": line.choice.declared, "now": line.on_pot, "cautious": line.choice.cautious}
            for which, value in values.items():
                ok = line.ok(value)
                if value is None or ok is None:
                    continue
                for month, chance in zip(panel.outlook.months, ok, strict=True):
                    yield _id(panel, line) | {
                        "month": month, "which": which, "value": float(value), "ok": float(chance)
                    }  # fmt: skip


def _distribution(panels: Sequence[Panel]) -> Iterator[dict[str, Any]]:
    for panel in panels:
        for line in panel.lines:
            law = line.outlook.law
            for month, mean, points in zip(panel.outlook.months, law.means, law.quantiles(_SHARES), strict=True):
                named = {
                    f"q{round(share * 100):02d}": float(point) for share, point in zip(_SHARES, points, strict=True)
                }
                yield _id(panel, line) | {"month": month, "mean": float(mean)} | named


def _windows(panels: Sequence[Panel]) -> Iterator[dict[str, Any]]:
    for panel in panels:
        for line in panel.lines:
            choice = line.choice
            limits = limits_for(line.line, choice.declared, line.ties) if line.line.has_tolerance else None
            control = limits
            if limits is not None and panel.rules.three_step_band and not line.ties:
                control = line.line.three_step_limits(choice.declared)
            yield _id(panel, line) | {
                "basis": panel.basis,
                "average": line.outlook.expected,
                "lo90": line.outlook.interval[0],
                "hi90": line.outlook.interval[1],
                "declared": float(choice.declared),
                "cautious": None if choice.cautious is None else float(choice.cautious),
                "on_pot_now": None if line.on_pot is None else float(line.on_pot),
                "ok_from": None if choice.window is None else float(choice.window[0]),
                "ok_to": None if choice.window is None else float(choice.window[1]),
                "limits_low": None if limits is None or limits.low is None else float(limits.low),
                "limits_high": None if limits is None or limits.high is None else float(limits.high),
                "control_low": None if control is None or control.low is None else float(control.low),
                "control_high": None if control is None or control.high is None else float(control.high),
                "wanted": panel.wanted,
            }


# Values of the slider: those where something could happen, and no more than so many.
_MOST_ON_SLIDER = 61


def _curves(panels: Sequence[Panel]) -> pd.DataFrame:
    frames = []
    for panel in panels:
        for line in panel.lines:
            if line.curve is None:
                continue
            chosen = _slider(line)
            ok = line.curve.ok[chosen]
            n_values, n_months = ok.shape
            frames.append(
                pd.DataFrame(
                    {
                        "rules": panel.rules.name,
                        "nutrient": line.line.nutrient,
                        "unit": line.line.unit,
                        "value": np.repeat(line.curve.numbers[chosen], n_months),
                        "month": list(panel.outlook.months) * n_values,
                        "ok": np.round(ok.ravel(), 4),
                    }
                )
            )
    return (
        pd.concat(frames, ignore_index=True)
        if frames
        else _frame([], ("rules", "nutrient", "unit", "value", "month", "ok"))
    )


def _slider(line: LineDecision) -> slice:
    """Return the part of the curve around the average and the present value where a probability is not nought."""
    assert line.curve is not None
    numbers = line.curve.numbers
    alive = line.curve.ok.max(axis=1) > 0.005
    wanted = [line.outlook.expected] + ([] if line.on_pot is None else [float(line.on_pot)])
    middle = int(np.abs(numbers - float(np.mean(wanted))).argmin())
    first, last = int(np.flatnonzero(alive).min(initial=middle)), int(np.flatnonzero(alive).max(initial=middle))
    half = _MOST_ON_SLIDER // 2
    return slice(max(first, middle - half), min(last, middle + half) + 1)


def _choices(panels: Sequence[Panel]) -> Iterator[dict[str, Any]]:
    for panel in panels:
        for line in panel.lines:
            own = line.line
            average = own.rounding(line.outlook.expected)
            toward = "above" if own.safe_end == "high" else "below"
            texts = [
                ("average", average, f"what the rules ask for: {panel.rules.declares}"),
                ("declared", line.choice.declared, why(panel, line, line.choice.declared)),
                (
                    "cautious",
                    line.choice.cautious,
                    (
                        f"the safe end of what the average may be: unlikely that the true average lies {toward} it; "
                        "choose it where few tests stand behind the average, and move to the average as they come in"
                    ),
                ),
                ("now", line.on_pot, "what the pots say today"),
            ]
            for name, value, text in texts:
                if value is None:
                    continue
                ok = line.ok(value)
                yield _id(panel, line) | {
                    "choice": name,
                    "value": float(value),
                    "ok_year": None if ok is None else float(ok @ panel.outlook.month_kg),
                    "ok_worst_month": None if ok is None else float(ok.min()),
                    "text": text,
                }


def _printed(panels: Sequence[Panel]) -> Iterator[dict[str, Any]]:
    for panel in panels:
        for order, line in enumerate(panel.lines, start=1):
            own = line.line
            yield _id(panel, line) | {
                "order": order,
                "basis": panel.basis,
                "printed_as": own.printed_as,
                "text": own.rounding.print(line.choice.declared, own.unit),
                "printed": own.key in panel.printed,
            }


def _sources(panels: Sequence[Panel]) -> Iterator[dict[str, Any]]:
    """Yield every number of the rulebooks with its source and mark."""
    for panel in panels:
        rules = panel.rules
        rows: list[tuple[str, str, str, str]] = [
            (about, value, origin.source, origin.mark) for about, value, origin in rules.origins
        ]
        for factor in rules.energy_factors:
            value = " and ".join(
                f"{number:g} {unit}/g"
                for number, unit in ((factor.kj, "kJ"), (factor.kcal, "kcal"))
                if number is not None
            )
            rows.append((f"energy of {factor.nutrient}", value, factor.origin.source, factor.origin.mark))
        for line in rules.lines:
            rows.extend(_line_sources(line))
        for nutrient, amount, unit, origin in rules.daily_values:
            rows.append((f"daily value of {nutrient}", f"{amount:g} {unit}", origin.source, origin.mark))
        for claim in rules.claims:
            tests = [
                condition.text
                or f"{condition.nutrient} {condition.measure}"
                f"{f' per {condition.per}' if condition.per else ''} "
                f"{'at least' if condition.at_least is not None else 'at most'} {condition.threshold:g}"
                for condition in claim.conditions
            ]
            joined = (" and " if claim.needs == "all" else " or ").join(tests)
            rows.append((f'claim "{claim.claim}"', joined, claim.origin.source, claim.origin.mark))
        for about, value, source, mark in rows:
            yield {"rules": rules.name, "about": about, "value": value, "source": source, "mark": mark}


def _line_sources(line: Line) -> Iterator[tuple[str, str, str, str]]:
    name = f"{line.nutrient} ({line.unit})"
    yield (
        f"{name}, line of the panel",
        "mandatory" if line.mandatory else "optional",
        line.origin.source,
        line.origin.mark,
    )
    for band, origin in zip(line.rounding.bands, line.rounding_origin, strict=True):
        if band.value is not None:
            value = f"{band.span}: {band.prints or f'{band.value:f}'}"
        elif band.step is not None:
            value = f"{band.span}: nearest {band.step:f} {line.unit}"
        else:
            value = f"{band.span}: {band.digits} significant figures"
        yield f"{name}, rounding", value, origin.source, origin.mark
    for tolerance in line.tolerance:
        sides = [
            f"{sign}{allowed.amount:f} {line.unit}"
            if allowed.amount is not None
            else f"{sign}{allowed.percent or 0:f} %"
            for sign, allowed in (("-", tolerance.minus), ("+", tolerance.plus))
            if allowed is not None
        ]
        yield (
            f"{name}, tolerance",
            f"{tolerance.span}: {', '.join(sides)}",
            tolerance.origin.source,
            tolerance.origin.mark,
        )
    for claimed in line.claimed:
        harmless = claimed.harmless
        value = f"{harmless.amount:f} {line.unit}" if harmless.amount is not None else f"{harmless.percent or 0:f} %"
        yield (
            f"{name}, harmless side where a claim of {claimed.when} states the amount",
            f"{claimed.span}: {value}",
            claimed.origin.source,
            claimed.origin.mark,
        )
    if line.control_uncertainty is not None and line.uncertainty_origin is not None:
        allowed = line.control_uncertainty
        value = f"{allowed.amount:f} {line.unit}" if allowed.amount is not None else f"{allowed.percent or 0:f} %"
        yield (
            f"{name}, uncertainty of the control laboratory",
            value,
            line.uncertainty_origin.source,
            line.uncertainty_origin.mark,
        )


def weakest_names(panel: Panel, pot: Pot) -> list[str]:
    """Return the nutrients of a panel that rest on handbook values alone."""
    used = {name for line in panel.lines for name in line.outlook.weights if line.line.nutrient != "energy"}
    return [
        name
        for name in NUTRIENTS
        if name in used and name in pot.evidence and pot.evidence[name].basis == "handbook values"
    ]
