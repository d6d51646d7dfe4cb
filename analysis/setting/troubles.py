"""Vats that went wrong and their likely cause, and cautions in the trade's words.

Signs and causes are common practice unless a source is named. The tool estimates; it releases nothing: critical
limits, recall and what becomes of a vat belong to the dairy's own hygiene plan and the competent authority.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from analysis.records.dairy import SAFE_INCUBATOR_C
from analysis.records.findings import Finding, note, warning
from analysis.records.months import first_day
from analysis.setting.failed_pots import FailedPots
from analysis.setting.set_time import SetTime
from analysis.setting.vats import Vats

PLAN = "held and handled by the dairy's own hygiene plan"
OLD_STARTER_D = 10.0  # unreliable after 10-14 days (common practice)
HOT_FILL_C = 50.0  # starter is hurt when added above 50 C (common practice)
MANY_POTS = 0.10  # a tenth of a vat's pots failed: judgement
STALL_PH = (5.2, 5.8)  # where a vat with phage stops (common practice; Bacillus cereus grows down to about 5.7)
# Legal pasteurisation in the EU: 72 C 15 s, 63 C 30 min or equal (Regulation (EC) 853/2004, Annex III, Section IX,
# Chapter II).
_PASTEURISED = ((72.0, 0.25), (63.0, 30.0))


def _stalled(readings: pd.DataFrame) -> set[str]:
    """Vats whose last readings, 20 minutes or more apart, lie in the stall range and hardly fall."""
    out = set()
    late = readings[readings["ph"].between(*STALL_PH) & (readings["minutes"] > 90.0)].sort_values("minutes")
    newest = readings.sort_values("minutes").groupby("batch_id").tail(1).set_index("batch_id")["minutes"]
    for batch, rows in late.groupby("batch_id"):
        gap = float(rows["minutes"].iloc[-1] - rows["minutes"].iloc[0])
        fall = float(rows["ph"].iloc[0] - rows["ph"].iloc[-1])
        if gap >= 20.0 and rows["minutes"].iloc[-1] == newest[batch] and fall / gap < 0.002:
            out.add(str(batch))
    return out


def _cause(row: Any, *, slow: bool, stalled: bool, neighbours_slow: int, neighbours: int, share: float) -> str:
    """Likely cause by the signs of the trade, the surest first."""
    if row.inhibitor == "positive":
        return "residue in the milk (the inhibitor test was positive): find the ewe or the flock before the next vat"
    if row.fill_c > HOT_FILL_C:
        return f"starter hurt by heat (milk at {row.fill_c:.0f} C when filled)"
    if row.failed_as == "broken":
        return "moved or shaken before it was set"
    if row.failed_as == "taint":
        return "yeast or coliforms: look at hygiene after heating, and at the starter"
    if stalled or (slow and neighbours >= 1 and neighbours_slow == neighbours):
        return "phage, or a starter that has gone off: it stalls, and the vats around it were slow too; take a new starter from a clean source"
    if slow and row.starter_age_d >= OLD_STARTER_D and row.age_known:
        return f"old starter ({row.starter_age_d:.0f} days)"
    if not SAFE_INCUBATOR_C[0] <= row.incubator_c <= SAFE_INCUBATOR_C[1]:
        return f"warmth ({row.incubator_c:.1f} C)"
    if slow:
        return "this vat alone was slow: cleaning residue in the vat or the pots, or residue in its milk"
    if row.failed_as == "whey":
        return "whey: too warm, too little starter, moved while setting, or milk of late lactation with many cells"
    if 0.0 < share < 0.2:
        return "few pots: a cold corner, the door side, or pots filled late"
    return "no sign in the records points to a cause"


def vats_gone_wrong(
    vats: Vats, set_time: SetTime, failed: FailedPots, readings: pd.DataFrame, target_ph: float
) -> pd.DataFrame:
    """Return the vats that went wrong, newest last.

    A vat counts when its inhibitor test was positive, when it was seen unset after its own latest time, when its time
    was so odd that the model takes it for a slip or a fault, when a tenth of its pots failed and more than expected,
    or when it stalled.

    Parameters
    ----------
    vats, set_time, failed
        What was fitted.
    readings
        The pH readings.
    target_ph
        Of the dairy's limits.

    Returns
    -------
    DataFrame
        ``batch_id, made_on, file_row, what, likely_cause, failed_share, end_ph``.
    """
    rows = vats.rows.copy()
    fitted = (
        set_time.rows.set_index("batch_id")
        if len(set_time.rows)
        else pd.DataFrame(columns=["fitted", "fitted_sd", "slip_chance"])
    )
    latest = np.exp(fitted["fitted"] + 1.645 * fitted["fitted_sd"]).reindex(rows["batch_id"]).to_numpy(dtype=np.float64)
    expected = np.exp(fitted["fitted"]).reindex(rows["batch_id"]).to_numpy(dtype=np.float64)
    slip = fitted["slip_chance"].reindex(rows["batch_id"]).fillna(0.0).to_numpy(dtype=np.float64)
    lower = rows["lower_min"].to_numpy(dtype=np.float64)
    slow = (lower > latest) | ((slip > 0.5) & (lower > expected))
    odd = (slip > 0.5) & ~slow
    stalled = rows["batch_id"].isin(_stalled(readings)).to_numpy()
    share = (rows["pots_failed"] / rows["pots_filled"]).where(rows["pots_filled"] > 0).to_numpy(dtype=np.float64)
    known = np.where(np.isnan(rows["pots_filled"]), False, True)
    expected_high = np.ones(len(rows))
    if len(rows):
        expected_high[known] = failed.share(rows[known])[2] if known.any() else 1.0
    many = np.nan_to_num(share) >= np.maximum(MANY_POTS, expected_high)
    positive = (rows["inhibitor"] == "positive").fillna(value=False).to_numpy(dtype=bool)
    day = rows["made_on"].to_numpy(dtype="datetime64[D]").astype(np.int64)
    wrong = slow | odd | stalled | many | positive
    out = []
    for i in np.flatnonzero(wrong):
        row = rows.iloc[i]
        near = (np.abs(day - day[i]) <= 2) & (np.arange(len(rows)) != i) & (rows["look"].to_numpy(dtype=bool))
        said = [
            words
            for words, true in (
                ("inhibitor test positive", positive[i]),
                (f"not set at {lower[i]:.0f} min, expected at {expected[i]:.0f}", slow[i]),
                (
                    f"seen set before {rows['upper_min'].iloc[i]:.0f} min, expected at {expected[i]:.0f}: a look noted for another vat?",
                    odd[i],
                ),
                ("pH stalled", stalled[i]),
                (f"{100 * share[i]:.0f} % of the pots failed", many[i]),
            )
            if true
        ]
        cause = _cause(
            row,
            slow=bool(slow[i]),
            stalled=bool(stalled[i]),
            neighbours_slow=int((near & slow).sum()),
            neighbours=int(near.sum()),
            share=float(np.nan_to_num(share[i])),
        )
        if odd[i] and len(said) == 1:
            cause = "a slip of the pen, or a look at another vat"
        out.append(
            (
                row["batch_id"],
                row["made_on"],
                row["file_row"],
                "; ".join(said),
                cause,
                share[i],
                row["end_ph"],
                bool(row["end_ph"] > target_ph),
            )
        )
    columns = ["batch_id", "made_on", "file_row", "what", "likely_cause", "failed_share", "end_ph", "above_target_ph"]
    return pd.DataFrame(out, columns=columns)


def cautions(season: Any, vats: Vats, wrong: pd.DataFrame) -> list[Finding]:
    """Return cautions about the vats of the month under review, by row.

    End pH above the target, warmth outside the safe bounds, heat treatment below the usual or below legal
    pasteurisation, a positive inhibitor test, and what else went wrong.
    """
    start = pd.Timestamp(first_day(season.month))
    raw = season.tables["batches"]
    new = raw[raw["made_on"] >= start]
    target = float(season.dairy.limits.target_ph)
    out: list[Finding] = []

    def say(code: str, row: Any, column: str, text: str, advice: str, expected: str | None = None) -> None:
        out.append(
            warning(
                code, text, file="batches.csv", row=int(row.file_row), column=column,
                value=f"{getattr(row, column):g}" if column != "inhibitor" else str(row.inhibitor), expected=expected, advice=advice,
            )
        )  # fmt: skip

    for row in new.itertuples():
        name = f"batch {row.batch_id}"
        if row.end_ph > target:
            say("end-ph-above-target", row, "end_ph", f"{name} was above the target pH when moved out; set is not acid enough",
                f"such a vat is {PLAN}", f"at most {target:g}")  # fmt: skip
        low, high = SAFE_INCUBATOR_C
        if not np.isnan(row.incubator_c) and not low <= row.incubator_c <= high:
            say("warmth-outside-bounds", row, "incubator_c", f"{name} stood outside the bounds that advice keeps to",
                "check the thermometer and the dairy's own limits", f"{low:g} to {high:g} C")  # fmt: skip
        if row.fill_c > HOT_FILL_C:
            say("filled-hot", row, "fill_c", f"{name} was filled so hot that the starter is hurt",
                "let the milk cool before the starter goes in", f"at most {HOT_FILL_C:g} C")  # fmt: skip
        hold = row.hold_min
        legal = any(row.heat_c >= warmth and (np.isnan(hold) or hold >= minutes) for warmth, minutes in _PASTEURISED)
        if not np.isnan(row.heat_c) and not legal:
            say("heat-below-pasteurisation", row, "heat_c", f"{name}: this heat treatment looks lower than legal pasteurisation",
                f"the local code decides; until it is clear the vat is {PLAN}", "72 C for 15 s, 63 C for 30 min, or equal")  # fmt: skip
        elif row.heat_c < vats.usual["heat_c"] - 5.0:
            say("heat-below-usual", row, "heat_c", f"{name} was heated less than usual", "expect a softer gel and a later set, and see the hygiene plan",
                f"about {vats.usual['heat_c']:g} C")  # fmt: skip
        elif hold < 0.5 * vats.usual["hold_min"]:
            say("hold-below-usual", row, "hold_min", f"{name} was held hot for less than half the usual time", "see the hygiene plan",
                f"about {vats.usual['hold_min']:g} min")  # fmt: skip
        if row.inhibitor == "positive":
            say("inhibitor-positive", row, "inhibitor", f"{name}: the milk stopped the test culture",
                f"such milk and what was made of it is {PLAN}; keep testing every vat")  # fmt: skip
    for row in wrong[wrong["made_on"] >= start].itertuples():
        out.append(
            warning(
                "batch-went-wrong", f"batch {row.batch_id}: {row.what}; likely {row.likely_cause}", file="batches.csv", row=int(row.file_row),
                advice=f"a likely cause is no proof; a vat that does not set or stays above the target pH is {PLAN}",
            )
        )  # fmt: skip
    older = wrong[wrong["made_on"] < start]
    if len(older):
        out.append(
            note(
                "earlier-batches-went-wrong",
                f"{len(older)} earlier vats went wrong; the table of vats names each with its likely cause",
            )
        )
    return out
