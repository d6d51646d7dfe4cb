"""Rounding of declared values: half up, in decimal arithmetic, once, at the end."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise

# Amounts come out of binary arithmetic; digits beyond the ninth are its tail and no quantity. Without this,
# 0.1 x 64.5 = 6.450000000000001 and 6.4499999999999996 would fall on different sides of a half.
_TAIL = Decimal("1e-9")


def decimal(amount: float | Decimal) -> Decimal:
    """Return an amount as a decimal number without the tail of binary arithmetic.

    Parameters
    ----------
    amount
        Any finite number.
    """
    exact = amount if isinstance(amount, Decimal) else Decimal(repr(float(amount)))
    return _plain(exact.quantize(_TAIL, rounding=ROUND_HALF_UP))


def _plain(exact: Decimal) -> Decimal:
    """Return a number without trailing zeros after the point, and without an exponent: 410, not 4.1E+2."""
    short = exact.normalize()
    return short.quantize(Decimal(1)) if int(short.as_tuple().exponent) > 0 else short


@dataclass(frozen=True)
class Span:
    """A range of amounts with ends that belong to it or not.

    Parameters
    ----------
    low, high
        Ends; ``high`` None means without end.
    low_inside, high_inside
        Whether the end itself belongs to the span.
    """

    low: Decimal
    low_inside: bool = True
    high: Decimal | None = None
    high_inside: bool = False

    def __contains__(self, amount: Decimal) -> bool:
        above = amount > self.low or (self.low_inside and amount == self.low)
        if self.high is None:
            return above
        return above and (amount < self.high or (self.high_inside and amount == self.high))

    def __str__(self) -> str:
        start = f"{'from' if self.low_inside else 'over'} {self.low.normalize():f}"
        if self.high is None:
            return f"{start} on"
        return f"{start} {'to' if self.high_inside else 'to below'} {self.high.normalize():f}"


@dataclass(frozen=True)
class RoundingBand:
    """How amounts within a span are declared: by a step, by significant digits, or all as one value.

    Parameters
    ----------
    span
        The amounts that the band is for.
    step
        Distance of neighbouring declared values.
    digits
        Number of significant figures.
    value
        The one value that every amount of the span is declared as.
    prints
        Words printed instead of the value, such as ``<0.5 g``.
    """

    span: Span
    step: Decimal | None = None
    digits: int | None = None
    value: Decimal | None = None
    prints: str | None = None

    def step_at(self, amount: Decimal) -> Decimal:
        """Return the distance of neighbouring declared values at an amount (0 where the band has one value)."""
        if self.step is not None:
            return self.step
        if self.digits is None or amount <= 0:
            return Decimal(0)
        return Decimal(1).scaleb(amount.adjusted() - self.digits + 1)

    def rounded(self, amount: Decimal) -> Decimal:
        """Return the declared value of an amount that lies in the span."""
        if self.value is not None:
            return self.value
        step = self.step_at(amount)
        if step == 0:
            return amount
        return _plain((amount / step).to_integral_value(rounding=ROUND_HALF_UP) * step)


@dataclass(frozen=True)
class Rounding:
    """The rounding of one line of the panel: bands that cover all amounts from 0 on, without gap or overlap."""

    bands: tuple[RoundingBand, ...]

    def band(self, amount: float | Decimal) -> RoundingBand:
        """Return the band that an amount lies in.

        Raises
        ------
        ValueError
            If the amount is negative or no finite number.
        """
        exact = decimal(amount)
        for band in self.bands:
            if exact in band.span:
                return band
        raise ValueError(f"{amount} is no amount that could be declared; expected 0 or more")

    def __call__(self, amount: float | Decimal) -> Decimal:
        """Return the declared value of an amount, rounded half up.

        Examples
        --------
        >>> from analysis.label import load_rulebook
        >>> from datetime import date
        >>> fat = load_rulebook("eu", date(2026, 5, 31)).line("fat")
        >>> str(fat.rounding(6.45)), str(fat.rounding(10.4))
        ('6.5', '10')
        """
        return self.band(amount).rounded(decimal(amount))

    def interval(self, declared: Decimal) -> tuple[Decimal, Decimal]:
        """Return the smallest and the largest amount, written one digit finer, that round to a declared value.

        The guidance writes the interval of 6.4 as 6.35 to 6.44 and that of 12 as 11.5 to 12.4.
        """
        band = self.band(declared)
        step = band.step_at(declared)
        if step == 0:
            return declared, declared
        low = max(declared - step / 2, Decimal(0))
        # At the lower border of a band the amounts below belong to another step, yet a band is built on its own.
        return low, declared + step / 2 - step / 10

    def print(self, amount: float | Decimal, unit: str) -> str:
        """Return the words on the pot: the declared value with the decimals of its band, and the unit."""
        band = self.band(amount)
        if band.prints is not None:
            return band.prints
        declared = band.rounded(decimal(amount))
        # 9.96 rounds up to 10 out of the band of tenths; it is printed as the band of 10 prints.
        step = max(band.step_at(declared), self.band(declared).step_at(declared))
        decimals = max(-int(step.normalize().as_tuple().exponent), 0) if step else 0
        return f"{declared:.{decimals}f} {unit}"

    def values(self, highest: float) -> tuple[Decimal, ...]:
        """Return every value that can be declared, from the lowest up to ``highest``, ascending."""
        found = {value for band in self.bands for value in _values_of(band, decimal(highest))}
        return tuple(sorted(value for value in found if self(value) == value))


def _values_of(band: RoundingBand, highest: Decimal) -> Iterator[Decimal]:
    """Yield the declared values that amounts of a band can round to."""
    if band.value is not None:
        if band.value <= highest:
            yield band.value
        return
    high = highest if band.span.high is None else min(highest, band.span.high)
    value = band.rounded(max(band.span.low, Decimal(0)))
    if band.digits is not None:
        yield Decimal(0)
        value = max(value, Decimal(1))  # significant figures go on for ever towards 0; no label does
    while value <= high:
        yield _plain(value)
        value += band.step_at(value)


def check_spans(spans: Sequence[Span], what: str) -> None:
    """Check that spans, in the order given, cover all amounts from 0 on without gap or overlap.

    Raises
    ------
    ValueError
        Naming the two spans that overlap or leave a gap.
    """
    if spans[0].low != 0 or not spans[0].low_inside:
        raise ValueError(f"{what}: the first band starts {spans[0]}; it must start at 0")
    for before, after in pairwise(spans):
        if before.high is None or after.low < before.high:
            raise ValueError(f"{what}: the bands '{before}' and '{after}' overlap")
        if after.low == before.high and before.high_inside and after.low_inside:
            raise ValueError(f"{what}: the bands '{before}' and '{after}' overlap at {after.low.normalize():f}")
        if after.low > before.high or not (before.high_inside or after.low_inside):
            raise ValueError(f"{what}: nothing is said between the bands '{before}' and '{after}'")
    if spans[-1].high is not None:
        raise ValueError(f"{what}: nothing is said above the last band '{spans[-1]}'")
