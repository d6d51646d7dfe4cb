"""The authority's own conservative label value from laboratory composites, for rules that limit one side only.

United States Food and Drug Administration, Guide for Developing and Using Data Bases for Nutrition Labeling (March
1998), chapter II section 5: with n composites of c units each, their mean m and standard deviation s, a compliance
sample of k = 12 units, and t the one-sided 0.95 quantile of Student's t with n - 1 degrees of freedom,

    nutrients that must reach a share of the label:      (m - t s sqrt(c/k + 1/n)) / share    (share 0.8: times 5/4)
    nutrients that must not exceed a share of the label: (m + t s sqrt(c/k + 1/n)) / share    (share 1.2: times 5/6)

The first was seen in the worked protein case of the manual, the second is from memory. c/k takes the units of the
compliance sample as independent; units of one lot share the season, so between lots 1 stands in its place.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from analysis.label.outlook import Array
from analysis.label.panel import LineDecision, Panel
from analysis.label.rulebook import RECORDS_NITROGEN_FACTOR
from analysis.records.season import Season


def predicted_value(mean: float, sd: float, composites: int, ratio: float, share: float) -> float:
    """Return the conservative label value from the results of composites.

    Parameters
    ----------
    mean, sd
        Of the results of the composites.
    composites
        Their number, at least 2.
    ratio
        Units in a composite over units in the compliance sample (c/k); 1 where composites are of different lots.
    share
        Share of the label that a compliance sample must reach (below 1) or not exceed (above 1).

    Raises
    ------
    ValueError
        If there are fewer than two composites.
    """
    if composites < 2:
        raise ValueError(f"{composites} composites have no standard deviation; at least 2 are needed")
    t = float(stdtrit(composites - 1, 0.95))
    room = t * sd * float(np.sqrt(ratio + 1.0 / composites))
    return (mean - room if share < 1 else mean + room) / share


def label_predicted(season: Season, panels: Sequence[Panel]) -> pd.DataFrame:
    """Return the authority's conservative value beside ours, from the dairy's own pot tests, lot by lot.

    Only for rulebooks that limit one side, and lines with at least two pot tests; lots share the season, so the ratio
    of units is taken as 1.
    """
    columns = ["rules", "nutrient", "unit", "n", "mean", "sd", "predicted", "declared", "text"]
    rows = []
    for panel in panels:
        if not panel.rules.one_sided:
            continue
        for line in panel.lines:
            results = _results(season, line)
            share = _share(line)
            if share is None or len(results) < 2:
                continue
            mean, sd = float(results.mean()), float(results.std(ddof=1))
            value = predicted_value(mean, sd, len(results), 1.0, share)
            safe = value >= mean if share < 1 else value <= mean
            rows.append(
                {
                    "rules": panel.rules.name,
                    "nutrient": line.line.nutrient,
                    "unit": line.line.unit,
                    "n": len(results),
                    "mean": mean,
                    "sd": sd,
                    "predicted": value,
                    "declared": float(line.choice.declared),
                    "text": "the mean itself may be declared" if safe else "the mean is not safe to declare",
                }
            )
    return pd.DataFrame(rows, columns=columns)


def _share(line: LineDecision) -> float | None:
    """Return the share of the label that a compliance sample must reach or not exceed."""
    band = line.line.tolerance[0] if line.line.tolerance else None
    if band is None:
        return None
    if band.plus is None and band.minus is not None and band.minus.percent is not None:
        return 1 - float(band.minus.percent) / 100
    if band.minus is None and band.plus is not None and band.plus.percent is not None:
        return 1 + float(band.plus.percent) / 100
    return None


def _results(season: Season, line: LineDecision) -> Array:
    """Return the line as the pot tests have it, on its basis; tests that lack a part of it are left out."""
    tests = season.tables["pot_tests"]
    total = np.zeros(len(tests))
    for name, weight in line.outlook.weights.items():
        column = tests[f"{name}_mg_100g" if name == "calcium" else f"{name}_g_100g"].to_numpy(dtype=float)
        if name == "protein":
            factor = tests["protein_factor"].to_numpy(dtype=float)
            column = column * RECORDS_NITROGEN_FACTOR / np.where(np.isfinite(factor), factor, RECORDS_NITROGEN_FACTOR)
        total = total + weight * column
    return total[np.isfinite(total)]
