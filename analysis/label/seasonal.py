"""Seasonal labels: the fewest labels, and the months to switch, with which every line holds in every month."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.label.panel import LineDecision, Panel
from analysis.label.samples import ControlSamples, panel_ok
from analysis.label.values import Curve, nearest_index

_EQUAL = 1e-9
# Sets are compared at the sixth decimal of the probability; below that the earlier switch month is taken.
_DECIMALS = 6


@dataclass(frozen=True)
class Arc:
    """One label for a run of months.

    Parameters
    ----------
    months
        Positions of its months, in order.
    declared
        Value by key of the line, for the lines with a tolerance.
    ok
        Lowest probability over its lines and months.
    """

    months: tuple[int, ...]
    declared: Mapping[str, Decimal]
    ok: float


@dataclass(frozen=True)
class LabelSet:
    """So many labels, one after the other round the year."""

    arcs: tuple[Arc, ...]

    @property
    def ok(self) -> float:
        """Lowest probability over lines and months."""
        return min(arc.ok for arc in self.arcs)


def best_value(
    curve: Curve, months: NDArray[np.int64], average: float, rounded: Decimal, wanted: float, safe_end: str
) -> tuple[Decimal, float]:
    """Return the value for some months, and its lowest probability there.

    The rounded average of these months; where it does not hold, the nearest value that does; where none does, the one
    with the highest lowest probability.
    """
    worst = curve.ok[:, months].min(axis=1)
    holds = worst >= wanted - _EQUAL
    if not holds.any():
        holds = worst >= worst.max() - _EQUAL
    elif rounded in curve.values and holds[curve.values.index(rounded)]:
        return rounded, float(worst[curve.values.index(rounded)])
    index = nearest_index(curve, average, holds, safe_end)
    assert index is not None
    return curve.values[index], float(worst[index])


def best_sets(panel: Panel) -> list[LabelSet]:
    """Return the best set for every number of labels, from one on; exact.

    The year is cut cyclically into as many runs of months as there are labels; every cut is looked at (at most 924 for
    one number of labels). Better is the set whose lowest probability over lines and months is higher.

    Parameters
    ----------
    panel
        A panel with at least one printed line that has a tolerance.
    """
    n = len(panel.outlook.months)
    whole = {line.line.key: line.choice.declared for line in panel.bounded}
    oks = [line.ok(line.choice.declared) for line in panel.bounded]
    one = min(float(ok.min()) for ok in oks if ok is not None)
    sets = [LabelSet((Arc(tuple(range(n)), whole, one),))]
    arcs = {
        (start, length): _arc(panel, [(start + k) % n for k in range(length)])
        for start in range(n)
        for length in range(1, n)
    }
    for labels in range(2, n + 1):
        best: tuple[float, tuple[int, ...]] | None = None
        for starts in combinations(range(n), labels):
            ok = min(arcs[start, (after - start) % n].ok for start, after in _neighbours(starts))
            if best is None or round(ok, _DECIMALS) > round(best[0], _DECIMALS):
                best = ok, starts
        assert best is not None
        sets.append(LabelSet(tuple(arcs[start, (after - start) % n] for start, after in _neighbours(best[1]))))
    return sets


def _neighbours(starts: tuple[int, ...]) -> list[tuple[int, int]]:
    return list(zip(starts, (*starts[1:], starts[0]), strict=True))


def _arc(panel: Panel, months: Sequence[int]) -> Arc:
    chosen = np.array(months)
    kg = panel.outlook.month_kg[chosen]
    declared, ok = {}, 1.0
    for line in panel.bounded:
        assert line.curve is not None
        average = float(line.outlook.law.means[chosen] @ kg / kg.sum())
        rounded = line.line.rounding(average)
        value, worst = best_value(line.curve, chosen, average, rounded, panel.wanted, line.line.safe_end)
        declared[line.line.key], ok = value, min(ok, worst)
    return Arc(tuple(months), declared, ok)


def label_sets(panel: Panel, samples: ControlSamples) -> list[dict[str, Any]]:
    """Return the rows of decisions.json: from one label to the fewest that meet the risk, and one more.

    Where no number of labels meets it, as many as still bring something.
    """
    if not panel.bounded:
        return []
    sets = best_sets(panel)
    enough = next((i for i, found in enumerate(sets) if found.ok >= panel.wanted - _EQUAL), None)
    if enough is None:
        top = max(found.ok for found in sets)
        enough = next(i for i, found in enumerate(sets) if found.ok >= top - 5e-4) - 1
    rows = []
    before: float | None = None
    for found in sets[: enough + 2]:
        rows.append(_row(panel, samples, found, before))
        before = found.ok
    return rows


def _row(panel: Panel, samples: ControlSamples, found: LabelSet, before: float | None) -> dict[str, Any]:
    numbers = [month[5:] for month in panel.outlook.months]
    ordered = sorted(found.arcs, key=lambda arc: numbers[arc.months[0]])
    together = min(float(_together(panel, samples, arc).min()) for arc in ordered)
    buys = "" if before is None else f"lifts the worst month from {before:.3f} to {found.ok:.3f}"
    if before is not None and found.ok - before < 5e-4:
        buys = "brings nothing more"
    return {
        "rules": panel.rules.name,
        "labels": len(ordered),
        "from_month": [numbers[arc.months[0]] for arc in ordered],
        "declared": [_declared(panel, arc) for arc in ordered],
        "ok_worst_month": found.ok,
        "panel_ok_worst_month": together,
        "meets_risk": bool(found.ok >= panel.wanted - _EQUAL),
        "buys": buys,
    }


def _together(panel: Panel, samples: ControlSamples, arc: Arc) -> NDArray[np.float64]:
    pairs = [(line, arc.declared[line.line.key]) for line in panel.bounded]
    return np.asarray(panel_ok(panel, samples, pairs)[list(arc.months)])


def _declared(panel: Panel, arc: Arc) -> dict[str, float]:
    """Return what one label says, every printed line; those without a tolerance from the averages of its months."""
    return {line.line.key: float(_value(panel, line, arc)) for line in panel.lines if line.line.key in panel.printed}


def _value(panel: Panel, line: LineDecision, arc: Arc) -> Decimal:
    if line.line.key in arc.declared:
        return arc.declared[line.line.key]
    if len(arc.months) == len(panel.outlook.months):
        return line.choice.declared
    chosen = np.array(arc.months)
    kg = panel.outlook.month_kg[chosen]
    return line.line.rounding(float(line.outlook.law.means[chosen] @ kg / kg.sum()))
