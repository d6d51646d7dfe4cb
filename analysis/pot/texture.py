"""Firmness, whey and end pH: what they go with in this dairy's records, and what to look for in the months to come.

    log firmness, whey  =  level + sum_j effect_j (driver_j - usual_j) + e      (one row a pot test)
    end pH              =  level + sum_j effect_j (driver_j - usual_j) + e      (one row a vat)

with the robust regression of ``regression`` and priors from published trials. The makers chose warmth, dose and time
for reasons of their own: these are associations, not proof. Firmness belongs to its instrument, so its level comes
from the records alone.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.pot.figures import Figure
from analysis.pot.pairing import column
from analysis.pot.regression import Relation, regress

Array = NDArray[np.float64]
Outcome = Literal["firmness_g", "whey_g_100g", "end_ph"]

LEVEL: dict[str, Figure] = {
    "firmness_g": Figure(5.2, 0.7, "log g; 176 g in Al-Bedrani 2023 (sheep), bound to the instrument", "verified"),
    "whey_g_100g": Figure(2.0, 1.0, "spontaneous whey of sheep set yogurt: 2.1 % in Al-Bedrani 2023", "verified"),
    "end_ph": Figure(4.6, 0.2, "pH at which makers move pots out", "judgement"),
}
NOISE: dict[str, Figure] = {
    "firmness_g": Figure(0.13, 0.5, "8-12 % between pots, and the lot's own", "judgement"),
    "whey_g_100g": Figure(0.6, 0.5, "0.5 g between pots, and the lot's own", "judgement"),
    "end_ph": Figure(0.07, 0.5, "meter and lot", "judgement"),
}
EFFECTS: dict[str, dict[str, Figure]] = {
    "firmness_g": {
        "protein_g_100g": Figure(0.20, 0.08, "per g: gel physics 0.36-0.45 at 5.5 % protein, halved", "judgement"),
        "total_solids_g_100g": Figure(0.01, 0.02, "at equal protein, mostly fat", "judgement"),
        "ph": Figure(-0.75, 0.40, "+5 to +10 % per 0.1 pH below 4.7 down to 4.4", "judgement"),
        "incubator_c": Figure(-0.03, 0.03, "stiffer at 40 than at 46 C (Lee and Lucey 2004: the sign)", "judgement"),
        "starter_age_d": Figure(0.0, 0.010, "no figure found", "judgement"),
    },
    "whey_g_100g": {
        "protein_g_100g": Figure(-0.40, 0.20, "-0.9 per g between species (Al-Bedrani 2023), half within", "derived"),
        "total_solids_g_100g": Figure(-0.05, 0.05, "more solids, less serum (Muir and Tamime 1993: sign)", "judgement"),
        "ph": Figure(0.0, 1.0, "no figure found", "judgement"),
        "incubator_c": Figure(0.10, 0.10, "more whey at 46 than at 40 C (Lee and Lucey 2004: the sign)", "judgement"),
        "starter_age_d": Figure(0.0, 0.03, "no figure found", "judgement"),
    },
    "end_ph": {
        "protein_g_100g": Figure(
            0.02, 0.02, "more solids, higher end pH (Muir and Tamime 1993: the sign)", "judgement"
        ),
        "moved_out_min": Figure(-0.003, 0.002, "-0.1 in 20-40 min below pH 4.7, slowing", "derived"),
        "incubator_c": Figure(-0.02, 0.03, "acid fastest near 45 C (Shaker et al. 2001: the sign)", "judgement"),
        "log2_starter_g_kg": Figure(-0.05, 0.05, "one doubling saves 20-30 min early on, little late", "derived"),
        "starter_age_d": Figure(0.010, 0.010, "an old starter works like a smaller dose", "derived"),
    },
}
UNITS = {"firmness_g": "g", "whey_g_100g": "g/100 g", "end_ph": "pH"}
_PER = {
    "protein_g_100g": "g/100 g",
    "total_solids_g_100g": "g/100 g",
    "ph": "pH",
    "incubator_c": "C",
    "starter_age_d": "day",
    "moved_out_min": "minute",
    "log2_starter_g_kg": "doubling",
}
PH_DROP_COLD = Figure(0.10, 0.05, "pH drop in the first week after cooling", "derived")
CENTRE: dict[str, dict[str, float]] = {
    "firmness_g": {"protein_g_100g": 5.7, "total_solids_g_100g": 18.5, "ph": 4.43},
    "whey_g_100g": {"protein_g_100g": 5.7, "total_solids_g_100g": 18.5, "ph": 4.43},
    "end_ph": {"protein_g_100g": 5.5},
}
"""The pot (and, for end pH, the milk) that the levels above are of: full-fat sheep yogurt, mid-season. Derived."""
_MONTH_SHARE = 0.3
"""Spread of a month's mean about the relation, as a share of the noise, where there are few: judgement."""
_KEPT_A_MONTH = 0.7
"""How much of a recent lean of the end pH is left a month on (cultures drift and are renewed): judgement."""
_RECENT_DAYS = 60


