"""How much water the milk loses on its way into the pots: learnt where vats are weighed before and after.

    loss_i = b0 + b1 (hold_i - 60 min) / 60 min + b2 log(milk_i / usual milk) + lot_i + e_i

with b0 4 +- 3 %, b1 3 +- 1.5 % per extra hour and b2 -2 +- 1.5 % per log kg (a fuller vat is deeper), robustly fitted.
Without weighed vats the prior stands, and the pot tests alone move it.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize

from analysis.pot.balance import SOFT, soft_loss
from analysis.pot.figures import LOSS_PER_HOUR, LOSS_PER_LOG_MILK, LOT_LOSS_SD, WATER_LOST, WEIGHING_SD
from analysis.pot.pairing import column, dates, words
from analysis.pot.regression import Relation, regress

Array = NDArray[np.float64]
_HOLD = 60.0
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_POSSIBLE = (-0.10, 0.60)


def line_moments(mean: float, sd: float) -> tuple[float, float]:
    """Return mean and sd of the normal ``line`` behind a ``soft_loss`` with the given mean and sd.

    Parameters
    ----------
    mean, sd
        Of the loss as a share; a mean below 0.3 % is taken as 0.3 %.
    """
    share = _WEIGHTS / _WEIGHTS.sum()
    mean = max(mean, 0.003)
    # A share that cannot fall below nothing is hardly wider than its mean; beyond that the two moments cannot be met.
    sd = min(max(sd, 0.0005), 0.9 * mean)

    def miss(p: Array) -> list[float]:
        drawn = soft_loss(p[0] + np.exp(p[1]) * _NODES)
        got = share @ drawn
        return [float(got - mean) / SOFT, float(np.sqrt(share @ (drawn - got) ** 2) - sd) / SOFT]

    found = optimize.fsolve(miss, [mean, np.log(sd)])
    return float(found[0]), float(np.exp(found[1]))


@dataclass(frozen=True)
class LossFit:
    """What is known of the water lost before the pot tests speak.

    Attributes
    ----------
    relation : Relation
        Coefficients b0, b1, b2.
    usual_hold, usual_kg : float
        Median hold (minutes) and milk (kg) of the vats.
    line_mean, line_sd : float
        Normal variable behind the usual loss (see ``soft_loss``).
    lot_sd, lot_log_sd : float
        Lot-to-lot sd of the loss, and the sd of its logarithm.
    weighed : DataFrame
        ``file_row, batch_id, made_on, hold_min, milk_kg, loss, expected, distance`` of the weighed vats.
    """

    relation: Relation
    usual_hold: float
    usual_kg: float
    line_mean: float
    line_sd: float
    lot_sd: float
    lot_log_sd: float
    weighed: pd.DataFrame

    def shift(self, hold_min: Array, milk_kg: Array, filled_kg: Array) -> tuple[Array, Array]:
        """Return what each vat's own hold, fill and weighing add to the usual loss, and the share of the lot sd left.

        Parameters
        ----------
        hold_min, milk_kg, filled_kg
            Of each vat; missing is usual and not weighed.
        """
        b = self.relation.mean
        x = _drivers(hold_min, milk_kg, self.usual_hold, self.usual_kg)
        usual = _drivers(np.asarray([self.usual_hold]), np.asarray([self.usual_kg]), self.usual_hold, self.usual_kg)
        shift = np.asarray((x - usual) @ b)
        known = np.isfinite(milk_kg) & np.isfinite(filled_kg) & (milk_kg > 0)
        weighed = 1.0 - np.where(known, filled_kg, 0.0) / np.where(known, milk_kg, 1.0)
        off = weighed - x @ b
        fair = known & (np.abs(off) < 4.0 * self.relation.noise)
        trust = self.lot_sd**2 / (self.lot_sd**2 + WEIGHING_SD.mean**2)
        return np.where(fair, shift + trust * off, shift), np.where(fair, np.sqrt(1.0 - trust), 1.0)


def _drivers(hold_min: Array, milk_kg: Array, usual_hold: float, usual_kg: float) -> Array:
    hold = np.where(np.isfinite(hold_min), hold_min, usual_hold)
    kg = np.where(np.isfinite(milk_kg) & (milk_kg > 0), milk_kg, usual_kg)
    return np.column_stack([np.ones(len(hold)), (hold - _HOLD) / _HOLD, np.log(kg / usual_kg)])


def fit_loss(batches: pd.DataFrame) -> LossFit:
    """Learn the water lost from the weighed vats (``milk_kg`` in, ``filled_kg`` out before starter).

    Parameters
    ----------
    batches
        The batch table of a Season.
    """
    hold, kg, filled = column(batches, "hold_min"), column(batches, "milk_kg"), column(batches, "filled_kg")
    usual_hold = float(np.nanmedian(hold)) if np.isfinite(hold).any() else _HOLD
    usual_kg = float(np.nanmedian(kg[kg > 0])) if (kg > 0).any() else 100.0
    with np.errstate(invalid="ignore", divide="ignore"):
        loss = 1.0 - filled / kg
    use = np.isfinite(loss) & (loss > _POSSIBLE[0]) & (loss < _POSSIBLE[1])
    X = _drivers(hold, kg, usual_hold, usual_kg)
    noise = float(np.hypot(LOT_LOSS_SD.mean, WEIGHING_SD.mean))
    relation = regress(
        X[use],
        loss[use],
        np.asarray([WATER_LOST.mean, LOSS_PER_HOUR.mean, LOSS_PER_LOG_MILK.mean]),
        np.asarray([WATER_LOST.sd, LOSS_PER_HOUR.sd, LOSS_PER_LOG_MILK.sd]),
        noise,
        LOT_LOSS_SD.sd,
    )
    usual = _drivers(np.asarray([usual_hold]), np.asarray([usual_kg]), usual_hold, usual_kg)[0]
    line_mean, line_sd = line_moments(float(usual @ relation.mean), float(np.sqrt(usual @ relation.cov @ usual)))
    n = int(use.sum())
    # The weighed scatter holds both the lots' own spread and the scales'; what the scales explain is not the lots'.
    lot_sd = float(np.sqrt(max(relation.noise**2 - WEIGHING_SD.mean**2, 0.003**2))) if n >= 5 else LOT_LOSS_SD.mean
    return LossFit(
        relation=relation,
        usual_hold=usual_hold,
        usual_kg=usual_kg,
        line_mean=line_mean,
        line_sd=line_sd,
        lot_sd=lot_sd,
        lot_log_sd=float(1.0 / np.sqrt(1.0 / LOT_LOSS_SD.sd**2 + n / 2.0)),
        weighed=pd.DataFrame(
            {
                "file_row": column(batches, "file_row")[use].astype(np.int64),
                "batch_id": words(batches, "batch_id").to_numpy()[use],
                "made_on": dates(batches, "made_on").to_numpy()[use],
                "hold_min": hold[use],
                "milk_kg": kg[use],
                "loss": loss[use],
                "expected": X[use] @ relation.mean,
                "distance": relation.distance,
            }
        ),
    )
