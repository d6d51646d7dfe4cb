"""The dossier: from each printed value back to the lab results behind it, the rule and its source."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.label.outlook import Pot
from analysis.label.panel import LineDecision, Panel
from analysis.label.rulebook import RECORDS_NITROGEN_FACTOR
from analysis.records.season import Season

COLUMNS = (
    "rules", "nutrient", "unit", "prints", "basis", "table", "file_row", "sample_id", "sampled_on", "reported_on", "of",
    "lab", "method", "measured", "result", "protein_factor", "as_declared", "used", "why_not", "rule", "rule_source",
    "rule_mark",
)  # fmt: skip
# Component of a milk test that stands behind a nutrient of the pot.
_FROM_MILK = {
    "fat": "fat_g_100g",
    "saturates": "fat_g_100g",
    "protein": "protein_g_100g",
    "carbohydrate": "lactose_g_100g",
    "sugars": "lactose_g_100g",
}


def label_evidence(season: Season, panels: Sequence[Panel], pot: Pot) -> pd.DataFrame:
    """Return one row for each printed value and lab result behind it.

    Parameters
    ----------
    season
        The records.
    panels
        The panels decided.
    pot
        The fitted pot, for what each value rests on.

    Returns
    -------
    DataFrame
        ``result`` as the lab gave it; ``as_declared`` on the basis of the label and in its nitrogen factor (of milk
        results too, before water lost, starter and fermentation); ``used`` and, where not, ``why_not``; the rule for
        the value, its source and mark. Energy has one row that names the lines it is worked out from. Rows that were
        set aside follow, under the tables that they stand in.
    """
    frames = [_line_evidence(season, panel, line, pot) for panel in panels for line in panel.lines]
    frames.append(_set_aside(season))
    whole = [frame for frame in frames if len(frame)]
    if not whole:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.concat([frame.reindex(columns=list(COLUMNS)).astype("object") for frame in whole], ignore_index=True)


def _line_evidence(season: Season, panel: Panel, line: LineDecision, pot: Pot) -> pd.DataFrame:
    own = line.line
    rule = own.tolerance[0].origin if own.has_tolerance else own.origin
    fixed = {
        "rules": panel.rules.name,
        "nutrient": own.nutrient,
        "unit": own.unit,
        "prints": own.rounding.print(line.choice.declared, own.unit),
        "basis": panel.basis,
        "rule": panel.rules.declares,
        "rule_source": f"{own.origin.source}; tolerance: {rule.source}" if own.has_tolerance else own.origin.source,
        "rule_mark": rule.mark,
    }
    if own.nutrient == "energy":
        parts = ", ".join(factor.nutrient.replace("_", " ") for factor in panel.rules.energy_factors)
        words = f"worked out from the unrounded averages of {parts}"
        return pd.DataFrame([{**fixed, "table": "", "measured": words, "used": True}])
    frames = []
    for name, weight in line.outlook.weights.items():
        if name not in ("lactic_acid",) or own.nutrient == "carbohydrate":
            frames += _results(season, name, weight)
    basis = pot.evidence[own_name(line)].basis if own_name(line) in pot.evidence else "handbook values"
    if basis == "handbook values":
        words = "never tested: generally established data stand in (published composition of ewes' milk and its yogurt)"
        frames.append(pd.DataFrame([{"table": "", "measured": words, "used": True}]))
    if not frames:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.concat([frame.astype("object") for frame in frames], ignore_index=True).assign(**fixed)


def own_name(line: LineDecision) -> str:
    """Return the nutrient of the records that a line mainly rests on."""
    return next(iter(line.outlook.weights))


def _results(season: Season, name: str, weight: float) -> list[pd.DataFrame]:
    found = []
    column = f"{name}_mg_100g" if name == "calcium" else f"{name}_g_100g"
    for table, of, measured in (("pot_tests", "pots", column), ("milk_tests", "", _FROM_MILK.get(name))):
        tests = season.tables[table]
        if measured is None or measured not in tests:
            continue
        rows = tests[tests[measured].notna()]
        if rows.empty:
            continue
        result = rows[measured].to_numpy(dtype=float)
        factor = (
            rows["protein_factor"].to_numpy(dtype=float)
            if name == "protein" and "protein_factor" in rows
            else np.full(len(rows), np.nan)
        )
        known = np.where(np.isfinite(factor), factor, RECORDS_NITROGEN_FACTOR)
        in_records = result * RECORDS_NITROGEN_FACTOR / known if name == "protein" else result
        found.append(
            pd.DataFrame(
                {
                    "table": f"{table}.csv",
                    "file_row": rows["file_row"].to_numpy(),
                    "sample_id": rows["sample_id"].to_numpy(),
                    "sampled_on": rows["sampled_on"].dt.date.to_numpy(),
                    "reported_on": rows["reported_on"].dt.date.to_numpy(),
                    "of": rows["source"].fillna("bulk").to_numpy() if "source" in rows else of,
                    "lab": rows["lab"].to_numpy(),
                    "method": rows["method"].to_numpy(),
                    "measured": measured,
                    "result": result,
                    "protein_factor": factor,
                    "as_declared": in_records * weight,
                    "used": True,
                    "why_not": np.where(
                        np.isfinite(factor) | (name != "protein"), "", "used; no nitrogen factor given, taken as 6.38"
                    ),
                }
            )
        )
    return found


def _set_aside(season: Season) -> pd.DataFrame:
    """Return the results that were set aside, with the reason."""
    aside = season.set_aside
    rows = aside[aside["file"].isin(["milk_tests.csv", "pot_tests.csv"])]
    return pd.DataFrame(
        {
            "table": rows["file"].to_numpy(),
            "file_row": rows["file_row"].to_numpy(),
            "used": False,
            "why_not": rows["text"].to_numpy(),
        }
    )
