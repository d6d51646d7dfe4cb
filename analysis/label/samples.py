"""Simulated control samples: joint readings of every nutrient, for questions about several lines at once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from analysis.label.outlook import Array, Outlook
from analysis.label.panel import LineDecision, Panel
from analysis.label.values import limits_for

# Lots looked at in each month and draw, spread evenly over its milk days.
LOTS_A_MONTH = 6


@dataclass(frozen=True)
class ControlSamples:
    """Joint readings of control samples (draw, month, lot, nutrient) per 100 g; NaN where a draw has no milk that month.

    Parameters
    ----------
    true
        True content of the lots.
    noise
        Standard normal errors, independent between nutrients, of the same shape.
    outlook
        Where the lots come from.
    """

    true: Array
    noise: Array
    outlook: Outlook

    def readings(self, pots: int) -> "Readings":
        """Return what control samples of so many pots would read."""
        sds = np.array([self.outlook.control_sd({name: 1.0}, pots) for name in self.outlook.nutrients])
        return Readings(self.true + self.noise * sds, self.outlook)


@dataclass(frozen=True)
class Readings:
    """Readings (draw, month, lot, nutrient) per 100 g."""

    values: Array
    outlook: Outlook

    def of(self, weights: Mapping[str, float]) -> Array:
        """Return a weighted sum of nutrients (draw, month, lot)."""
        total = np.zeros(self.values.shape[:-1])
        for name, weight in weights.items():
            total += weight * self.values[..., self.outlook.nutrients.index(name)]
        return total

    def with_protein(self, factor: float) -> "Readings":
        """Return the same readings with protein multiplied, for results whose nitrogen factor is not known."""
        scaled = self.values.copy()
        scaled[..., self.outlook.nutrients.index("protein")] *= factor
        return Readings(scaled, self.outlook)

    def share(self, holds: Array) -> Array:
        """Return by month the share of readings for which something holds (NaN where nothing is known counts not)."""
        known = np.isfinite(self.values[..., 0])
        return np.asarray((holds & known).sum(axis=(0, 2)) / np.maximum(known.sum(axis=(0, 2)), 1))


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
    true = np.full((n_draws, len(outlook.counted), LOTS_A_MONTH, len(outlook.nutrients)), np.nan)
    rows = np.arange(n_draws)
    for place, month in enumerate(outlook.counted):
        days = np.flatnonzero(outlook.month_of_day == month)
        seen = outlook.milk[:, days].cumsum(axis=1)
        total = seen[:, -1]
        start = rng.random(n_draws)
        for lot in range(LOTS_A_MONTH):
            wanted = np.floor((lot + start) / LOTS_A_MONTH * total).astype(np.int64) + 1
            day = days[np.minimum((seen < wanted[:, None]).sum(axis=1), len(days) - 1)]
            true[:, place, lot] = np.where((total > 0)[:, None], outlook.pot[rows, day], np.nan)
    return ControlSamples(true, rng.standard_normal(true.shape), outlook)


def panel_ok(panel: Panel, samples: ControlSamples, declared: Sequence[tuple[LineDecision, Decimal | None]]) -> Array:
    """Return by month the probability that one control sample is within tolerance on all given lines at once.

    Eight lines at 0.95 each are not 0.95 together: this is counted on joint readings.
    """
    readings = samples.readings(panel.rules.control_pots)
    holds = np.ones(readings.values.shape[:-1], dtype=bool)
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
