"""The dossier: from each printed value back to the lab results behind it, the rule and its source."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.label.outlook import Pot
from analysis.label.panel import LineDecision, Panel
from analysis.label.rulebook import RECORDS_NITROGEN_FACTOR
from analysis.pot.figures import NUTRIENTS
from analysis.records.season import Season

COLUMNS = (
    "rules", "nutrient", "unit", "prints", "basis", "table", "file_row", "sample_id", "sampled_on", "reported_on", "of",
    "lab", "method", "measured", "result", "protein_factor", "as_declared", "used", "why_not", "rule", "rule_source",
    "rule_mark",
)  # fmt: skip
_MEASURED_IN_MILK = ("fat", "protein")
_ASSUMED = "used; no nitrogen factor given, taken as 6.38"
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
    results = {name: _results(season, name) for name in NUTRIENTS}
    home = panels[0].rules.name if panels else ""
    blocks = [
        block
        for panel in panels
        for line in panel.lines
        for block in _line_evidence(results, panel, line, pot, panel.rules.name == home)
    ]
    blocks.append(_set_aside(season))
    return pd.DataFrame({column: _column(blocks, column) for column in COLUMNS}).astype({"file_row": "Int64"})


# One or more rows: a value for all of them, or an array with one for each.
Block = dict[str, Any]


def _column(blocks: Sequence[Block], column: str) -> NDArray[np.object_]:
    parts = []
    for block in blocks:
        value = block.get(column)
        part = np.empty(block["rows"], dtype=object)
        part[:] = value
        parts.append(part)
    return np.concatenate(parts) if parts else np.empty(0, dtype=object)


def _line_evidence(
    results: Mapping[str, Sequence[Block]], panel: Panel, line: LineDecision, pot: Pot, home: bool
) -> Iterator[Block]:
    own = line.line
    rule = own.tolerance[0].origin if own.has_tolerance else own.origin
    fixed: Block = {
        "rules": panel.rules.name,
        "nutrient": own.nutrient,
        "unit": own.unit,
        "prints": own.rounding.print(line.choice.declared, own.unit),
        "basis": panel.basis,
        "rule": panel.rules.declares,
        "rule_source": f"{own.origin.source}; tolerance: {rule.source}" if own.has_tolerance else own.origin.source,
        "rule_mark": rule.mark,
        "used": True,
        "why_not": "",
    }
    if own.nutrient == "energy":
        parts = ", ".join(factor.nutrient.replace("_", " ") for factor in panel.rules.energy_factors)
        yield fixed | {"rows": 1, "table": "", "measured": f"worked out from the unrounded averages of {parts}"}
        return
    for name, weight in line.outlook.weights.items():
        on_pots = any(block["table"] == "pot_tests.csv" for block in results[name])
        for block in results[name]:
            # Milk results stand under the home rulebook, for what they measure and for what no pot was tested for.
            if block["table"] == "milk_tests.csv" and not home:
                words = "milk tests, as listed under the first rulebook"
                yield fixed | {"rows": 1, "table": "milk_tests.csv", "measured": words}
            elif block["table"] == "pot_tests.csv" or name in _MEASURED_IN_MILK or not on_pots:
                yield fixed | block | {"as_declared": block["in_records"] * weight}
    main = next(iter(line.outlook.weights))
    if main not in pot.evidence or pot.evidence[main].basis == "handbook values":
        words = "never tested: generally established data stand in (published composition of ewes' milk and its yogurt)"
        yield fixed | {"rows": 1, "table": "", "measured": words}


def _results(season: Season, name: str) -> list[Block]:
    """Return every result behind a nutrient; protein of the records is nitrogen x 6.38."""
    found: list[Block] = []
    column = f"{name}_mg_100g" if name == "calcium" else f"{name}_g_100g"
    for table, measured in (("pot_tests", column), ("milk_tests", _FROM_MILK.get(name))):
        tests = season.tables[table]
        if measured is None or measured not in tests:
            continue
        rows = tests[tests[measured].notna()]
        if rows.empty:
            continue
        result = rows[measured].to_numpy(dtype=float)
        known = np.full(len(rows), np.nan)
        if name == "protein" and "protein_factor" in rows:
            known = rows["protein_factor"].to_numpy(dtype=float)
        assumed = np.where(np.isfinite(known), known, RECORDS_NITROGEN_FACTOR)
        unsure = name == "protein" and not np.isfinite(known).all()
        found.append(
            {
                "rows": len(rows),
                "table": f"{table}.csv",
                "file_row": rows["file_row"].to_numpy(),
                "sample_id": rows["sample_id"].to_numpy(dtype=object),
                "sampled_on": rows["sampled_on"].dt.strftime("%Y-%m-%d").to_numpy(dtype=object),
                "reported_on": rows["reported_on"].dt.strftime("%Y-%m-%d").to_numpy(dtype=object),
                "of": rows["source"].fillna("bulk").to_numpy(dtype=object) if "source" in rows else "pots",
                "lab": rows["lab"].to_numpy(dtype=object),
                "method": rows["method"].to_numpy(dtype=object),
                "measured": measured,
                "result": result,
                "protein_factor": known,
                "in_records": result * RECORDS_NITROGEN_FACTOR / assumed if name == "protein" else result,
                "why_not": np.where(np.isfinite(known), "", _ASSUMED).astype(object) if unsure else "",
            }
        )
    return found


def _set_aside(season: Season) -> Block:
    """Return the results that were set aside, with the reason."""
    aside = season.set_aside
    rows = aside[aside["file"].isin(["milk_tests.csv", "pot_tests.csv"])]
    return {
        "rows": len(rows),
        "table": rows["file"].to_numpy(dtype=object),
        "file_row": rows["file_row"].to_numpy(dtype=object),
        "used": False,
        "why_not": rows["text"].to_numpy(dtype=object),
    }
