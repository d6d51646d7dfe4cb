"""What is worth saying about the pot's answer, in the trade's words."""

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.pot.figures import COLUMN
from analysis.pot.regression import odd_beyond
from analysis.pot.texture import Outcome, TextureFit
from analysis.records.findings import Finding, note, warning

if TYPE_CHECKING:
    from analysis.pot.fit import PotFit

_RECENT_VATS_DAYS = 60


def pot_flags(fit: "PotFit", pairs: pd.DataFrame) -> list[Finding]:
    """Say what the composition rests on, which results are odd, and what was assumed."""
    out: list[Finding] = []
    tests = "pot_tests.csv"
    if fit.lots.tests.empty:
        out.append(
            warning(
                "pot-from-mass-balance",
                "no pot has been tested, so what is in the pots comes from the milk and a mass balance (water lost, "
                "lactose turned to acid), and from handbook values for saturates, salt and calcium; its intervals are "
                "wide",
                file=tests,
                advice="have a composite of pots tested, with its vat's batch_id and the vat's own milk test",
            )
        )
    out.extend(_odd_tests(pairs))
    out.extend(
        note(
            "pot-test-unpaired",
            "neither its vat nor its day of making is known, so this test is not used",
            file=tests,
            row=int(row["file_row"]),
            value=str(row["batch_id"]) or None,
            advice="write the vat's batch_id or made_on",
        )
        for row in fit.lots.unpaired.to_dict("records")
    )
    if fit.lots.factor_unknown:
        out.append(
            note(
                "protein-factor-unknown",
                f"{fit.lots.factor_unknown} protein results do not say their nitrogen factor and are taken as N x 6.38",
                file=tests,
                column="protein_factor",
                advice="ask the lab once; N x 6.25 would make the protein of the pot 2 % higher in N x 6.38",
            )
        )
    if fit.lots.convention_unknown:
        out.append(
            note(
                "carbohydrate-convention-unknown",
                f"{fit.lots.convention_unknown} carbohydrate results do not say whether they are by difference, which "
                "holds about 1 g of acid, or a sum; they count for little",
                file=tests,
                column="carbohydrate_by",
                advice="ask the lab which, and have sugars measured",
            )
        )
    weighed = fit.loss.weighed
    if len(weighed):
        far = weighed[np.abs(weighed["distance"]) > odd_beyond(len(weighed))]
        out.extend(
            note(
                "weighed-loss-odd",
                f"vat {row['batch_id']}: the weighed loss is far from that of the other vats and is not used",
                file="batches.csv",
                row=int(row["file_row"]),
                column="filled_kg",
                value=f"{100 * row['loss']:.1f} %",
                expected=f"about {100 * row['expected']:.1f} %",
                advice="see whether all milk of the vat was weighed and filled",
            )
            for row in far.to_dict("records")
        )
    return out


def _odd_tests(pairs: pd.DataFrame) -> list[Finding]:
    """Name each pot test that holds a result too far from what its milk and all other results lead to expect."""
    out: list[Finding] = []
    for _, of in pairs[pairs["odd"]].groupby("file_row", sort=True):
        worst = of.sort_values("distance", key=np.abs).iloc[-1]
        columns = ["ph" if n == "ph" else COLUMN[str(n)] for n in of["nutrient"]]
        also = f" ({', '.join(columns)})" if len(columns) > 1 else ""
        cause = (
            "whether the vat is the right one and the whole pot was mixed" if also else "whether it was typed rightly"
        )
        out.append(
            warning(
                "pot-test-odd",
                f"this result{also} lies {abs(worst['distance']):.1f} sd from what its milk and all other results "
                "lead to expect; it is kept and counts for little",
                file="pot_tests.csv",
                row=int(worst["file_row"]),
                column="ph" if worst["nutrient"] == "ph" else COLUMN[str(worst["nutrient"])],
                value=f"{worst['measured']:.4g}",
                expected=f"{worst['lo90']:.3g} to {worst['hi90']:.3g}",
                advice=f"ask the lab, and see {cause}",
            )
        )
    return out


def texture_flags(fit: "PotFit", texture: list[TextureFit], outlook: list[dict[str, Any]]) -> list[Finding]:
    """Say which outlooks cannot be given or rest on published values, and where the end pH is heading."""
    out: list[Finding] = []
    by: dict[Outcome, TextureFit] = {t.outcome: t for t in texture}
    if by["firmness_g"].rows.empty:
        text = "firmness was never measured, and its scale belongs to the instrument, so no outlook is given"
        out.append(note("firmness-not-measured", text, file="pot_tests.csv", column="firmness_g"))
    if by["whey_g_100g"].rows.empty:
        text = "whey was never measured; its outlook rests on published values for sheep yogurt"
        out.append(note("whey-from-handbook", text, file="pot_tests.csv", column="whey_g_100g"))
    vats = by["end_ph"].rows
    target = fit.season.dairy.limits.target_ph
    if vats.empty:
        text = "no vat has its pH at moving out noted, so no outlook for it is given"
        advice = "read the pH of every vat before cooling, as the hygiene plan says"
        out.append(note("end-ph-not-measured", text, file="batches.csv", column="end_ph", advice=advice))
        return out
    recent = vats[vats["made_on"] > pd.Timestamp(fit.season.cutoff) - pd.Timedelta(days=_RECENT_VATS_DAYS)]
    above = int((recent["value"] > target).sum())
    ahead = [row for row in outlook if row["outcome"] == "end_ph" and row["mean"] is not None]
    high = [str(row["month"]) for row in ahead if float(row["mean"]) > target]
    if above or high:
        last = f"{above} of {len(recent)} vats of the last {_RECENT_VATS_DAYS} days"
        said = f"{last} were above the target pH when moved out"
        if high:
            said += (
                f", and the average end pH is expected above it in {len(high)} of the months to come, first {high[0]}"
            )
        out.append(
            warning(
                "end-ph-outlook",
                said,
                file="batches.csv",
                column="end_ph",
                expected=f"at most {target:g}",
                advice="set is not acid enough: check the pH before cooling; a vat above the target is held and "
                "handled by the dairy's own hygiene plan and the local code",
            )
        )
    return out
