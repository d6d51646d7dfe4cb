"""The letter to the dairy: three numbered sentences that say what to do, each with its probability.

Written from decisions.json alone. Where something could not be decided the letter says so and what would help; it never
fills a gap with a guess.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.review.words import (
    chance,
    clock_span,
    count_of,
    day_words,
    days_in_words,
    in_hundred,
    listing,
    missing,
    month_name,
    month_words,
    number,
    plain,
    rulebook_words,
)


@dataclass(frozen=True)
class Point:
    """One numbered sentence of the letter.

    Attributes
    ----------
    subject
        What it is about, a word or two.
    do
        What to do, one sentence.
    chance
        The probability in words and number, as a sentence.
    why
        What it rests on; may be empty.
    caution
        What to heed, where it matters; may be empty.
    """

    subject: str
    do: str
    chance: str
    why: str = ""
    caution: str = ""


def letter(decisions: Mapping[str, Any], names: Mapping[str, str] | None = None) -> list[Point]:
    """Return the three points of the letter: the label, when to look at the pots, what to test.

    Parameters
    ----------
    decisions
        Content of decisions.json.
    names
        Names of the milk sources by their ids.
    """
    return [label_point(decisions), pots_point(decisions), tests_point(decisions, names or {})]


def home_rules(decisions: Mapping[str, Any]) -> str | None:
    """Return the home rulebook: the first under which labels were decided."""
    rows = decisions.get("label") or decisions.get("label_action") or []
    return str(rows[0]["rules"]) if rows else None


def label_rows(decisions: Mapping[str, Any], rules: str | None) -> list[Mapping[str, Any]]:
    """Return the label values decided under a rulebook."""
    return [row for row in decisions.get("label") or [] if row["rules"] == rules]


def label_point(decisions: Mapping[str, Any]) -> Point:
    """Say whether the printed label stands and what to print next."""
    rules = home_rules(decisions)
    rows = label_rows(decisions, rules)
    judged = [row for row in rows if not missing(row.get("ok_worst_month"))]
    if rules is None or not rows:
        return Point(
            "The label",
            "Leave the label as it is for now: no value could be decided from these records.",
            "No probability can be given.",
            caution=_AUTHORITY,
        )
    action = next((row for row in decisions.get("label_action") or [] if row["rules"] == rules), None)
    printed = [row for row in judged if not missing(row.get("on_pot_now"))]
    weak = min(printed, key=lambda row: float(row["on_pot_now_ok_worst_month"] or 0), default=None)
    return Point(
        "The label",
        label_advice(decisions, rules),
        _label_chance(action, weak, judged),
        _label_why(decisions, action, rules),
        _AUTHORITY,
    )


def label_advice(decisions: Mapping[str, Any], rules: str, *, brief: bool = False) -> str:
    """Say what to do with the label, one or two sentences; the brief form does not point to what stands below."""
    rows = label_rows(decisions, rules)
    action = next((row for row in decisions.get("label_action") or [] if row["rules"] == rules), None)
    to_print = _values_to_print(rows, brief)
    act = str(action["action"]) if action else None
    if act is None or action is None:
        return f"Declare {to_print}."
    by = "" if missing(action.get("decide_by")) else f" Decide by {day_words(action['decide_by'])}."
    if act == "keep":
        out = action.get("labels_run_out")
        if missing(out):
            return f"Keep the printed label. When you next print, declare {to_print}."
        return f"Keep the printed label while it lasts, until about {day_words(str(out))}; then print {to_print}.{by}"
    if act == "wait for tests":
        return f"Do not print new labels yet: wait for the tests below. As things stand you would print {to_print}.{by}"
    return f"Print a new label: {to_print}.{by}"


def pots_point(decisions: Mapping[str, Any]) -> Point:
    """Say when to look at the pots next month."""
    rows = [row for row in decisions.get("set_time") or [] if not missing(row.get("expected_min"))]
    if not rows:
        return Point(
            "The pots",
            "Keep looking at the pots as you do, and write down each look: when it was still liquid and when "
            "it was set.",
            "No probability can be given: the records hold too few looks.",
            caution=_HYGIENE,
        )
    usual = rows[0]
    latest = clock_span(usual["latest_min"])
    shift = usual.get("change_vs_usual_min")
    if missing(shift) or round(float(str(shift))) == 0:
        compared = "about as long as usual"
    else:
        minutes = round(abs(float(str(shift))))
        compared = f"{count_of(minutes, 'minute')} {'later' if float(str(shift)) > 0 else 'sooner'} than usual"
    do = (
        f"In {month_words(usual['month'])}, at {number(usual['incubator_c'])} °C with "
        f"{number(usual['starter_g_kg'])} g of starter "
        f"a kilogram, start looking {clock_span(usual['first_check_min'])} after adding the starter and expect "
        "the pots to be set at "
        f"{clock_span(usual['expected_min'])}, {compared}."
    )
    why = ""
    others = [row for row in rows[1:] if row["month"] == usual["month"]]
    if others:
        other = others[0]
        why = (
            f"To come back to the usual time: {number(other['incubator_c'])} °C with "
            f"{number(other['starter_g_kg'])} g/kg, "
            f"expected at {clock_span(other['expected_min'])}."
        )
    return Point(
        "The pots",
        do,
        f"It is {chance(0.95)}, that a vat is set by {latest}.",
        why,
        f"Check the pH before cooling: set is not yet acid enough. A vat that is not set by {latest} is held "
        "and handled by your "
        "hygiene plan; do not simply wait longer.",
    )


def tests_point(decisions: Mapping[str, Any], names: Mapping[str, str]) -> Point:
    """Say which tests to buy next."""
    rows = decisions.get("next_tests") or []
    rules = home_rules(decisions)
    judged = [row for row in label_rows(decisions, rules) if not missing(row.get("ok_worst_month"))]
    weakest = min(judged, key=lambda row: float(row["ok_worst_month"]), default=None)
    now = (
        f"Today the least certain value is {plain(weakest['nutrient'])}: {chance(weakest['ok_worst_month'])}, "
        "that a control sample "
        f"agrees with {_value(weakest, 'declared')} in {month_words(weakest['worst_month'])}."
        if weakest
        else "How much a test would help cannot be given as a probability yet."
    )
    asked = [row for row in rows if not missing(row.get("how_many")) and int(row["how_many"]) > 0]
    if not asked:
        return Point("The tests", "Go on with the tests that you have planned; no further ones are asked for.", now)
    first = str(asked[0]["month"])
    wanted = listing(_test_words(row, names) for row in asked if row["month"] == first)
    why = "; ".join(
        dict.fromkeys(str(row["why"]).rstrip(".") for row in asked if row["month"] == first and row.get("why"))
    )
    return Point("The tests", f"In {month_words(first)} order {wanted}.", now, f"Why: {why}." if why else "")


_AUTHORITY = (
    "Agree a changed label with the authority that inspects you before you print it; this review advises and does not "
    "replace the law."
)
_HYGIENE = (
    "Check the pH before cooling; a vat that does not set in its usual time is held and handled by your hygiene plan."
)


def _value(row: Mapping[str, Any], key: str) -> str:
    if missing(row.get(key)):
        return "no value"
    return f"{number(row[key])} {row['unit']}"


def _values_to_print(rows: Sequence[Mapping[str, Any]], brief: bool) -> str:
    """Return fat and protein to declare in words; the whole list stands in the evidence."""
    first = [row for row in rows if row["nutrient"] in {"fat", "protein"}] or list(rows[:2])
    said = [f"{plain(row['nutrient'])} {_value(row, 'declared')}" for row in first if not missing(row.get("declared"))]
    if not said:
        return "the values that your tests show"
    more = " (the other values stand below)" if len(rows) > len(said) and not brief else ""
    return f"{listing(said)} a {rows[0]['basis']}{more}"


def _label_chance(
    action: Mapping[str, Any] | None, weak: Mapping[str, Any] | None, judged: Sequence[Mapping[str, Any]]
) -> str:
    worst = min(judged, key=lambda row: float(row["ok_worst_month"]), default=None)
    said = []
    if weak is not None:
        lasting = action is not None and not missing(action.get("labels_run_out"))
        start = "Were the present label to stay for a whole year, it would be" if lasting else "It is"
        said.append(
            f"{start} {chance(weak['on_pot_now_ok_worst_month'])}, that a control sample in the worst month "
            "agrees with its "
            f"{plain(weak['nutrient'])}."
        )
    if worst is not None:
        said.append(
            f"For the values to print it is {chance(worst['ok_worst_month'])}, in the worst month "
            f"({month_words(worst['worst_month'])}, {plain(worst['nutrient'])})."
        )
    return " ".join(said) or "No probability can be given: these rules state no tolerance."


def _label_why(decisions: Mapping[str, Any], action: Mapping[str, Any] | None, rules: str) -> str:
    under = f"Decided under {rulebook_words(rules)}"
    why = f": {days_in_words(str(action['why'])).rstrip('.')}" if action and action.get("why") else ""
    sets = [row for row in decisions.get("label_sets") or [] if row["rules"] == rules]
    one = next((row for row in sets if row["labels"] == 1), None)
    more = next((row for row in sets if row["labels"] > 1), None)
    if one is None or more is None or missing(one.get("ok_worst_month")) or one.get("meets_risk"):
        return f"{under}{why}."
    return (
        f"{under}{why}. One label hardly fits the whole year: {more['labels']} labels, used from "
        f"{listing(month_name(month) for month in more['from_month'])}, would raise the worst month to "
        f"{in_hundred(float(more['ok_worst_month']))}."
    )


def _test_words(row: Mapping[str, Any], names: Mapping[str, str]) -> str:
    amount = int(row["how_many"])
    source = str(row.get("source") or "")
    of = names.get(source, source)
    what = str(row["what"])
    words = f"{amount} {what if amount == 1 else _plural(what)}"
    return f"{words} of {of}" if of and source != "bulk" and of not in what else words


def _plural(what: str) -> str:
    return what if what.endswith("s") else f"{what}s"
