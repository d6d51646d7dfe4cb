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
    """Return the likely cause by the signs of the trade, the surest first."""
    phage = stalled or (slow and neighbours >= 1 and neighbours_slow == neighbours)
    low, high = SAFE_INCUBATOR_C
    signs = (
        (
            row.inhibitor == "positive",
            "residue in the milk (the inhibitor test was positive): find the ewe or the flock",
        ),
        (row.fill_c > HOT_FILL_C, f"starter hurt by heat (milk at {row.fill_c:.0f} C when filled)"),
        (row.failed_as == "broken", "moved or shaken before it was set"),
        (row.failed_as == "taint", "yeast or coliforms: look at hygiene after heating, and at the starter"),
        (phage, "phage, or a starter that has gone off (stalled, or slow like its neighbours): take a new, clean one"),
        (slow and row.age_known and row.starter_age_d >= OLD_STARTER_D, f"old starter ({row.starter_age_d:.0f} days)"),
        (not low <= row.incubator_c <= high, f"warmth ({row.incubator_c:.1f} C)"),
        (slow, "this vat alone was slow: cleaning residue in the vat or the pots, or residue in its milk"),
        (row.failed_as == "whey", "too warm, too little starter, moved while setting, or late milk with many cells"),
        (0.0 < share < 0.2, "few pots: a cold corner, the door side, or pots filled late"),
    )
    return next((words for true, words in signs if true), "no sign in the records points to a cause")


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
    fitted = fitted.reindex(rows["batch_id"])
    middle, spread = (fitted[name].to_numpy(dtype=np.float64) for name in ("fitted", "fitted_sd"))
    latest, expected = np.exp(middle + 1.645 * spread), np.exp(middle)
    slip = np.nan_to_num(fitted["slip_chance"].to_numpy(dtype=np.float64))
    lower = rows["lower_min"].to_numpy(dtype=np.float64)
    slow = (lower > latest) | ((slip > 0.5) & (lower > expected))
    odd = (slip > 0.5) & ~slow
    stalled = rows["batch_id"].isin(_stalled(readings)).to_numpy()
    share = (rows["pots_failed"] / rows["pots_filled"]).where(rows["pots_filled"] > 0).to_numpy(dtype=np.float64)
    known = (rows["pots_filled"] > 0).to_numpy(dtype=bool)
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
                (f"seen set before {row['upper_min']:.0f} min, expected at {expected[i]:.0f}", odd[i]),
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


def _say(code: str, row: Any, column: str, text: str, advice: str, expected: str | None = None) -> Finding:
    """Return a warning about one value of a vat."""
    seen = getattr(row, column)
    return warning(
        code,
        f"batch {row.batch_id}: {text}",
        file="batches.csv",
        row=int(row.file_row),
        column=column,
        value=seen if isinstance(seen, str) else f"{seen:g}",
        expected=expected,
        advice=advice,
    )


def _heat_caution(row: Any, usual: dict[str, float]) -> Finding | None:
    """Caution where a vat was heated below legal pasteurisation or below the dairy's own usual."""
    hold = row.hold_min
    legal = any(row.heat_c >= warmth and (np.isnan(hold) or hold >= minutes) for warmth, minutes in _PASTEURISED)
    if not np.isnan(row.heat_c) and not legal:
        return _say(
            "heat-below-pasteurisation",
            row,
            "heat_c",
            "this heat treatment looks lower than legal pasteurisation",
            f"the local code decides; until it is clear the vat is {PLAN}",
            "72 C for 15 s, 63 C for 30 min, or equal",
        )
    if row.heat_c < usual["heat_c"] - 5.0:
        text, advice = "heated less than usual", "expect a softer gel and a later set, and see the hygiene plan"
        return _say("heat-below-usual", row, "heat_c", text, advice, f"about {usual['heat_c']:g} C")
    if hold < 0.5 * usual["hold_min"]:
        text = "held hot for less than half the usual time"
        return _say(
            "hold-below-usual", row, "hold_min", text, "see the hygiene plan", f"about {usual['hold_min']:g} min"
        )
    return None


def _vat_cautions(row: Any, usual: dict[str, float], target_ph: float) -> list[Finding]:
    """Cautions about one vat."""
    out: list[Finding] = []
    low, high = SAFE_INCUBATOR_C
    if row.end_ph > target_ph:
        text = "above the target pH when moved out; set is not acid enough"
        out.append(_say("end-ph-above-target", row, "end_ph", text, f"such a vat is {PLAN}", f"at most {target_ph:g}"))
    if not np.isnan(row.incubator_c) and not low <= row.incubator_c <= high:
        text, advice = (
            "stood outside the bounds that advice keeps to",
            "check the thermometer and the dairy's own limits",
        )
        out.append(_say("warmth-outside-bounds", row, "incubator_c", text, advice, f"{low:g} to {high:g} C"))
    if row.fill_c > HOT_FILL_C:
        text, advice = "filled so hot that the starter is hurt", "let the milk cool before the starter goes in"
        out.append(_say("filled-hot", row, "fill_c", text, advice, f"at most {HOT_FILL_C:g} C"))
    heat = _heat_caution(row, usual)
    if heat is not None:
        out.append(heat)
    if row.inhibitor == "positive":
        advice = f"such milk and what was made of it is {PLAN}; keep testing every vat"
        out.append(_say("inhibitor-positive", row, "inhibitor", "the milk stopped the test culture", advice))
    return out


def cautions(season: Any, vats: Vats, wrong: pd.DataFrame) -> list[Finding]:
    """Return cautions about the vats of the month under review, by row.

    End pH above the target, warmth outside the safe bounds, heat treatment below the usual or below legal
    pasteurisation, a positive inhibitor test, and what else went wrong.

    Parameters
    ----------
    season
        The Season.
    vats
        From `read_vats`.
    wrong
        From `vats_gone_wrong`.
    """
    start = pd.Timestamp(first_day(season.month))
    batches = season.tables["batches"]
    target = float(season.dairy.limits.target_ph)
    out = [
        finding
        for row in batches[batches["made_on"] >= start].itertuples()
        for finding in _vat_cautions(row, vats.usual, target)
    ]
    advice = f"a likely cause is no proof; a vat that does not set or stays above the target pH is {PLAN}"
    for row in wrong[wrong["made_on"] >= start].itertuples():
        text = f"batch {row.batch_id}: {row.what}; likely {row.likely_cause}"
        number = int(str(row.file_row).split(".")[0])
        out.append(warning("batch-went-wrong", text, file="batches.csv", row=number, advice=advice))
    older = int((wrong["made_on"] < start).sum())
    if older:
        text = f"{older} earlier vats went wrong; the table of vats names each with its likely cause"
        out.append(note("earlier-batches-went-wrong", text))
    return out
