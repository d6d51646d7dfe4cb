"""A rulebook: what one market asks of the nutrition declaration of a pot, as frozen data."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from analysis.label.rounding import Rounding, Span, decimal

# Protein of the records and of the pot's draws is nitrogen x 6.38 (ISO 8968-1, dairy).
RECORDS_NITROGEN_FACTOR = 6.38


@dataclass(frozen=True)
class Sourced:
    """Where a number comes from, and how well that source was read.

    Parameters
    ----------
    source
        Law, guidance or article.
    mark
        V wording seen, V2 seen in a page that quotes it (V2* a trade page), M from memory, D judgement, C common
        practice.
    """

    source: str
    mark: str


@dataclass(frozen=True)
class Allowed:
    """How far a reading may lie from a value on one side: an amount or a share of the value."""

    amount: Decimal | None = None
    percent: Decimal | None = None

    def of(self, value: Decimal) -> Decimal:
        """Return the allowed distance at a value."""
        if self.amount is not None:
            return self.amount
        return value * (self.percent or Decimal(0)) / 100


@dataclass(frozen=True)
class ToleranceBand:
    """Tolerance for a span of declared values; a side that is None has no limit."""

    span: Span
    minus: Allowed | None
    plus: Allowed | None
    origin: Sourced


@dataclass(frozen=True)
class ClaimedBand:
    """The side that does not deceive, where a claim of a kind states the declared amount itself."""

    when: Literal["presence", "absence"]
    span: Span
    harmless: Allowed
    origin: Sourced


@dataclass(frozen=True)
class Limits:
    """Between which readings a control sample is within tolerance; None on a side without limit."""

    low: Decimal | None
    high: Decimal | None

    def hold(self, reading: float | Decimal) -> bool:
        """Return whether a reading lies within; the limits themselves do."""
        exact = decimal(reading)
        return (self.low is None or exact >= self.low) and (self.high is None or exact <= self.high)


@dataclass(frozen=True)
class Line:
    """One line of the panel.

    Parameters
    ----------
    nutrient
        Word of the tables, whatever the pot says.
    unit
        kJ, kcal, g or mg.
    printed_as
        Words on the pot.
    mandatory
        Whether the declaration needs the line.
    safe_end
        Which end of an interval is the cautious one to declare.
    rounding, rounding_origin
        Rounding and, for each of its bands, the source.
    tolerance
        Bands by declared value; empty where the rules give none.
    no_tolerance
        Why there is none.
    claimed
        What changes where a claim is made.
    control_uncertainty
        Expanded uncertainty (k = 2) of the control laboratory's method.
    only_if_at_least
        The line may be declared only from this amount on.
    """

    nutrient: str
    unit: str
    printed_as: str
    mandatory: bool
    safe_end: Literal["high", "low"]
    rounding: Rounding
    rounding_origin: tuple[Sourced, ...]
    tolerance: tuple[ToleranceBand, ...]
    no_tolerance: str | None
    claimed: tuple[ClaimedBand, ...]
    control_uncertainty: Allowed | None
    uncertainty_origin: Sourced | None
    only_if_at_least: Decimal | None
    origin: Sourced

    @property
    def key(self) -> str:
        """The name of the line where kJ and kcal must be told apart: ``energy_kj``, else the nutrient."""
        return f"energy_{self.unit.lower()}" if self.nutrient == "energy" else self.nutrient

    @property
    def has_tolerance(self) -> bool:
        """Whether the rules say how far a control result may lie from the declared value."""
        return bool(self.tolerance)

    @property
    def open_below(self) -> bool:
        """Whether no declared value can be too low (no band limits a reading from above)."""
        return self.has_tolerance and all(band.plus is None for band in self.tolerance)

    @property
    def open_above(self) -> bool:
        """Whether no declared value can be too high (no band limits a reading from below)."""
        return self.has_tolerance and all(band.minus is None for band in self.tolerance)

    def band(self, declared: Decimal) -> ToleranceBand:
        """Return the tolerance band of a declared value.

        Raises
        ------
        ValueError
            If the line has no tolerance or the value is negative.
        """
        for band in self.tolerance:
            if declared in band.span:
                return band
        raise ValueError(f"no tolerance for {self.nutrient} {declared} {self.unit}")

    def limits(self, declared: float | Decimal) -> Limits:
        """Return the plain band: declared value less and plus the tolerance, not below 0."""
        exact = decimal(declared)
        band = self.band(exact)
        low = None if band.minus is None else max(exact - band.minus.of(exact), Decimal(0))
        high = None if band.plus is None else exact + band.plus.of(exact)
        return Limits(low, high)

    def three_step_limits(self, declared: float | Decimal) -> Limits:
        """Return the band that describes a control result, in the three steps of the EU guidance.

        The interval that rounds to the declared value, widened at each end by the tolerance at that end, and both
        limits rounded as declared values are (GUIDE, December 2012; protein 6.4 gives 4.4 to 8.4).
        """
        exact = decimal(declared)
        band = self.band(exact)
        low, high = self.rounding.interval(exact)
        low_limit = None if band.minus is None else self._rounded_limit(max(low - band.minus.of(low), Decimal(0)))
        high_limit = None if band.plus is None else self._rounded_limit(high + band.plus.of(high))
        return Limits(low_limit, high_limit)

    def _rounded_limit(self, limit: Decimal) -> Decimal:
        """Round a limit by the table; small limits stay, since "<0.5 g" is no limit."""
        return limit if self.rounding.band(limit).value is not None else self.rounding(limit)

    def claimed_limits(self, declared: float | Decimal, when: str, threshold: Decimal) -> Limits:
        """Return the band where a claim with a threshold is printed on the pot.

        The guidance (section 5.1 to 5.4): where the ordinary band does not reach the claim's threshold it stays; where
        it overlaps the threshold, the side that would deceive is limited at the threshold with the measurement
        uncertainty of the control laboratory counted in; where the declared value is the threshold itself, the other
        side is widened (Table 3). The odd upper limit that section 5.3 is said to build on the threshold is not used:
        the harmless side keeps the ordinary limit.
        """
        exact = decimal(declared)
        plain = self.limits(exact)
        if self.control_uncertainty is None:
            return plain
        uncertainty = self.control_uncertainty.of(threshold)
        harmless = next((band.harmless for band in self.claimed if band.when == when and exact in band.span), None)
        at_threshold = exact == threshold and harmless is not None
        if when == "presence":
            low = None if plain.low is None else max(plain.low, threshold - uncertainty)
            high = exact + harmless.of(exact) if at_threshold and harmless is not None else plain.high
            return Limits(low, high)
        high = None if plain.high is None else min(plain.high, threshold + uncertainty)
        low = max(exact - harmless.of(exact), Decimal(0)) if at_threshold and harmless is not None else plain.low
        return Limits(low, high)


@dataclass(frozen=True)
class EnergyFactor:
    """Energy of one gram of a nutrient."""

    nutrient: str
    kj: float | None
    kcal: float | None
    origin: Sourced


@dataclass(frozen=True)
class Condition:
    """One condition of a claim; see the rulebook schema for the measures."""

    measure: Literal["amount", "share of energy", "share of daily value", "recipe"]
    nutrient: str | None = None
    per: str | None = None
    at_least: float | None = None
    at_most: float | None = None
    text: str | None = None

    @property
    def threshold(self) -> float:
        """The amount or share that decides."""
        return float(self.at_least if self.at_least is not None else self.at_most or 0.0)


@dataclass(frozen=True)
class Claim:
    """A nutrition claim with its conditions."""

    claim: str
    about: str
    when: Literal["presence", "absence"]
    needs: Literal["all", "any"]
    conditions: tuple[Condition, ...]
    beside: str | None
    origin: Sourced


@dataclass(frozen=True)
class Rulebook:
    """The rules of one market, in force from a day on.

    Parameters
    ----------
    name, title
        Short word and full name.
    in_force_from
        First day of this version.
    compiled_on
        Day on which the texts were read.
    authority, declares, exemption, cautions
        Whom to ask, what the declared value is to be, who may be exempt, what must be said beside an answer.
    three_step_band
        Whether control results are described by the three-step band.
    not_carried
        Mandatory lines that are not worked out here.
    per
        ``100 g`` or ``serving``.
    reference_amount_g, single_serving_below
        Reference amount, and below how many of them a pot is one serving.
    nitrogen_factor, salt_factor
        Protein = nitrogen x the first, salt = sodium x the second.
    organic_acids_inside
        Whether lactic acid counts as carbohydrate.
    control_pots
        Pots in a control sample.
    energy_factors, lines, daily_values, claims
        The tables; ``daily_values`` in the unit of the line (g or mg).
    origins
        Source and mark of the single numbers, by name.
    """

    name: str
    title: str
    in_force_from: date
    compiled_on: date
    authority: str
    declares: str
    exemption: str
    cautions: tuple[str, ...]
    three_step_band: bool
    not_carried: tuple[str, ...]
    per: Literal["100 g", "serving"]
    reference_amount_g: float | None
    single_serving_below: float | None
    nitrogen_factor: float
    salt_factor: float
    organic_acids_inside: bool
    control_pots: int
    energy_factors: tuple[EnergyFactor, ...]
    lines: tuple[Line, ...]
    daily_values: tuple[tuple[str, float, str, Sourced], ...]
    claims: tuple[Claim, ...]
    origins: tuple[tuple[str, str, Sourced], ...]

    def line(self, key: str) -> Line:
        """Return a line by nutrient, or by ``energy_kj`` / ``energy_kcal``.

        Raises
        ------
        KeyError
            If the rulebook has no such line; the message lists what it has.
        """
        found = [line for line in self.lines if line.key == key or line.nutrient == key]
        if len(found) == 1:
            return found[0]
        keys = ", ".join(line.key for line in self.lines)
        raise KeyError(f"rulebook {self.name} has {'more than one' if found else 'no'} line {key!r}; it has {keys}")

    @property
    def one_sided(self) -> bool:
        """Whether every line with a tolerance is limited on one side only."""
        bounded = [line for line in self.lines if line.has_tolerance]
        return bool(bounded) and all(line.open_below or line.open_above for line in bounded)

    def serving_g(self, pot_g: float, chosen: float | None) -> float | None:
        """Return the mass that a declared value stands for, in g; None where a serving is needed and unknown.

        Parameters
        ----------
        pot_g
            Net content of the pot.
        chosen
            The dairy's own serving, if it has chosen one.
        """
        if self.per == "100 g":
            return 100.0
        if chosen is not None:
            return chosen
        if self.reference_amount_g is None:
            return None
        whole_pot = pot_g < (self.single_serving_below or 0.0) * self.reference_amount_g
        return pot_g if whole_pot else self.reference_amount_g

    def basis_words(self, serving_g: float) -> str:
        """Return the basis as decisions.json says it."""
        return "100 g" if self.per == "100 g" else f"serving ({serving_g:g} g)"

    def weights(self, line: Line) -> dict[str, float]:
        """Return the line per 100 g as a weighted sum of what the draws of a pot hold.

        Every line is linear in those: protein by the nitrogen factor, sodium by the salt factor, carbohydrate with or
        without the organic acid, energy by the factors.
        """
        if line.nutrient == "energy":
            total: dict[str, float] = {}
            for factor in self.energy_factors:
                per_gram = factor.kj if line.unit == "kJ" else factor.kcal
                if per_gram is None:
                    continue
                for name, weight in self.nutrient_weights(factor.nutrient).items():
                    total[name] = total.get(name, 0.0) + per_gram * weight
            return total
        return self.nutrient_weights(line.nutrient)

    def nutrient_weights(self, nutrient: str) -> dict[str, float]:
        """Return a nutrient (g, or mg for sodium and calcium, per 100 g) as a weighted sum of the pot's draws."""
        if nutrient == "protein":
            return {"protein": self.nitrogen_factor / RECORDS_NITROGEN_FACTOR}
        if nutrient == "sodium":
            return {"salt": 1000.0 / self.salt_factor}
        if nutrient == "carbohydrate" and self.organic_acids_inside:
            return {"carbohydrate": 1.0, "lactic_acid": 1.0}
        return {nutrient: 1.0}

    def energy_weights(self, unit: str) -> dict[str, float] | None:
        """Return the energy per 100 g as a weighted sum of the pot's draws, or None where no line has that unit."""
        for line in self.lines:
            if line.nutrient == "energy" and line.unit == unit:
                return self.weights(line)
        return None

    def energy_per_gram(self, nutrient: str, unit: str) -> float:
        """Return the energy of a gram of a nutrient; saturates count as fat, sugars as carbohydrate."""
        counted = {"saturates": "fat", "sugars": "carbohydrate"}.get(nutrient, nutrient)
        for factor in self.energy_factors:
            if factor.nutrient == counted:
                return float((factor.kj if unit == "kJ" else factor.kcal) or 0.0)
        return 0.0


def names_of(lines: Iterable[Line]) -> str:
    """Return the nutrients of lines as a list in words, each once."""
    return ", ".join(dict.fromkeys(line.nutrient for line in lines))
