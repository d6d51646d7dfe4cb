"""What to do with the labels in hand: keep, print new ones, or wait for tests; earlier decisions against advice."""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from analysis.label.next_tests import Plan
from analysis.label.outlook import Array
from analysis.label.panel import LineDecision, Panel
from analysis.label.rounding import decimal
from analysis.label.samples import ControlSamples, panel_ok
from analysis.records.findings import Finding, note, warning
from analysis.records.months import first_day, month_of, month_words
from analysis.records.season import Season

_EQUAL = 1e-9
# A label that lifts the worst month by less is none that is worth a print run (judgement).
_BETTER = 0.005


def labels_run_out(season: Season) -> date | None:
    """Return the day on which the labels in hand are used up, None where it is not known."""
    costs = season.dairy.costs
    left, weekly = costs.get("labels_left"), costs.get("pots_per_week")
    if left is None or not weekly or weekly <= 0 or left < 0:
        return None
    # A stock of centuries is a stock without end; dates have one.
    return season.cutoff + timedelta(days=min(int(7 * left / weekly), 3650))


def failing_months(panel: Panel) -> list[tuple[str, list[LineDecision]]]:
    """Return the months in which a line on the pots misses the wanted probability, with those lines, in order."""
    found = []
    for index, month in enumerate(panel.outlook.months):
        lines = [
            line
            for line in panel.lines
            if (ok := line.ok(line.on_pot)) is not None and ok[index] < panel.wanted - _EQUAL
        ]
        if lines:
            found.append((month, lines))
    return found


def label_action(
    panel: Panel,
    samples: ControlSamples,
    season: Season,
    plan: Plan | None,
    sets: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any] | None:
    """Return what to do with the pots in hand, or None where the pots carry no line that could be judged.

    Keep, where every printed line meets the wanted probability in every month, or until the labels are used up. Else
    the label must change before the first failing month: wait for tests, where the plan that is worth buying is a
    result before that, else reprint; where no other single label would do better, seasonal labels where those hold,
    else keep and say so. ``decide_by`` is the day before the first failing month, and not after the labels
    run out; where the label is kept, the last day on which a test can still speak for the next print run.

    Parameters
    ----------
    panel
        The panel.
    samples
        Simulated control samples.
    season
        The records, for costs and the cut-off day.
    plan
        Tests worth buying, or None.
    sets
        Rows of the rulebook's label sets.
    """
    on_pot = [line for line in panel.lines if line.on_pot is not None and line.curve is not None]
    if not on_pot:
        return None
    costs = season.dairy.costs
    lab_days = int(costs.get("lab_days", 0))
    out = labels_run_out(season)
    failing = failing_months(panel)
    soon = [(month, lines) for month, lines in failing if out is None or first_day(month) <= out]
    together_now = _lowest(panel, samples, [(line, line.on_pot) for line in on_pot])
    together_new = _lowest(panel, samples, [(line, line.choice.declared) for line in on_pot])
    decide_by: date | None = None
    if not soon:
        action = "keep"
        why = "every printed line stands in every month"
        if failing and out is not None:
            why = (
                f"every printed line stands until the labels in hand are used up (about {out.isoformat()}); print the "
                f"new values then, since {_names(failing[0][1])} would not stand in {month_words(failing[0][0])}"
            )
        if out is not None:
            decide_by = max(out - timedelta(days=lab_days), season.cutoff)
    else:
        month, lines = soon[0]
        deadline = first_day(month) - timedelta(days=1)
        decide_by = max(min(deadline, out) if out is not None else deadline, season.cutoff)
        stand = "do not stand" if len(lines) > 1 else "does not stand"
        words = f"{_names(lines)} on the pots {stand} from {month_words(month)} on"
        in_time = plan is not None and _result_day(panel, plan, lab_days) <= decide_by
        if plan is not None and in_time and any(chance > 0 for chance in plan.moves.values()):
            action = "wait for tests"
            sampled = month_words(panel.outlook.months[plan.month])
            why = f"{words}; {plan.how_many} {plan.what} in {sampled} would tell in time"
        elif together_new > together_now + _BETTER:
            action = "reprint"
            why = f"{words}; print the recommended values before then"
        else:
            action, way = _without_single_label(sets)
            why = f"{words}, and no other single label would do better; {way}"
    if failing and any(line.choice.window is None for line in panel.bounded):
        why += "; no single value holds in every month for every line, so look at the seasonal labels before print"
    if "failed_label" in costs and "print_run" in costs:
        loss_now, loss_new = (costs["failed_label"] * (1 - chance) for chance in (together_now, together_new))
        why += (
            f"; a control sample in the worst month would cost {loss_now:.0f} on average with the label in hand, "
            f"{loss_new:.0f} with the recommended one, a print run costs {costs['print_run']:.0f}"
        )
    return {
        "rules": panel.rules.name,
        "action": action,
        "why": why,
        "decide_by": None if decide_by is None else decide_by.isoformat(),
        "labels_run_out": None if out is None else out.isoformat(),
        "panel_ok_worst_month": together_now,
        "recommended_panel_ok_worst_month": together_new,
    }


