"""Numbers, months and probabilities as a dairy would say them."""

import math
import re
from collections.abc import Iterable

from analysis.records import months

# Words for a probability, from its lowest value on. The order and the rough cuts follow everyday English; the
# number always stands beside the word, because people read such words differently (Budescu et al. 2012,
# Climatic Change 113:181).
_CHANCE = (
    (0.99, "almost certain"),
    (0.95, "very likely"),
    (0.80, "likely"),
    (0.60, "more likely than not"),
    (0.40, "about even"),
    (0.20, "unlikely"),
    (0.05, "very unlikely"),
    (0.00, "almost ruled out"),
)
NUTRIENT_WORDS = {
    "energy": "energy",
    "fat": "fat",
    "saturates": "saturates",
    "carbohydrate": "carbohydrate",
    "sugars": "sugars",
    "protein": "protein",
    "salt": "salt",
    "sodium": "sodium",
    "calcium": "calcium",
}
COMPONENT_WORDS = {
    "fat_g_100g": "fat",
    "protein_g_100g": "protein",
    "lactose_g_100g": "lactose",
    "saturates_g_100g": "saturates",
    "carbohydrate_g_100g": "carbohydrate",
    "sugars_g_100g": "sugars",
    "salt_g_100g": "salt",
    "calcium_mg_100g": "calcium",
    "lactic_acid_g_100g": "lactic acid",
    "total_solids_g_100g": "total solids",
    "set_min": "set time",
    "failed_share": "share of failed pots",
    "firmness_g": "firmness",
    "whey_g_100g": "whey",
    "end_ph": "end pH",
    "pots_failed": "failed pots",
    "incubator_c": "warmth of the incubator",
    "starter_age_d": "age of the starter",
    "starter_g_kg": "dose of starter",
    "milk_age_h": "age of the milk",
    "heat_c": "heat treatment",
    "hold_min": "time held hot",
    "moved_out_min": "time in the warmth",
    "line_days": "days since a fresh starter",
    "ph": "pH when cooled",
}
_ISO_DAY = re.compile(r"\b(\d{4}-\d{2})-(\d{2})\b")


def month_words(month: str) -> str:
    """Return "June 2026" for "2026-06"; text that is no month comes back as it is."""
    try:
        return months.month_words(str(month))
    except ValueError:
        return str(month)


def month_name(month: str) -> str:
    """Return "June" for "2026-06" or for "06"; anything else comes back as it is."""
    words = month_words(f"2000-{str(month)[-2:]}")
    return str(month) if words.startswith("2000") else words.split()[0]


def day_words(day: str) -> str:
    """Return "20 July 2026" for "2026-07-20"; text that is no day comes back as it is."""
    return days_in_words(str(day)[:10])


def days_in_words(text: str) -> str:
    """Return a text with its ISO days written out."""
    return _ISO_DAY.sub(lambda found: f"{int(found[2])} {month_words(found[1])}", text)


def missing(value: object) -> bool:
    """Say whether a value is null or not a number."""
    return value is None or (isinstance(value, float) and math.isnan(value)) or str(value) in {"nan", "<NA>", "NaT"}


def number(value: object, digits: int | None = None) -> str:
    """Return a number with a real minus sign and no needless zeros; a dash where it cannot be given.

    Parameters
    ----------
    value
        A number, None or NaN.
    digits
        Decimals to show; None keeps up to six significant ones.
    """
    if missing(value):
        return "–"
    try:
        amount = float(str(value))
    except ValueError:
        return str(value)
    text = f"{amount:.6g}" if digits is None else f"{amount:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def signed(value: object, digits: int | None = None) -> str:
    """Return a number with its sign, "+0.3" or "−0.3"."""
    text = number(value, digits)
    return text if text.startswith(("−", "–")) or float(text) == 0 else f"+{text}"


def chance_words(probability: float) -> str:
    """Return everyday words for a probability from 0 to 1."""
    return next(words for cut, words in _CHANCE if probability >= cut)


def in_hundred(probability: float) -> str:
    """Return a probability as "97 in 100"; near the ends "more than 99 in 100" and "fewer than 1 in 100"."""
    if probability > 0.995:
        return "more than 99 in 100"
    if probability < 0.005:
        return "fewer than 1 in 100"
    return f"{round(100 * probability)} in 100"


def chance(probability: object) -> str:
    """Return words and number for a probability: "very likely, 97 in 100"; or that it cannot be given."""
    if missing(probability):
        return "no probability can be given"
    value = min(max(float(str(probability)), 0.0), 1.0)
    return f"{chance_words(value)}, {in_hundred(value)}"


def clock_span(minutes: object) -> str:
    """Return minutes as hours and minutes: "2 h 50 min", "45 min"."""
    if missing(minutes):
        return "–"
    whole = round(float(str(minutes)))
    hours, rest = divmod(whole, 60)
    if hours == 0:
        return f"{rest} min"
    return f"{hours} h" if rest == 0 else f"{hours} h {rest:02d} min"


def listing(words: Iterable[str], joiner: str = "and") -> str:
    """Return "a", "a and b", or "a, b and c"."""
    parts = list(words)
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {joiner} {parts[-1]}"


def count_of(amount: int, one: str, many: str | None = None) -> str:
    """Return "1 result" or "3 results"."""
    return f"{amount} {one if amount == 1 else (many or one + 's')}"


def rulebook_words(rules: str) -> str:
    """Return how a rulebook is named in a sentence; a file's name for a rulebook of one's own."""
    known = {"eu": "EU rules", "gb": "GB rules", "us": "US rules", "codex": "Codex guidelines"}
    return known.get(rules, f"the rules in {rules.rsplit('/', maxsplit=1)[-1]}")


def plain(name: str) -> str:
    """Return the everyday name of a component, nutrient, part or driver."""
    found = COMPONENT_WORDS.get(name) or NUTRIENT_WORDS.get(name)
    return found or name.replace("_g_100g", "").replace("_mg_100g", "").replace("_", " ")