@dataclass(frozen=True)
class TextureFit:
    """One outcome and what it goes with.

    Attributes
    ----------
    outcome : str
    relation : Relation
        Level first, then the drivers.
    drivers : tuple of str
    usual : dict
        The value of each driver about which it counts.
    rows : DataFrame
        ``file_row, made_on``, the drivers, ``value, expected, lo90, hi90, odd``; one row a result used.
    month_sd, lean : float
        Spread of months about the relation, and where the newest results lean.
    """

    outcome: Outcome
    relation: Relation
    drivers: tuple[str, ...]
    usual: dict[str, float]
    rows: pd.DataFrame
    month_sd: float
    lean: float

    @property
    def logged(self) -> bool:
        """Whether the relation is of the logarithm."""
        return self.outcome == "firmness_g"

    def effects(self) -> list[dict[str, object]]:
        """Return the rows of ``outcomes``: effect of one unit of each driver, in the outcome's own unit."""
        if self.rows.empty:
            return []
        sd = np.sqrt(np.diag(self.relation.cov))
        scale = float(self.rows["expected"].mean()) if self.logged else 1.0
        out: list[dict[str, object]] = []
        for j, driver in enumerate(self.drivers, start=1):
            middle, half = self.relation.mean[j] * scale, 1.645 * sd[j] * scale
            out.append(
                {
                    "outcome": self.outcome,
                    "driver": driver.removeprefix("log2_"),
                    "effect": float(middle),
                    "lo90": float(middle - half),
                    "hi90": float(middle + half),
                    "unit": f"{UNITS[self.outcome]} per {_PER[driver]}",
                    "from_records": float(self.relation.from_records[j]),
                }
            )
        return out

    def monthly(
        self, month_drivers: dict[str, Array], ahead: int, rng: np.random.Generator, draws: int
    ) -> tuple[float, float, float] | None:
        """Return mean and 90 % interval of a month's average; None where the level cannot be known.

        Parameters
        ----------
        month_drivers
            Draws (draw,) of the month's mean of the drivers that the milk moves; the others stay at their usual.
        ahead
            Months from the month under review.
        rng
            Source of randomness.
        draws
            Their number.
        """
        if self.rows.empty and self.outcome != "whey_g_100g":
            return None
        b, noise = self.relation.draw(rng, draws)
        value = b[:, 0].copy()
        for j, driver in enumerate(self.drivers, start=1):
            if driver in month_drivers:
                value += b[:, j] * (month_drivers[driver] - self.usual[driver])
        month_sd = self.month_sd if self.month_sd > 0 else _MONTH_SHARE * noise
        value += self.lean * _KEPT_A_MONTH**ahead + month_sd * rng.standard_normal(draws)
        if self.logged:
            value = np.exp(value)
        elif self.outcome == "whey_g_100g":
            value = np.maximum(value, 0.0)
        low, high = np.quantile(value, [0.05, 0.95])
        return float(value.mean()), float(low), float(high)


def fit_texture(outcome: Outcome, rows: pd.DataFrame, usual: dict[str, float]) -> TextureFit:
    """Fit one outcome.

    Parameters
    ----------
    outcome
        ``firmness_g``, ``whey_g_100g`` or ``end_ph``.
    rows
        ``file_row, made_on, value`` and the drivers; a driver not measured stands at its usual.
    usual
        What practice usually is; a driver without one counts from the middle of the rows. What the milk moves counts
        from ``CENTRE``.
    """
    priors = EFFECTS[outcome]
    value = column(rows, "value")
    use = np.isfinite(value) & (value > 0)
    rows = rows[use].reset_index(drop=True)
    value = value[use]
    centre: dict[str, float] = {}
    columns = [np.ones(len(rows))]
    for driver in priors:
        seen = column(rows, driver)
        middle = CENTRE[outcome].get(driver, usual.get(driver, np.nan))
        if not np.isfinite(middle):
            middle = float(np.nanmedian(seen)) if np.isfinite(seen).any() else 0.0
        centre[driver] = middle
        columns.append(np.where(np.isfinite(seen), seen - middle, 0.0))
    logged = outcome == "firmness_g"
    y = np.log(value) if logged else value
    level, noise = LEVEL[outcome], NOISE[outcome]
    relation = regress(
        np.column_stack(columns),
        y,
        np.asarray([level.mean, *(f.mean for f in priors.values())]),
        np.asarray([level.sd, *(f.sd for f in priors.values())]),
        noise.mean,
        noise.sd,
    )
    X = np.column_stack(columns)
    expected = X @ relation.mean
    half = 1.645 * np.sqrt(relation.noise**2 + ((X @ relation.cov) * X).sum(axis=1))
    back = np.exp if logged else np.asarray
    odd = np.zeros(len(rows), dtype=bool)
    odd[relation.odd] = True
    month_sd, lean = _months(rows, y - expected, relation.noise) if outcome == "end_ph" else (0.0, 0.0)
    return TextureFit(
        outcome=outcome,
        relation=relation,
        drivers=tuple(priors),
        usual=centre,
        rows=rows.assign(expected=back(expected), lo90=back(expected - half), hi90=back(expected + half), odd=odd),
        month_sd=month_sd,
        lean=lean,
    )


def _months(rows: pd.DataFrame, residual: Array, noise: float) -> tuple[float, float]:
    """Return the spread of months about the relation, and where the newest rows lean, shrunk.

    Middles, not means: one odd vat counts for little, a whole month that is off counts in full.
    """
    if len(rows) < 3:
        return _MONTH_SHARE * noise, 0.0
    month = rows["made_on"].dt.strftime("%Y-%m").to_numpy()
    by = pd.Series(residual).groupby(month).agg(["median", "size"])
    # What the months scatter beyond their own noise, steadied by four months' worth of the judged share.
    own = np.pi / 2.0 * noise**2 / by["size"]
    excess = float(np.sum(by["median"] ** 2 - own)) + 4.0 * (_MONTH_SHARE * noise) ** 2
    month_sd = float(np.sqrt(max(excess / (len(by) + 4.0), (0.1 * noise) ** 2)))
    age = (rows["made_on"].max() - rows["made_on"]).dt.days.to_numpy()
    recent = residual[age <= _RECENT_DAYS]
    trust = month_sd**2 / (month_sd**2 + np.pi / 2.0 * noise**2 / len(recent))
    return month_sd, float(trust * np.median(recent))
