"""Simulated control samples: joint readings of every nutrient, for questions about several lines at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from analysis.label.outlook import Array, Outlook
from analysis.label.panel import LineDecision, Panel
from analysis.label.values import limits_for

# Lots looked at in each month and draw, spread evenly over its milk days.
LOTS_A_MONTH = 6


@dataclass(frozen=True)
class ControlSamples:
    """Joint readings of control samples (nutrient, draw, month, lot) per 100 g.

    Parameters
    ----------
    true
        True content of the lots.
    noise
        Standard normal errors, independent between nutrients, of the same shape.
    known
        Whether the draw has milk in the month (draw, month).
    outlook
        Where the lots come from.
    """

    true: Array
    noise: Array
    known: NDArray[np.bool_]
    outlook: Outlook

    def readings(self, pots: int) -> "Readings":
        """Return what control samples of so many pots would read."""
        sds = np.array([self.outlook.control_sd({name: 1.0}, pots) for name in self.outlook.nutrients])
        return Readings(self.true + self.noise * sds[:, None, None, None], self.known, self.outlook)


@dataclass(frozen=True)
class Readings:
    """Readings (nutrient, draw, month, lot) per 100 g; ``known`` (draw, month) says where they mean something."""

    values: Array
    known: NDArray[np.bool_]
    outlook: Outlook

    def of(self, weights: Mapping[str, float]) -> Array:
        """Return a weighted sum of nutrients (draw, month, lot)."""
        parts = [(weight, self.values[self.outlook.nutrients.index(name)]) for name, weight in weights.items()]
        total: Array = parts[0][1] * parts[0][0]
        for weight, part in parts[1:]:
            total += weight * part
        return total

    def with_protein(self, factor: float) -> "Readings":
        """Return the same readings with protein multiplied, for results whose nitrogen factor is not known."""
        scaled = self.values.copy()
        scaled[self.outlook.nutrients.index("protein")] *= factor
        return Readings(scaled, self.known, self.outlook)

    def share(self, holds: NDArray[np.bool_]) -> Array:
        """Return by month the share of the readings (draw, month, lot) for which something holds."""
        return self.mean(holds.mean(axis=2))

    def mean(self, by_draw: Array) -> Array:
        """Return the mean over the draws with milk in each month of a number (draw, month)."""
        return np.asarray(np.where(self.known, by_draw, 0.0).sum(axis=0) / np.maximum(self.known.sum(axis=0), 1))


def draw_samples(outlook: Outlook, rng: np.random.Generator) -> ControlSamples:
    """Draw control samples of the coming year.

    Parameters
    ----------
    outlook
        The pots of the coming year.
    rng
        Seeded generator.

    Returns
    -------
    ControlSamples
        For each draw and month that counts, lots spread evenly over the draw's own milk days.
    """
    n_draws = outlook.kg.shape[0]
    true = np.zeros((len(outlook.nutrients), n_draws, len(outlook.counted), LOTS_A_MONTH))
    rows = np.arange(n_draws)
    for place, month in enumerate(outlook.counted):
        days = np.flatnonzero(outlook.month_of_day == month)
        seen = outlook.milk[:, days].cumsum(axis=1)
        total = seen[:, -1]
        start = rng.random(n_draws)
        for lot in range(LOTS_A_MONTH):
            wanted = np.floor((lot + start) / LOTS_A_MONTH * total).astype(np.int64) + 1
            day = days[np.minimum((seen < wanted[:, None]).sum(axis=1), len(days) - 1)]
            true[:, :, place, lot] = outlook.pot[:, rows, day]
    known = outlook.milk_days[:, outlook.counted] > 0
    return ControlSamples(true, rng.standard_normal(true.shape), known, outlook)


def panel_ok(panel: Panel, samples: ControlSamples, declared: Sequence[tuple[LineDecision, Decimal | None]]) -> Array:
    """Return by month the probability that one control sample is within tolerance on all given lines at once.

    Eight lines at 0.95 each are not 0.95 together: this is counted on joint readings.
    """
    readings = samples.readings(panel.rules.control_pots)
    holds = np.ones(readings.values.shape[1:], dtype=bool)
    least = np.ones(len(panel.outlook.months))
    for line, value in declared:
        own = line.ok(value)
        if own is None or value is None:
            continue
        limits = limits_for(line.line, value, line.ties)
        reading = readings.of(line.outlook.weights)
        if limits.low is not None:
            holds &= reading >= float(limits.low)
        if limits.high is not None:
            holds &= reading <= float(limits.high)
        least = np.minimum(least, own)
    # Counted shares waver by their number; together is never likelier than the least likely line.
    return np.minimum(readings.share(holds), least)
