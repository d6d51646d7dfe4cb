"""What the pot room says: forecasts, outlook, outcomes, tables and flags."""

from typing import TYPE_CHECKING

from analysis.records.findings import Answer

if TYPE_CHECKING:
    from analysis.pot.fit import PotFit


def answer_of(fit: "PotFit") -> Answer:
    """Return the pot's share of decisions.json, tables and flags."""
    return Answer(tables={"pot_pairs": fit.lots.tests})