def _without_single_label(sets: Sequence[Mapping[str, Any]]) -> tuple[str, str]:
    """Return the action, and the way out, where no single label does better than the one in hand."""
    enough = next((row for row in sets if row["meets_risk"] and row["labels"] > 1), None)
    if enough is None:
        return "keep", "keep it, tell the authority how the value was derived, and look at blending or standardising"
    months = ", ".join(month_words(f"2000-{number}").split()[0] for number in enough["from_month"])
    return "reprint", f"{enough['labels']} seasonal labels, from {months}, would stand in every month"


def _lowest(panel: Panel, samples: ControlSamples, pairs: Sequence[tuple[LineDecision, Decimal | None]]) -> float:
    ok: Array = panel_ok(panel, samples, pairs)
    return float(np.min(ok))


def _result_day(panel: Panel, plan: Plan, lab_days: int) -> date:
    """Return the first day on which the result of a plan can be there."""
    return first_day(panel.outlook.months[plan.month]) + timedelta(days=lab_days)


def _names(lines: Sequence[LineDecision]) -> str:
    return " and ".join(line.line.nutrient for line in lines)


def held_against_advice(season: Season, panels: Sequence[Panel]) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the decisions that maker and adviser took, beside what is advised today, and what to say about them.

    Only the newest decision for a rulebook and nutrient is said; the table holds them all.
    """
    columns = [
        "file_row", "decided_on", "rules", "nutrient", "unit", "value", "from_date", "by", "why", "declared", "ok_from",
        "ok_to", "ok_worst_month", "newest", "stands",
    ]  # fmt: skip
    taken = season.tables["decisions_taken"]
    rows: list[dict[str, Any]] = []
    findings: list[Finding] = []
    by_name = {panel.rules.name: panel for panel in panels}
    in_order = taken.sort_values(["decided_on", "file_row"])
    last_rows = {int(row) for row in in_order.groupby(["rules", "nutrient"], dropna=False)["file_row"].last()}
    for record in in_order.to_dict("records"):
        row = {str(name): value for name, value in record.items()}
        panel = by_name.get(str(row["rules"]))
        line = _line_of(panel, str(row["nutrient"])) if panel is not None else None
        if panel is not None and _is_claim(panel, str(row["nutrient"])):
            continue  # claims have their own verdicts
        if panel is None or line is None or not np.isfinite(row["value"]) or row["value"] < 0:
            findings.append(
                note(
                    "decision-not-judged",
                    "this decision names a rulebook or line that is not decided here",
                    file="decisions_taken.csv",
                    row=int(row["file_row"]),
                    value=f"{row['rules']}, {row['nutrient']}",
                    advice="use a rulebook of dairy.toml and a line of its panel",
                )
            )
            continue
        value = decimal(row["value"])
        ok = line.ok(value)
        stands = None if ok is None else bool(ok.min() >= panel.wanted - _EQUAL)
        window = line.choice.window
        rows.append(
            {
                **{name: row[name] for name in ("file_row", "decided_on", "rules", "value", "from_date", "by", "why")},
                "nutrient": line.line.nutrient,
                "unit": line.line.unit,
                "declared": float(line.choice.declared),
                "ok_from": None if window is None else float(window[0]),
                "ok_to": None if window is None else float(window[1]),
                "ok_worst_month": None if ok is None else float(ok.min()),
                "newest": int(row["file_row"]) in last_rows,
                "stands": stands,
            }
        )
        if int(row["file_row"]) in last_rows and ok is not None and not stands:
            findings.append(
                warning(
                    "decision-against-advice",
                    f"the value decided for {line.line.nutrient} under {panel.rules.name} no longer meets the wanted "
                    f"probability: {float(ok.min()):.2f} in "
                    f"{month_words(panel.outlook.months[int(np.argmin(ok))])}",
                    file="decisions_taken.csv",
                    row=int(row["file_row"]),
                    value=f"{row['value']:g} {line.line.unit}",
                    advice=f"{line.line.rounding.print(line.choice.declared, line.line.unit)} is advised today",
                )
            )
        elif int(row["file_row"]) in last_rows and line.on_pot not in (None, value) and _in_use(season, row):
            findings.append(
                note(
                    "decision-not-on-pot",
                    f"a value was decided for {line.line.nutrient} but the pots say {line.on_pot:f} {line.line.unit}",
                    file="decisions_taken.csv",
                    row=int(row["file_row"]),
                    value=f"{row['value']:g} {line.line.unit}",
                    advice="bring [label] in dairy.toml up to date, or look for the reason",
                )
            )
    return pd.DataFrame(rows, columns=columns), findings


def _is_claim(panel: Panel, name: str) -> bool:
    bare = name.strip().casefold().removeprefix("claim").strip(" :")
    return bare in {claim.claim.casefold() for claim in panel.rules.claims}


def _in_use(season: Season, row: dict[str, Any]) -> bool:
    return bool(pd.isna(row["from_date"]) or month_of(row["from_date"]) <= season.month)


def _line_of(panel: Panel, name: str) -> LineDecision | None:
    bare = name.strip().casefold()
    same = [
        line
        for line in panel.lines
        if bare in (line.line.key, line.line.nutrient, f"{line.line.key}_{line.line.unit.lower()}")
    ]
    return same[0] if same else None
