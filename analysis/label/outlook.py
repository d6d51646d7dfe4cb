"""What pots will hold and what a control sample would read, month by month, from the joint draws of the pots."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy.special import ndtr

from analysis.label.rulebook import Line, Rulebook
from analysis.records.months import add_months

Array = NDArray[np.float64]

# A month counts where at least so many days with milk are likelier than not (contract, as for the forecasts).
MILK_DAYS = 10
# Bins of true values per standard deviation of the control sample; linear binning then adds a variance of h^2/6 at
# most, 1/1500 of the control sample's own.
_BINS_PER_SD = 16
_MOST_BINS = 4000


class ControlError(Protocol):
    """What a control sample adds to the true value of a nutrient, in the nutrient's unit."""

    @property
    def pot_to_pot_sd(self) -> float:
        """Standard deviation between the pots of a lot."""
        ...

    @property
    def repeat_sd(self) -> float:
        """Repeatability of the laboratory."""
        ...

    @property
    def between_lab_sd(self) -> float:
        """Standard deviation between laboratories."""
        ...


class Evidence(Protocol):
    """What the answer for a nutrient rests on."""

    @property
    def n_tests(self) -> int:
        """Number of tests."""
        ...

    @property
    def newest(self) -> object:
        """Day of the newest one, or None."""
        ...

    @property
    def basis(self) -> str:
        """``pot tests``, ``milk tests and mass balance`` or ``handbook values``."""
        ...

    @property
    def factor_unknown(self) -> int:
        """Protein results without a nitrogen factor."""
        ...


class Pot(Protocol):
    """What this room needs of a fitted pot: joint draws, control errors, evidence."""

    @property
    def draws(self) -> xr.Dataset:
        """Draws ``pot`` (draw, day, nutrient) and ``kg`` (draw, day)."""
        ...

    @property
    def control(self) -> Mapping[str, ControlError]:
        """Control errors by nutrient."""
        ...

    @property
    def evidence(self) -> Mapping[str, Evidence]:
        """Evidence by nutrient."""
        ...


