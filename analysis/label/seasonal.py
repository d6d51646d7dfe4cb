"""Seasonal labels: the fewest labels, and the months to switch, with which every line holds in every month."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.label.outlook import Array
from analysis.label.panel import LineDecision, Panel
from analysis.label.samples import ControlSamples, panel_ok
from analysis.label.values import Curve, nearest_index

_EQUAL = 1e-9
# Sets are compared at the sixth decimal of the probability; below that the earlier switch month is taken.
_DECIMALS = 6
_LEAST_GAIN = 5e-4


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
    curve: Curve, worst: Array, average: float, rounded: Decimal, wanted: float, safe_end: str
) -> tuple[Decimal, float]:
    """Return the value for some months, and its lowest probability there.

    The rounded average of these months; where it does not hold, the nearest value that does; where none does, the one
    with the highest lowest probability.

    Parameters
    ----------
    curve
        The declarable values.
    worst
        Lowest probability of each value over the months (value).
    average, rounded
        Production-weighted average of the months, and as it would be declared.
    wanted
        Wanted probability.
    safe_end
        Which of two values as near is taken.
    """
    at = curve.position.get(rounded)
    if at is not None and worst[at] >= wanted - _EQUAL:
        return rounded, float(worst[at])
    index = nearest_index(curve, average, worst >= min(wanted, float(worst.max())) - _EQUAL, safe_end)
    assert index is not None
    return curve.values[index], float(worst[index])


def best_sets(panel: Panel) -> Iterator[LabelSet]:
    """Yield the best set for every number of labels, from one on; exact.

    The year is cut cyclically into as many runs of months as there are labels; every cut is looked at (at most 924 for
    one number of labels). Better is the set whose lowest probability over lines and months is higher; of equals the one
    that switches earlier.

    Parameters
    ----------
    panel
        A panel with at least one printed line that has a tolerance.
    """
    n = len(panel.outlook.months)
    whole = {line.line.key: line.choice.declared for line in panel.bounded}
    oks = [line.ok(line.choice.declared) for line in panel.bounded]
    yield LabelSet((Arc(tuple(range(n)), whole, min(float(ok.min()) for ok in oks if ok is not None)),))
    arcs = _arcs(panel)
    ok_of = {key: round(arc.ok, _DECIMALS) for key, arc in arcs.items()}
    # With a label a month nothing more can be had; a set that reaches that ends the search, but for one more to say so.
    top = min((ok_of[start, 1] for start in range(n)), default=1.0) if n > 1 else 1.0
    reached = False
    for labels in range(2, n + 1):
        best: tuple[float, tuple[int, ...]] = -1.0, ()
        for starts in combinations(range(n), labels):
            ok = min(ok_of[start, (after - start) % n] for start, after in _neighbours(starts))
            if ok > best[0]:
                best = ok, starts
        yield LabelSet(tuple(arcs[start, (after - start) % n] for start, after in _neighbours(best[1])))
        if reached:
            return
        reached = best[0] >= top


def _neighbours(starts: tuple[int, ...]) -> list[tuple[int, int]]:
    return list(zip(starts, (*starts[1:], starts[0]), strict=True))


def _arcs(panel: Panel) -> dict[tuple[int, int], Arc]:
    """Return the best label for every run of months: by first month and length, all but the whole year."""
    n = len(panel.outlook.months)
    kg = panel.outlook.month_kg
    means = [line.outlook.law.means for line in panel.bounded]
    arcs: dict[tuple[int, int], Arc] = {}
    for start in range(n):
        worst = [np.ones(len(line.curve.values)) for line in panel.bounded if line.curve is not None]
        for length in range(1, n):
            months = [(start + k) % n for k in range(length)]
            declared, ok = {}, 1.0
            for place, line in enumerate(panel.bounded):
                assert line.curve is not None
                worst[place] = np.minimum(worst[place], line.curve.ok[:, months[-1]])
                average = float(means[place][months] @ kg[months] / kg[months].sum())
                value, lowest = best_value(
                    line.curve,
                    worst[place],
                    average,
                    line.line.rounding(average),
                    panel.wanted,
                    line.line.safe_end,
                )
                declared[line.line.key], ok = value, min(ok, lowest)
            arcs[start, length] = Arc(tuple(months), declared, ok)
    return arcs


def label_sets(panel: Panel, samples: ControlSamples) -> list[dict[str, Any]]:
    """Return the rows of decisions.json: from one label to the fewest that meet the risk, and one more.

    Where no number of labels meets it, as many as still bring something.
    """
    if not panel.bounded:
        return []
    rows: list[dict[str, Any]] = []
    before: LabelSet | None = None
    met = False
    for found in best_sets(panel):
        gained = before is None or found.ok - before.ok >= _LEAST_GAIN
        if before is not None and not met and not gained and before.ok < panel.wanted - _EQUAL:
            # A further label that brings nothing is only worth saying after one that meets the risk; go on looking,
            # since three labels can bring what two do not.
            continue
        rows.append(_row(panel, samples, found, before))
        if met:
            break
        met = found.ok >= panel.wanted - _EQUAL
        before = found
    return rows


def _row(panel: Panel, samples: ControlSamples, found: LabelSet, before: LabelSet | None) -> dict[str, Any]:
    numbers = [month[5:] for month in panel.outlook.months]
    ordered = sorted(found.arcs, key=lambda arc: numbers[arc.months[0]])
    together = min(float(_together(panel, samples, arc).min()) for arc in ordered)
    buys = "" if before is None else f"lifts the worst month from {before.ok:.3f} to {found.ok:.3f}"
    if before is not None and found.ok - before.ok < _LEAST_GAIN:
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
