"""What was seen of each vat, and what went into it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.records.findings import Finding

Array = NDArray[np.float64]

PLAUSIBLE_C = (25.0, 55.0)  # an incubator outside this is a slip or another unit; the vat is then taken at usual warmth
PLAUSIBLE_G_KG = (2.0, 120.0)
PROTEIN_HERE = (5.6, 0.5)  # ewes' milk, FAO 2013 table 3.1 (5.4-6.0); where neither vat nor milk model says anything
LOOK_SLIP = 0.02  # a look noted for the wrong pot, a vat that something else held up: judgement
# Pots moved out by the clock, unset, where nobody looked: prior as so many vats unset and set, joined by what the dairy's
# looked-at vats show; judgement. It is the slow vats that are moved out so, hence no little.
MOVED_SLIP = (6.0, 14.0)
LONGEST_LINE_D = 150.0  # a line of starter older than this is taken to have aged no further: judgement

NUMBERS = [
    "milk_age_h", "heat_c", "hold_min", "fill_c", "starter_age_d", "starter_g_kg", "incubator_c",
    "protein_g_100g", "moved_out_min", "end_ph", "pots_filled", "pots_failed",
]  # fmt: skip


@dataclass(frozen=True)
class Vats:
    """One row a vat, in order of making.

    ``rows`` has the settings (missing ones filled by the dairy's usual or median, ``extra_var`` saying how much log
    time that leaves open), ``lower_min``, ``upper_min``, ``seen`` (how), ``slip``, ``look`` (whether it tells
    anything about the set time), ``fresh`` (new starter), ``aside`` (why the vat is kept out of the fit, empty if it
    is not). ``usual`` holds the settings of a usual vat.
    """

    rows: pd.DataFrame
    usual: dict[str, float]
    tried_c: tuple[float, float] | None
    tried_g_kg: tuple[float, float] | None
    flags: tuple[Finding, ...]

    @property
    def fitted(self) -> pd.DataFrame:
        """Rows that tell something about the set time and are not set aside."""
        return self.rows[self.rows["look"] & (self.rows["aside"] == "")]


def usual_settings(season: Any, batches: pd.DataFrame) -> dict[str, float]:
    """Return the settings of a usual vat: warmth, dose and time from dairy.toml, the rest from the last 60 vats.

    Where the records say nothing: a starter 3 days old, milk 12 h old, 90 C held an hour (the brief's old way of
    making).
    """
    fallback = {"starter_age_d": 3.0, "milk_age_h": 12.0, "heat_c": 90.0, "hold_min": 60.0}
    usual = {
        "incubator_c": float(season.dairy.usual.incubator_c),
        "starter_g_kg": float(season.dairy.usual.starter_g_kg),
        "set_min": float(season.dairy.usual.set_min),
    }
    newest = batches.tail(60)
    for column, otherwise in fallback.items():
        known = newest[column].dropna()
        usual[column] = float(known.median()) if len(known) else otherwise
    return usual


def looked_between(looks: pd.DataFrame) -> pd.DataFrame:
    """Return, by ``batch_id``, between which minutes a vat set, and whether its looks contradict one another.

    Set lies between the last liquid and the first set look. Where a pot was liquid after one was seen set, the widest
    span that any of the looks allows is taken: from the last liquid before the first set, to the first set after the
    last liquid.

    Parameters
    ----------
    looks
        Columns ``batch_id``, ``minutes``, ``state``.

    Returns
    -------
    DataFrame
        Index ``batch_id``; ``lower_min`` (0 if never seen liquid), ``upper_min`` (``inf`` if never seen set),
        ``contradicts``.
    """
    good = looks[(looks["minutes"] > 0) & looks["state"].isin(["liquid", "set"])].dropna(subset=["batch_id"])
    if good.empty:
        return pd.DataFrame({"lower_min": [], "upper_min": [], "contradicts": []}, index=pd.Index([], dtype="str"))
    liquid = good["state"] == "liquid"
    by = good["batch_id"]
    last_liquid = good["minutes"].where(liquid).groupby(by).max()
    first_set = good["minutes"].where(~liquid).groupby(by).min()
    contradicts = last_liquid >= first_set
    early = liquid & (good["minutes"] < by.map(first_set))
    late = ~liquid & (good["minutes"] > by.map(last_liquid))
    lower = last_liquid.where(~contradicts, good["minutes"].where(early).groupby(by).max())
    upper = first_set.where(~contradicts, good["minutes"].where(late).groupby(by).min())
    return pd.DataFrame(
        {"lower_min": lower.fillna(0.0), "upper_min": upper.fillna(np.inf), "contradicts": contradicts.astype(bool)}
    )


def _protein(rows: pd.DataFrame, milk: Any) -> tuple[Array, Array]:
    """Protein of each vat and its sd: the vat's own test, else the milk model on that day, else the handbook."""
    value = rows["protein_g_100g"].to_numpy(dtype=np.float64).copy()
    sd = np.where(np.isnan(value), PROTEIN_HERE[1], 0.08)  # own test: lab sd 0.05-0.08, lab bias sits in the level
    untested = np.flatnonzero(np.isnan(value))
    if len(untested):
        days = pd.DatetimeIndex(rows["made_on"].iloc[untested])
        sources = rows["source"].iloc[untested].fillna("bulk").tolist()
        drawn = milk.on_days(days, sources).sel(component="protein_g_100g").transpose("draw", "row").to_numpy()
        known = ~np.isnan(drawn).any(axis=0)
        value[untested[known]] = drawn[:, known].mean(axis=0)
        sd[untested[known]] = drawn[:, known].std(axis=0)
    return np.where(np.isnan(value), PROTEIN_HERE[0], value), sd