@dataclass(frozen=True)
class Outlook:
    """Joint draws of the pots of the coming year, cut into months.

    Parameters
    ----------
    pot
        True content per 100 g (nutrient, draw, day); 0 where there is no milk.
    kg
        Milk (draw, day); 0 where there is none.
    milk
        Whether a draw has milk on a day (draw, day).
    nutrients
        Names of the first dimension of ``pot``.
    all_months
        The months of the draws, ``YYYY-MM``.
    month_of_day
        Index into ``all_months`` for each day.
    control
        Control errors by nutrient.
    """

    pot: Array
    kg: Array
    milk: NDArray[np.bool_]
    nutrients: tuple[str, ...]
    all_months: tuple[str, ...]
    month_of_day: NDArray[np.int64]
    control: Mapping[str, ControlError]

    @cached_property
    def milk_days(self) -> NDArray[np.int64]:
        """Days with milk (draw, all months)."""
        return np.add.reduceat(self.milk.astype(np.int64), self._starts, axis=1)

    @cached_property
    def _starts(self) -> NDArray[np.int64]:
        return np.searchsorted(self.month_of_day, np.arange(len(self.all_months)))

    @cached_property
    def counted(self) -> NDArray[np.int64]:
        """Indices of the months that count: at least 10 days with milk are likelier than not."""
        return np.flatnonzero((self.milk_days >= MILK_DAYS).mean(axis=0) > 0.5)

    @cached_property
    def months(self) -> tuple[str, ...]:
        """The months that count, in order."""
        return tuple(self.all_months[index] for index in self.counted)

    @cached_property
    def month_kg(self) -> Array:
        """Share of the production in each month that counts; adds up to 1."""
        total = np.add.reduceat(self.kg, self._starts, axis=1).mean(axis=0)[self.counted]
        return np.asarray(total / total.sum()) if total.sum() > 0 else np.asarray(total)

    @cached_property
    def day_weights(self) -> Array:
        """Weight of each draw and day within its month (draw, day).

        Each draw with milk in the month weighs the same, and within it each day with milk: the chances of "one lot made
        on a random day of the month". The weights of a month add up to 1.
        """
        draws_with_milk = np.maximum((self.milk_days > 0).sum(axis=0), 1)
        per_day = 1.0 / (np.maximum(self.milk_days, 1) * draws_with_milk)
        return np.where(self.milk, per_day[:, self.month_of_day], 0.0)

    @cached_property
    def flat(self) -> tuple[NDArray[np.bool_] | slice, Array, NDArray[np.int64]]:
        """Where there is milk (all draws and days in one row), with the weight and the month of each."""
        chosen: NDArray[np.bool_] | slice = slice(None) if bool(self.milk.all()) else self.milk.ravel()
        months = np.broadcast_to(self.month_of_day[None, :], self.milk.shape).ravel()
        return chosen, self.day_weights.ravel()[chosen], months[chosen]

    @cached_property
    def total_kg(self) -> Array:
        """Milk of the year in each draw."""
        return np.asarray(self.kg.sum(axis=1))

    def control_sd(self, weights: Mapping[str, float], pots: int) -> float:
        """Return the standard deviation that a control sample of so many pots adds to a weighted sum of nutrients.

        Each nutrient: pot-to-pot variance / pots + repeatability + between laboratories; independent between nutrients.
        """
        variance = 0.0
        for name, weight in weights.items():
            error = self.control[name]
            variance += weight**2 * (error.pot_to_pot_sd**2 / pots + error.repeat_sd**2 + error.between_lab_sd**2)
        return float(np.sqrt(variance))

    def true_values(self, weights: Mapping[str, float]) -> Array:
        """Return a weighted sum of nutrients (draw, day)."""
        parts = [(weight, self.pot[self.nutrients.index(name)]) for name, weight in weights.items()]
        total: Array = parts[0][1] * parts[0][0]
        for weight, part in parts[1:]:
            total += weight * part
        return total

    def averages(self, values: Array) -> Array:
        """Return the production-weighted average of values (draw, day) by draw; draws without milk are left out."""
        some = self.total_kg > 0
        return np.asarray(np.einsum("ij,ij->i", values, self.kg)[some] / self.total_kg[some])


@dataclass(frozen=True)
class ReadingLaw:
    """The predictive law of one control reading in each month.

    Parameters
    ----------
    centres
        Bin centres of true values (bin), ascending.
    weights
        Probability of each bin (month, bin); rows add up to 1.
    sd
        Standard deviation that the control sample adds.
    """

    centres: Array
    weights: Array
    sd: float

    def below(self, readings: Array) -> Array:
        """Return the probability that a control reading lies below each of ``readings`` (month, reading)."""
        unique, back = np.unique(readings, return_inverse=True)
        chances: Array = ndtr((unique[None, :] - self.centres[:, None]) / self.sd)
        return np.asarray((self.weights @ chances)[:, back.reshape(readings.shape)])

    def within(self, low: Array, high: Array) -> Array:
        """Return the probability (month, value) that a reading lies between limits; -inf and inf mean no limit."""
        return np.clip(self.below(high) - self.below(low), 0.0, 1.0)

    def quantiles(self, shares: Sequence[float]) -> Array:
        """Return quantiles of the control reading (month, share)."""
        grid = np.linspace(self.centres[0] - 5 * self.sd, self.centres[-1] + 5 * self.sd, 301)
        return np.array([np.interp(shares, cumulative, grid) for cumulative in self.below(grid)])

    @property
    def means(self) -> Array:
        """Mean reading in each month."""
        return np.asarray(self.weights @ self.centres)

    @property
    def sds(self) -> Array:
        """Standard deviation of the reading in each month."""
        return np.asarray(np.sqrt(self.weights @ self.centres**2 - self.means**2 + self.sd**2))

    @property
    def highest(self) -> float:
        """A reading that none will exceed."""
        return float(self.centres[-1] + 6 * self.sd)

    @property
    def lowest(self) -> float:
        """A reading that none will fall below."""
        return float(self.centres[0] - 6 * self.sd)


