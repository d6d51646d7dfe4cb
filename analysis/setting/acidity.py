"""From a pH reading to the time of setting, and from setting to the target pH.

A vat's pH falls along a logistic in log time::

    pH(t) = end + (start - end) / (1 + (t / half)^steep)

so that ``log t = log half + G(pH) / steep`` with ``G(pH) = log((start - pH) / (pH - end))``. Every reading of a vat
thus says when it passed the pH at which pots are seen to be set, whatever that is: ``log t - (G(pH) - G(pH_set)) /
steep``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# Ewes' milk 6.63 +- 0.04 (Mahmood & Usman 2010, Pak. J. Nutr. 9:1192), less the starter's acid: judgement.
START_PH = 6.55
END_PH = 4.1  # where livelier cultures end up (4.07-4.15 by day 28, control of PMC5448425); judgement
STEEP = (3.0, 0.6)  # judgement: 5.3 at 130-170 min, 4.6 at 190-270 min, at most 0.012-0.018 a minute near pH 5.6
# Onset at 5.30 +- 0.10 in milk held at 90 C (5.2-5.4, Lucey & Singh 1998, from memory), seen in the pot 0-0.15 lower
# (common practice).
PH_WHEN_SET = (5.225, 0.11)
READING_SD = 0.05  # pH, a hand meter in warm yogurt: judgement
SHAPE_SD = 0.25  # share by which a stretch of log time along the curve is off in one vat: judgement
USABLE = (4.25, 6.30)  # nearer to either end of the curve a reading says next to nothing about time


def curve_position(ph: ArrayLike) -> Array:
    """Return ``G(pH)``, the place on the logistic; higher is further on."""
    value = np.clip(np.asarray(ph, dtype=np.float64), END_PH + 0.02, START_PH - 0.02)
    return np.asarray(np.log((START_PH - value) / (value - END_PH)), dtype=np.float64)


def ph_at(minutes: ArrayLike, set_minutes: ArrayLike, ph_set: float, steep: float) -> Array:
    """Return the pH at some minutes of a vat that sets at ``set_minutes``, where its pH is ``ph_set``."""
    stretch = np.log(
        np.maximum(np.asarray(minutes, dtype=np.float64), 1e-3) / np.asarray(set_minutes, dtype=np.float64)
    )
    return np.asarray(
        END_PH + (START_PH - END_PH) / (1.0 + np.exp(curve_position(ph_set) + steep * stretch)), dtype=np.float64
    )


@dataclass(frozen=True)
class Acidity:
    """What the dairy's pH readings say.

    ``steep`` and ``steep_sd`` of the curve; ``by_batch`` has ``batch_id``, ``log_minutes`` (log of the time of set
    less ``G(pH_set) / steep``, which is learnt), ``sd`` and ``readings``.
    """

    steep: float
    steep_sd: float
    by_batch: pd.DataFrame

    @property
    def any(self) -> bool:
        """Whether any reading could be used."""
        return len(self.by_batch) > 0


def read_acidity(readings: pd.DataFrame) -> Acidity:
    """Learn the steepness of the pH curve, and the time that each vat's readings point to.

    The steepness comes from vats that were read more than once.

    Parameters
    ----------
    readings
        Columns ``batch_id``, ``minutes``, ``ph``.

    Returns
    -------
    Acidity
        With the prior's steepness and an empty table where nothing can be used.
    """
    usable = readings[readings["ph"].between(*USABLE) & (readings["minutes"] > 0)].dropna(subset=["batch_id"])
    steep_prior, steep_prior_sd = STEEP
    if usable.empty:
        empty = pd.DataFrame({"batch_id": pd.Series(dtype="str"), "log_minutes": [], "sd": [], "readings": []})
        return Acidity(steep_prior, steep_prior_sd, empty)
    place = curve_position(usable["ph"])
    table = pd.DataFrame(
        {
            "batch_id": usable["batch_id"].to_numpy(),
            "log_t": np.log(usable["minutes"].to_numpy(dtype=np.float64)),
            "place": place,
            # d G / d pH, for the meter's error
            "bend": 1.0 / (START_PH - usable["ph"].to_numpy()) + 1.0 / (usable["ph"].to_numpy() - END_PH),
        }
    )
    # Steepness: place against log time within vats. The meter's error sits in `place`, so this regression is unbiased.
    centred = table[["log_t", "place"]] - table.groupby("batch_id")[["log_t", "place"]].transform("mean")
    noise = (READING_SD * table["bend"].mean()) ** 2 + (SHAPE_SD * 0.5) ** 2
    information = float((centred["log_t"] ** 2).sum()) / noise
    product = float((centred["log_t"] * centred["place"]).sum()) / noise
    precision = information + steep_prior_sd**-2
    steep = float(np.clip((product + steep_prior * steep_prior_sd**-2) / precision, 1.2, 8.0))
    table["time"] = table["log_t"] - table["place"] / steep
    distance = (table["place"] - float(curve_position(PH_WHEN_SET[0]))) / steep
    var = (READING_SD * table["bend"] / steep) ** 2 + (SHAPE_SD * distance) ** 2 + 0.02**2
    table["w"] = 1.0 / var
    table["wt"] = table["w"] * table["time"]
    by = table.groupby("batch_id", sort=False).agg(
        w=("w", "sum"), wt=("wt", "sum"), best=("w", "max"), readings=("w", "size")
    )
    # Readings of one vat share the vat's departure from the common curve: two are worth at most twice the best one.
    weight = np.minimum(by["w"].to_numpy(), 2.0 * by["best"].to_numpy())
    by_batch = pd.DataFrame(
        {
            "batch_id": by.index.to_numpy(),
            "log_minutes": (by["wt"] / by["w"]).to_numpy(),
            "sd": weight**-0.5,
            "readings": by["readings"].to_numpy(dtype=np.float64),
        }
    )
    return Acidity(steep, float(precision**-0.5), by_batch)
