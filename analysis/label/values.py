"""Which value to declare: the probability of every declarable value in every month, the window, the choice."""

from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from analysis.label.outlook import Array, LineOutlook, ReadingLaw
from analysis.label.rulebook import Limits, Line

# Probabilities are compared with the wanted one at the sixth decimal: finer differences are those of arithmetic.
_EQUAL = 1e-9


@dataclass(frozen=True)
class ClaimTie:
    """A claim on the pot that tightens the tolerance of a line.

    Parameters
    ----------
    claim
        The claim.
    when
        ``presence`` or ``absence``.
    threshold
        The claim's threshold in the line's unit and basis.
    """

    claim: str
    when: str
    threshold: Decimal


@dataclass(frozen=True)
class Curve:
    """Every declarable value of a line and the probability that a control sample stands to it, by month.

    Parameters
    ----------
    values
        Declarable values, ascending.
    ok
        Probability within tolerance (value, month).
    """

    values: tuple[Decimal, ...]
    ok: Array

    @cached_property
    def position(self) -> dict[Decimal, int]:
        """Index of each value."""
        return {value: index for index, value in enumerate(self.values)}

    @cached_property
    def numbers(self) -> Array:
        """The values as floats."""
        return np.array([float(value) for value in self.values])

    @property
    def worst(self) -> Array:
        """The lowest probability over the months (value)."""
        return np.asarray(self.ok.min(axis=1))

    def holds(self, wanted: float, months: NDArray[np.int64] | None = None) -> NDArray[np.bool_]:
        """Return whether each value meets the wanted probability in every month, or in every one of ``months``."""
        ok = self.ok if months is None else self.ok[:, months]
        return np.asarray(ok.min(axis=1) >= wanted - _EQUAL)


@dataclass(frozen=True)
class Window:
    """A run of neighbouring declarable values that all hold: first and last index into the curve."""

    first: int
    last: int


def limits_for(line: Line, declared: Decimal, ties: tuple[ClaimTie, ...] = ()) -> Limits:
    """Return the limits of a control reading for a declared value, tightened where a claim on the pot asks for it."""
    limits = line.limits(declared)
    for tie in ties:
        tight = line.claimed_limits(declared, tie.when, tie.threshold)
        low = tight.low if tie.when == "presence" else limits.low
        high = tight.high if tie.when == "absence" else limits.high
        if declared == tie.threshold:
            low, high = tight.low, tight.high
        limits = Limits(low, high)
    return limits


@lru_cache(maxsize=4096)
def _limit_numbers(line: Line, ties: tuple[ClaimTie, ...], values: tuple[Decimal, ...]) -> tuple[Array, Array]:
    """Return lower and upper limits of many declared values; no limit is an infinity."""
    found = [limits_for(line, value, ties) for value in values]
    low = np.array([-np.inf if limits.low is None else float(limits.low) for limits in found])
    high = np.array([np.inf if limits.high is None else float(limits.high) for limits in found])
    return low, high


@lru_cache(maxsize=512)
def declarable(line: Line, lowest: float, highest: float) -> tuple[Decimal, ...]:
    """Return every value of a line that can be declared, from ``lowest`` up to ``highest``."""
    return tuple(value for value in line.rounding.values(highest) if value >= lowest)


def searched(outlook: LineOutlook) -> tuple[float, float]:
    """Return from and up to which value a line is searched: no value beyond can hold, or none beyond can fail.

    A value above three times the highest reading plus the largest tolerance in grams is either too high (its lower
    limit lies above every reading) or, where no value can be too high, certain to hold; likewise below.
    """
    amounts = [
        side.amount
        for band in outlook.line.tolerance
        for side in (band.minus, band.plus)
        if side is not None and side.amount is not None
    ]
    room = float(max(amounts, default=Decimal(0)))
    law = outlook.law
    return float(np.floor(max(law.lowest / 3 - room, 0.0))), float(np.ceil(3 * max(law.highest, 0.0) + room))


def most_declarable(line: Line, serving_g: float) -> Decimal:
    """Return the largest value that can be declared at all: the whole mass of the basis, as fat for energy.

    A gram of salt holds 400 mg of sodium, a gram of chalk 400 mg of calcium.
    """
    return line.rounding(serving_g * {"kJ": 37.0, "kcal": 9.0, "g": 1.0, "mg": 400.0}[line.unit])