def cut_into_months(pot: Pot) -> Outlook:
    """Return the draws of a fitted pot as an outlook by month.

    Parameters
    ----------
    pot
        A fitted pot; its draws hold ``pot`` (draw, day, nutrient; per 100 g) and ``kg`` (draw, day).
    """
    data = pot.draws
    days = data["day"].values.astype("datetime64[M]")
    all_months, index = np.unique(days, return_inverse=True)
    values = np.ascontiguousarray(data["pot"].transpose("nutrient", "draw", "day").values, dtype=np.float64)
    kg = np.nan_to_num(data["kg"].transpose("draw", "day").values.astype(np.float64))
    milk = (kg > 0) & np.isfinite(values[0])
    return Outlook(
        pot=np.where(milk, values, 0.0),
        kg=np.where(milk, kg, 0.0),
        milk=milk,
        nutrients=tuple(str(name) for name in data["nutrient"].values),
        all_months=tuple(add_months(str(month), 0) for month in all_months),
        month_of_day=index.astype(np.int64),
        control=pot.control,
    )


def reading_law(outlook: Outlook, values: Array, sd: float) -> ReadingLaw:
    """Return the law of one control reading in each month that counts.

    The reading is a true value (draws and days of the month, weighted) plus a normal error. The true values are put
    into narrow bins, linearly shared between the two next ones, and the normal error is added exactly, so that the
    probability is smooth in the limits.

    Parameters
    ----------
    outlook
        The months.
    values
        True values (draw, day).
    sd
        Standard deviation of the control sample's error.
    """
    chosen, weights, months = outlook.flat
    known = values.ravel()[chosen]
    low, high = float(known.min()), float(known.max())
    width = max(sd / _BINS_PER_SD, (high - low) / _MOST_BINS, 1e-9 * max(abs(high), 1.0))
    bins = int(np.ceil((high - low) / width)) + 2
    place = (known - low) / width
    left = place.astype(np.int64)
    right = weights * (place - left)
    n_months = len(outlook.all_months)
    flat = months * bins + left
    table = np.bincount(flat, weights - right, n_months * bins)
    table[1:] += np.bincount(flat, right, n_months * bins)[:-1]
    table = table.reshape(n_months, bins)[outlook.counted]
    centres: Array = low + width * np.arange(bins, dtype=np.float64)
    return ReadingLaw(centres, table / table.sum(axis=1, keepdims=True), max(sd, width / 2))


@dataclass(frozen=True)
class LineOutlook:
    """One line of a rulebook's panel: its average and the law of its control reading, on the rulebook's basis.

    Parameters
    ----------
    line
        The line.
    weights
        The line as a weighted sum of the pot's nutrients, on the basis (per 100 g or per serving).
    average
        Production-weighted average of the coming 12 months in each draw.
    law
        Law of one control reading by month.
    """

    line: Line
    weights: Mapping[str, float]
    average: Array
    law: ReadingLaw

    @property
    def expected(self) -> float:
        """The expected average."""
        return float(self.average.mean())

    @property
    def interval(self) -> tuple[float, float]:
        """The 90 % interval of the average."""
        low, high = np.quantile(self.average, [0.05, 0.95])
        return float(low), float(high)

    @property
    def safe_end(self) -> float:
        """The end of the 90 % interval that is cautious to declare."""
        return self.interval[1] if self.line.safe_end == "high" else self.interval[0]


def line_outlook(outlook: Outlook, rules: Rulebook, line: Line, serving_g: float) -> LineOutlook:
    """Return the outlook of one line of a rulebook, on its basis."""
    weights = {name: weight * serving_g / 100 for name, weight in rules.weights(line).items()}
    values = outlook.true_values(weights)
    sd = outlook.control_sd(weights, rules.control_pots)
    return LineOutlook(line, weights, outlook.averages(values), reading_law(outlook, values, sd))
