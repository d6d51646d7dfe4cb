"""Failed pots against starter age, dose, warmth and milk age.

Association in these records, not proof: the maker chose age and warmth for reasons of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.inference.overdispersed_binomial import CountFit, CountPriors, Counts, fit_counts, mean_share
from analysis.setting.set_time import REFERENCE_DOSE_G_KG
from analysis.setting.vats import Vats

Array = NDArray[np.float64]

# Prior mean and sd on the logit scale. The level: 1 % (0.2-4 %) in sound practice; the rest is judgement: no
# failed-pot rates were found in print. A starter is best at 1-4 days, usable to 7, unreliable after 10-14 (common
# practice), hence the slope.
LEVEL = (float(np.log(0.01 / 0.99)), 0.9)
EFFECTS: dict[str, tuple[float, float]] = {
    "starter_age_d": (0.08, 0.08),
    "starter_g_kg": (-0.20, 0.30),
    "incubator_c": (0.0, 0.15),
    "milk_age_h": (0.0, 0.25),
}
# Vats differ: a beta-binomial correlation of 0.05-0.2 at 1 % failed (judgement) is a logit sd of about 1 to 2.
LOG_VAT_SD = (float(np.log(1.4)), 0.4)
CHOSEN_SHARE = 0.02  # failures at which a starter counts as too old, unless the adviser chooses another: judgement


@dataclass(frozen=True)
class FailedPots:
    """Posterior of the failed share; ``rows`` has the vats counted, ``tried_ages`` how many vats at each whole age."""

    fit: CountFit
    usual: dict[str, float]
    rows: pd.DataFrame
    tried_ages: dict[int, int]

    def share(self, rows: pd.DataFrame) -> tuple[Array, Array, Array]:
        """Return expected failed share with its 90 % interval for vats of given settings, each ``(rows,)``."""
        eta = self.fit.points @ _design(rows, self.usual).T  # (points, rows)
        drawn = mean_share(eta, np.broadcast_to(self.fit.point_row_sd[:, None], eta.shape))
        mean = self.fit.weights @ drawn
        order = np.argsort(drawn, axis=0)
        cumulative = np.cumsum(self.fit.weights[order], axis=0)
        ranked = np.take_along_axis(drawn, order, axis=0)
        low, high = (
            np.take_along_axis(ranked, np.argmax(cumulative >= q * 0.9999, axis=0)[None], axis=0)[0]
            for q in (0.05, 0.95)
        )
        return mean, np.minimum(low, mean), np.maximum(high, mean)

    def effects(self) -> pd.DataFrame:
        """Return what each setting does to the failed share: % change, 90 % interval, share from own records."""
        out = []
        units = {
            "starter_age_d": "% per day",
            "starter_g_kg": "% per doubling",
            "incubator_c": "% per C",
            "milk_age_h": "% per 24 h",
        }
        w = self.fit.weights
        for j, (driver, (_, prior_sd)) in enumerate(EFFECTS.items(), start=1):
            drawn = self.fit.points[:, j]
            mean = float(w @ drawn)
            sd = float(np.sqrt(w @ (drawn - mean) ** 2))
            low, mid, high = (100.0 * np.expm1(mean + z * sd) for z in (-1.645, 0.0, 1.645))
            own = float(np.clip(1.0 - (sd / prior_sd) ** 2, 0.0, 1.0)) if len(self.rows) else 0.0
            out.append((driver, mid, low, high, units[driver], own))
        return pd.DataFrame(out, columns=["driver", "effect", "lo90", "hi90", "unit", "from_records"])


def _design(rows: pd.DataFrame, usual: dict[str, float]) -> Array:
    return np.column_stack(
        [
            np.ones(len(rows)),
            rows["starter_age_d"].to_numpy(dtype=np.float64) - 3.0,
            np.log2(rows["starter_g_kg"].to_numpy(dtype=np.float64) / REFERENCE_DOSE_G_KG),
            rows["incubator_c"].to_numpy(dtype=np.float64) - usual["incubator_c"],
            (rows["milk_age_h"].to_numpy(dtype=np.float64) - 12.0) / 24.0,
        ]
    )


def fit_failed_pots(vats: Vats) -> FailedPots:
    """Fit the failed share of a dairy's vats.

    Left out: vats with a positive inhibitor test (their cause is known) and vats whose pots failed as broken
    (handling).

    Parameters
    ----------
    vats
        From `read_vats`.

    Returns
    -------
    FailedPots
    """
    rows = vats.rows
    counted = (
        (rows["pots_filled"] >= 1)
        & (rows["pots_failed"] >= 0)
        & (rows["pots_failed"] <= rows["pots_filled"])
        & (rows["aside"] == "")
        & (rows["failed_as"] != "broken").fillna(value=True).to_numpy(dtype=bool)
    )
    used = rows[counted]
    age_known = vats.rows["age_known"]
    ages = rows.loc[age_known & counted, "starter_age_d"].round().astype(int)
    found, times = np.unique(ages.to_numpy(dtype=np.int64), return_counts=True)
    tried = {int(age): int(count) for age, count in zip(found, times, strict=True) if 1 <= age <= 14}
    counts = Counts(
        np.round(used["pots_failed"].to_numpy(dtype=np.float64)),
        np.round(used["pots_filled"].to_numpy(dtype=np.float64)),
        _design(used, vats.usual),
    )
    priors = CountPriors(
        np.array([LEVEL[0], *(mean for mean, _ in EFFECTS.values())]),
        np.array([LEVEL[1], *(sd for _, sd in EFFECTS.values())]),
        LOG_VAT_SD,
    )
    return FailedPots(fit_counts(counts, priors), vats.usual, used, tried)


def starter_curve(failed: FailedPots) -> pd.DataFrame:
    """Return the failed share at usual settings by starter age, over the ages 1-14 d that this dairy tried.

    Columns ``starter_age_d, failed_share, lo90, hi90, vats, failed_seen``.
    """
    ages = sorted(failed.tried_ages)
    rows = pd.DataFrame({name: np.full(len(ages), value) for name, value in failed.usual.items()})
    rows["starter_age_d"] = np.array(ages, dtype=np.float64)
    mean, low, high = failed.share(rows) if ages else (np.zeros(0),) * 3
    by_age = failed.rows.groupby(failed.rows["starter_age_d"].round())[["pots_failed", "pots_filled"]].sum()
    seen = (by_age["pots_failed"] / by_age["pots_filled"]).reindex(ages).to_numpy() if ages else np.zeros(0)
    return pd.DataFrame(
        {
            "starter_age_d": np.array(ages, dtype=np.int64),
            "failed_share": mean,
            "lo90": low,
            "hi90": high,
            "vats": np.array([failed.tried_ages[a] for a in ages], dtype=np.int64),
            "failed_seen": seen,
        }
    )


def longest_age(curve: pd.DataFrame, share: float = CHOSEN_SHARE) -> int | None:
    """Return the longest tried age up to which the expected failed share stays at or below ``share``, or None."""
    over = curve["failed_share"] > share
    kept = curve[~over.cummax()] if len(curve) else curve
    return int(kept["starter_age_d"].iloc[-1]) if len(kept) else None


def starter_rows(curve: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the ``starter`` rows of decisions.json."""
    kept = ["starter_age_d", "failed_share", "lo90", "hi90"]
    return [dict(zip(kept, values, strict=True)) for values in curve[kept].itertuples(index=False, name=None)]