def curve_of(outlook: LineOutlook, ties: tuple[ClaimTie, ...]) -> Curve:
    """Return every declarable value of a line with its probabilities.

    Raises
    ------
    ValueError
        If the line has no tolerance.
    """
    values = declarable(outlook.line, *searched(outlook))
    low, high = _limit_numbers(outlook.line, ties, values)
    return Curve(values, np.ascontiguousarray(outlook.law.within(low, high).T))


def chances(law: ReadingLaw, line: Line, declared: Decimal, ties: tuple[ClaimTie, ...] = ()) -> Array:
    """Return the probability that a control sample stands to one declared value, by month."""
    low, high = _limit_numbers(line, ties, (declared,))
    return np.asarray(law.within(low, high)[:, 0])


def nearest_index(curve: Curve, average: float, holds: NDArray[np.bool_], safe_end: str) -> int | None:
    """Return the index of the value nearest to the average among those that hold; of two as near, the safe one."""
    indices = np.flatnonzero(holds)
    if not len(indices):
        return None
    distance = np.round(np.abs(curve.numbers[indices] - average), 9)
    nearest = indices[distance == distance.min()]
    return int(nearest[-1] if safe_end == "high" else nearest[0])


def window_around(curve: Curve, average: float, holds: NDArray[np.bool_], safe_end: str) -> Window | None:
    """Return the run of values that hold which contains the average, or else lies nearest to it."""
    start = nearest_index(curve, average, holds, safe_end)
    if start is None:
        return None
    first = last = start
    while first > 0 and holds[first - 1]:
        first -= 1
    while last + 1 < len(holds) and holds[last + 1]:
        last += 1
    return Window(first, last)


@dataclass(frozen=True)
class Choice:
    """The value to declare, and why.

    Parameters
    ----------
    declared
        The value.
    departs
        Declared less the rounded average; 0 where the average itself is declared.
    cautious
        The conservative value, or None where none holds.
    window
        Ends of the run of values that hold, or None.
    """

    declared: Decimal
    departs: Decimal
    cautious: Decimal | None
    window: tuple[Decimal, Decimal] | None


def choose(
    line: Line, curve: Curve | None, average: float, safe_end: float, wanted: float, serving_g: float = 100.0
) -> Choice:
    """Return the value to declare and the cautious one.

    Declared is the rounded average; where that fails the wanted probability in a month, the nearest value that holds in
    every month; where none holds, the rounded average stays. Cautious is the declarable value at the safe end of the
    90 % interval of the average; where that does not hold, the next one towards the declared value that does.

    Parameters
    ----------
    line
        The line.
    curve
        Its probabilities, None where the rules give no tolerance.
    average
        Expected average.
    safe_end
        Safe end of the average's interval.
    wanted
        Wanted probability in every month.
    serving_g
        Mass of the basis, which bounds what can be declared where a side is open.
    """
    rounded, cautious = line.rounding(average), line.rounding(max(safe_end, 0.0))
    if curve is None:
        return Choice(rounded, Decimal(0), cautious, None)
    holds = curve.holds(wanted)
    window = window_around(curve, average, holds, line.safe_end)
    if window is None:
        return Choice(rounded, Decimal(0), None, None)
    position = curve.position
    start = position.get(rounded)
    if start is None or not holds[start]:
        start = nearest_index(curve, average, holds, line.safe_end)
        assert start is not None
    declared = curve.values[start]
    ends = curve.values[window.first], curve.values[window.last]
    if line.open_above and window.last == len(holds) - 1:
        ends = ends[0], most_declarable(line, serving_g)
    if line.open_below and window.first == 0:
        ends = line.rounding.values(0.0)[0] if line.rounding.values(0.0) else ends[0], ends[1]
    at = position.get(cautious)
    if at is None:  # beyond every value that was searched, so beyond every value that holds
        at = window.last if cautious > curve.values[window.last] else window.first
    step = 1 if start > at else -1
    while at != start and not holds[at]:
        at += step
    return Choice(declared, declared - rounded, curve.values[at], ends)