def read_vats(season: Any, milk: Any) -> Vats:
    """Gather what the set-time and failed-pots models need from a season.

    Parameters
    ----------
    season
        A Season; tables ``batches`` and ``set_checks`` are used.
    milk
        A MilkFit; ``on_days`` gives the protein of vats that were not tested.

    Returns
    -------
    Vats
        One row a vat with a date.
    """
    batches = season.tables["batches"].dropna(subset=["made_on"])
    batches = batches.sort_values(["made_on", "batch_id"], kind="stable").reset_index(drop=True)
    usual = usual_settings(season, batches)
    looks = looked_between(season.tables["set_checks"])

    rows = batches[["batch_id", "made_on", "file_row", *NUMBERS]].copy()
    for column in ("source", "starter_from", "failed_as", "inhibitor"):
        rows[column] = batches[column] if column in batches else pd.Series(np.nan, index=rows.index, dtype="str")
    rows["protein"], rows["protein_sd"] = _protein(rows, milk)
    tried_c = _tried(rows["incubator_c"].where(rows["incubator_c"].between(*PLAUSIBLE_C)))
    tried_g_kg = _tried(rows["starter_g_kg"].where(rows["starter_g_kg"].between(*PLAUSIBLE_G_KG)))

    # How much log time a missing setting leaves open: its usual spread in a dairy times its prior effect (judgement).
    open_sd = {
        "incubator_c": 0.03,
        "starter_g_kg": 0.03,
        "starter_age_d": 0.05,
        "milk_age_h": 0.01,
        "heat_c": 0.02,
        "hold_min": 0.02,
    }
    extra = (0.04 * rows["protein_sd"]) ** 2
    for column, bounds in {"incubator_c": PLAUSIBLE_C, "starter_g_kg": PLAUSIBLE_G_KG}.items():
        rows[column] = rows[column].where(rows[column].between(*bounds))
    rows["age_known"] = rows["starter_age_d"].notna().to_numpy()
    for column, sd in open_sd.items():
        missing = rows[column].isna()
        extra = extra + missing * sd**2
        rows[column] = rows[column].fillna(usual[column])
    rows["extra_var"] = extra.to_numpy(dtype=np.float64)
    rows["fresh"] = (rows["starter_from"] == "new").fillna(value=False).to_numpy(dtype=bool)
    rows["line_days"] = _line_days(rows)

    seen = looks.reindex(rows["batch_id"])
    looked = seen["lower_min"].notna().to_numpy()
    rows["lower_min"] = seen["lower_min"].fillna(0.0).to_numpy(dtype=np.float64)
    rows["upper_min"] = seen["upper_min"].fillna(np.inf).to_numpy(dtype=np.float64)
    contradicts = (seen["contradicts"] == True).to_numpy(dtype=bool)  # noqa: E712 - missing is no contradiction
    rows["slip"] = np.where(looked, LOOK_SLIP, 0.0)
    low, high = rows["lower_min"] > 0, np.isfinite(rows["upper_min"])
    rows["seen"] = np.select(
        [looked & low & high, looked & low, looked & high],
        ["between looks", "not set at last look", "set at first look"],
        "",
    )
    moved = ~looked & rows["moved_out_min"].between(30.0, 1440.0).to_numpy()
    unset = (rows["failed_as"] == "not set").fillna(value=False).to_numpy(dtype=bool)
    mostly = (rows["pots_failed"] > 0.5 * rows["pots_filled"]).fillna(value=False).to_numpy(dtype=bool)
    out_unset = moved & unset & mostly
    out_set = moved & ~(unset & mostly)
    rows.loc[out_set, "upper_min"] = rows.loc[out_set, "moved_out_min"]
    rows.loc[out_unset, "lower_min"] = rows.loc[out_unset, "moved_out_min"]
    # How often this maker moves pots out unset shows in the vats that were looked at.
    unset_seen = int((rows["seen"] == "not set at last look").sum())
    rows.loc[moved, "slip"] = (MOVED_SLIP[0] + unset_seen) / (sum(MOVED_SLIP) + int(looked.sum()))
    rows.loc[out_set, "seen"], rows.loc[out_unset, "seen"] = "set when moved out", "not set when moved out"
    rows["look"] = rows["seen"] != ""
    positive = (rows["inhibitor"] == "positive").fillna(value=False).to_numpy(dtype=bool)
    rows["aside"] = np.where(positive, "inhibitor test positive", "")

    flags = tuple(
        Finding(
            code="looks-contradict",
            severity="note",
            file="set_checks.csv",
            text=f"batch {batch} was seen liquid after it was seen set; the widest span that its looks allow is used",
            advice="look up the notes of that day and correct the minutes or the state",
        )
        for batch in rows["batch_id"][contradicts]
    )
    return Vats(rows, usual, tried_c, tried_g_kg, flags)


def _line_days(rows: pd.DataFrame) -> Array:
    """Days since the starter was last new, at most 150; 0 throughout where no renewal is on record.

    Before the first recorded renewal the line is taken to start with the records.
    """
    if not rows["fresh"].any():
        return np.zeros(len(rows))
    begun = rows["made_on"].where(rows["fresh"]).ffill().fillna(rows["made_on"].iloc[0])
    return np.minimum((rows["made_on"] - begun).dt.days.to_numpy(dtype=np.float64), LONGEST_LINE_D)


def _tried(values: pd.Series) -> tuple[float, float] | None:
    """Lowest and highest value that stands in at least one record."""
    known = values.dropna()
    return (float(known.min()), float(known.max())) if len(known) else None
