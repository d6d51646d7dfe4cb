"""What moved between two decisions, and by how much against its own earlier uncertainty.

A forecast that moved by a quarter of its own 90 % interval is no news.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from analysis.review.words import clock_span, missing, month_words, number, plain, rulebook_words, signed

# Half of a 90 % interval of a normal law is this many standard deviations.
_HALF_90 = 1.645
# A forecast that moved less than this many of its own earlier standard deviations is not worth a line.
_WORTH_SAYING = 0.5
# Weightiest first.
_KINDS = ("action", "verdict", "declared", "window", "forecast")
_LABEL_KEYS = ("rules", "nutrient", "unit", "basis")


@dataclass(frozen=True)
class Move:
    """One thing that moved.

    Attributes
    ----------
    kind
        ``declared``, ``verdict``, ``action``, ``window`` or ``forecast``.
    what
        What it is, in words.
    before, after
        Values; text or number, None where there was none.
    by
        The difference of numbers.
    unit
        Unit of the numbers.
    against_own_uncertainty
        The difference in earlier standard deviations of the same number; None where it has none.
    text
        The whole as a sentence.
    place
        Where it stands in decisions.json: the list, the keys of its row (empty: the first row), the field.
    split
        What each cause made of it, in the order in which the causes were taken; filled by refits.
    """

    kind: str
    what: str
    before: Any
    after: Any
    by: float | None
    unit: str
    against_own_uncertainty: float | None
    text: str
    place: dict[str, Any] = field(default_factory=dict)
    split: tuple[dict[str, Any], ...] = ()


def value_at(decisions: Mapping[str, Any], place: Mapping[str, Any]) -> Any:
    """Return the value that stands at a place of decisions.json; None where there is none."""
    rows = decisions.get(place["list"]) or []
    row = next((row for row in rows if all(row.get(key) == value for key, value in place["row"].items())), None)
    return None if row is None else row.get(place["field"])


def moves(earlier: Mapping[str, Any], now: Mapping[str, Any]) -> list[Move]:
    """Return what moved between two decisions, weightiest kind first, the home rulebook before others."""
    found = [
        *_label_moves(earlier, now),
        *_worded(earlier, now, "label_action", ("rules",), "action", "action", _action_words),
        *_worded(earlier, now, "claims", ("rules", "claim"), "verdict", "verdict", _claim_words),
        *_window_moves(earlier, now),
        *_forecast_moves(earlier, now, "pot_forecast", ("month", "component")),
        *_forecast_moves(earlier, now, "milk_forecast", ("month", "source", "component")),
    ]
    home = next((row["rules"] for row in now.get("label") or []), None)
    # What is decided under other rulebooks than the home one comes last.
    return sorted(found, key=lambda move: (move.place["row"].get("rules", home) != home, _KINDS.index(move.kind)))


def _by(rows: list[Mapping[str, Any]], keys: tuple[str, ...]) -> dict[tuple[Any, ...], Mapping[str, Any]]:
    return {tuple(row.get(key) for key in keys): row for row in rows}


def _place(name: str, row: Mapping[str, Any], keys: tuple[str, ...], field_: str) -> dict[str, Any]:
    return {"list": name, "row": {key: row.get(key) for key in keys}, "field": field_}


def _pairs(
    earlier: Mapping[str, Any], now: Mapping[str, Any], name: str, keys: tuple[str, ...]
) -> list[tuple[Mapping[str, Any], Mapping[str, Any]]]:
    old = _by(earlier.get(name) or [], keys)
    return [(old[key], row) for key, row in _by(now.get(name) or [], keys).items() if key in old]


def _label_moves(earlier: Mapping[str, Any], now: Mapping[str, Any]) -> list[Move]:
    found = []
    for old, new in _pairs(earlier, now, "label", _LABEL_KEYS):
        for key, words in (("declared", "the value to declare"), ("cautious", "the careful value")):
            if old.get(key) == new.get(key):
                continue
            by = None if missing(old.get(key)) or missing(new.get(key)) else float(new[key]) - float(old[key])
            of_own = _in_own_sd(by, old, "expected_lo90", "expected_hi90")
            text = (
                f"Under {rulebook_words(new['rules'])}, {words} for {plain(new['nutrient'])} went from "
                f"{number(old.get(key))} to {number(new.get(key))} {new['unit']} a {new['basis']}{_own_words(of_own)}."
            )
            what = f"{new['rules']} {new['nutrient']} {key}"
            place = _place("label", new, _LABEL_KEYS, key)
            found.append(
                Move("declared", what, old.get(key), new.get(key), _rounded(by), new["unit"], of_own, text, place)
            )
        if old.get("meets_risk") != new.get("meets_risk"):
            holds = "now meets" if new.get("meets_risk") else "no longer meets"
            text = (
                f"Under {rulebook_words(new['rules'])}, the {plain(new['nutrient'])} to declare {holds} the wanted "
                "probability in every month."
            )
            what = f"{new['rules']} {new['nutrient']} meets_risk"
            place = _place("label", new, _LABEL_KEYS, "meets_risk")
            was, is_now = old.get("meets_risk"), new.get("meets_risk")
            found.append(Move("verdict", what, was, is_now, None, "", None, text, place))
    return found


def _worded(
    earlier: Mapping[str, Any],
    now: Mapping[str, Any],
    name: str,
    keys: tuple[str, ...],
    value: str,
    kind: str,
    words: Callable[[Mapping[str, Any], Mapping[str, Any]], str],
) -> list[Move]:
    return [
        Move(
            kind,
            " ".join(str(new[key]) for key in keys),
            old[value],
            new[value],
            None,
            "",
            None,
            words(old, new),
            _place(name, new, keys, value),
        )
        for old, new in _pairs(earlier, now, name, keys)
        if old[value] != new[value]
    ]


def _action_words(old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    advice = f"from “{old['action']}” to “{new['action']}”"
    return f"Under {rulebook_words(new['rules'])}, the advice on the label went {advice}."


def _claim_words(old: Mapping[str, Any], new: Mapping[str, Any]) -> str:
    verdict = f"from “{old['verdict']}” to “{new['verdict']}”"
    return f"The claim “{new['claim']}” under {rulebook_words(new['rules'])} went {verdict}."


def _window_moves(earlier: Mapping[str, Any], now: Mapping[str, Any]) -> list[Move]:
    """Compare the window at the usual settings, the first row, also where the month has passed on."""
    old, new = ((said.get("set_time") or [None])[0] for said in (earlier, now))
    if old is None or new is None or missing(old.get("expected_min")) or missing(new.get("expected_min")):
        return []
    by = float(new["expected_min"]) - float(old["expected_min"])
    # first_check is the 10 % and latest the 95 % point of one vat: 1.282 and 1.645 standard deviations from the median.
    sd = (float(old["latest_min"]) - float(old["first_check_min"])) / (1.2816 + _HALF_90)
    of_own = round(by / sd, 2) if sd > 0 else None
    if abs(by) < 1:
        return []
    text = (
        f"The expected set time at the usual settings went from {clock_span(old['expected_min'])} "
        f"({month_words(old['month'])}) to "
        f"{clock_span(new['expected_min'])} ({month_words(new['month'])}); the pots are to be looked at from "
        f"{clock_span(new['first_check_min'])} on and are set at the latest by {clock_span(new['latest_min'])}."
    )
    place = {"list": "set_time", "row": {}, "field": "expected_min"}
    return [
        Move("window", "set time", old["expected_min"], new["expected_min"], _rounded(by), "min", of_own, text, place)
    ]


def _forecast_moves(earlier: Mapping[str, Any], now: Mapping[str, Any], name: str, keys: tuple[str, ...]) -> list[Move]:
    """Return, for each source and component, the month whose forecast moved most against its own uncertainty."""
    most: dict[tuple[Any, ...], Move] = {}
    of_pot = name == "pot_forecast"
    for old, new in _pairs(earlier, now, name, keys):
        if missing(old.get("mean")) or missing(new.get("mean")):
            continue
        by = float(new["mean"]) - float(old["mean"])
        of_own = _in_own_sd(by, old, "mean_lo90", "mean_hi90")
        if of_own is None or abs(of_own) < _WORTH_SAYING:
            continue
        subject = (new.get("source"), new["component"])
        unit = "mg/100 g" if "_mg_" in new["component"] else "g/100 g"
        who = "the pots" if of_pot else "bulk milk" if new["source"] == "bulk" else f"the milk of {new['source']}"
        text = (
            f"The forecast for {plain(new['component'])} of {who} in {month_words(new['month'])} moved by "
            f"{signed(by, 2)} {unit}, "
            f"from {number(old['mean'], 2)} to {number(new['mean'], 2)}{_own_words(of_own)}."
        )
        what = " ".join(str(new[key]) for key in keys)
        place = _place(name, new, keys, "mean")
        move = Move("forecast", f"{name} {what}", old["mean"], new["mean"], _rounded(by), unit, of_own, text, place)
        if subject not in most or abs(of_own) > abs(most[subject].against_own_uncertainty or 0):
            most[subject] = move
    return sorted(most.values(), key=lambda move: -abs(move.against_own_uncertainty or 0))


def _in_own_sd(by: float | None, row: Mapping[str, Any] | None, low: str, high: str) -> float | None:
    if by is None or row is None or missing(row.get(low)) or missing(row.get(high)):
        return None
    sd = (float(row[high]) - float(row[low])) / (2 * _HALF_90)
    return round(by / sd, 2) if sd > 0 else None


def _own_words(of_own: float | None) -> str:
    if of_own is None:
        return ""
    size = abs(of_own)
    words = "well within" if size < 1 else "about" if size < 2 else "more than"
    return f", {words} what its own uncertainty had allowed ({number(size, 1)} standard deviations)"


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.4g}")
