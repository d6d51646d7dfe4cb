"""The tables of the page: columns with headings, cells as text."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.review.words import (
    clock_span,
    in_hundred,
    listing,
    missing,
    month_name,
    month_words,
    number,
    plain,
    rulebook_words,
    signed,
)

_VERDICTS = {
    "safe": "holds in every month",
    "seasonal": "holds in some months only",
    "not supported": "not supported",
    "not tested": "not tested",
}


@dataclass(frozen=True)
class Table:
    """A table to be shown.

    Attributes
    ----------
    caption
        What it shows and what it rests on.
    heads
        Headings of the columns; the first column names the row.
    rows
        Cells as text.
    folded
        Where not empty, the table is folded away under these words.
    """

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    folded: str = ""


def label_tables(decisions: Mapping[str, Any]) -> list[Table]:
    """Return one table of label values for each rulebook, the home one first."""
    tables: list[Table] = []
    for rules in dict.fromkeys(row["rules"] for row in decisions.get("label") or []):
        rows = [row for row in decisions["label"] if row["rules"] == rules]
        tables.append(
            Table(
                f"Label values under {rulebook_words(rules)}, a {rows[0]['basis']}. Chances are those that one "
                "control sample agrees "
                "with the value in the worst month.",
                (
                    "",
                    "on the pot",
                    "its chance",
                    "to declare",
                    "its chance",
                    "worst month",
                    "careful value",
                    "holds from–to",
                    "rests on",
                ),
                tuple(_label_row(row) for row in rows),
                folded=f"The same under {rulebook_words(rules)}" if tables else "",
            )
        )
    return tables


def claims_tables(decisions: Mapping[str, Any]) -> list[Table]:
    """Return one table of claims a rulebook, the home one first, what holds before what does not."""
    tables: list[Table] = []
    order = list(_VERDICTS)
    for rules in dict.fromkeys(row["rules"] for row in decisions.get("claims") or []):
        rows = [row for row in decisions["claims"] if row["rules"] == rules]
        judged = [row for row in rows if row["verdict"] != "not tested"]
        rest = listing(str(row["claim"]) for row in rows if row["verdict"] == "not tested")
        judged.sort(key=lambda row: order.index(row["verdict"]) if row["verdict"] in order else len(order))
        tables.append(
            Table(
                f"Nutrition claims under {rulebook_words(rules)}, each judged for every coming month."
                + (f" Not tested: {rest}." if rest else ""),
                ("claim", "verdict", "chance in the worst month", "worst month", "wording beside it"),
                tuple(
                    (
                        str(row["claim"]) + (" (on the pot)" if row.get("on_pot_now") else ""),
                        _VERDICTS.get(row["verdict"], str(row["verdict"])),
                        _in_hundred(row.get("ok_worst_month")),
                        _month(row.get("worst_month")),
                        str(row.get("beside") or "–"),
                    )
                    for row in judged
                ),
                folded=f"Claims under {rulebook_words(rules)}" if tables else "",
            )
        )
    return tables


def sets_table(decisions: Mapping[str, Any]) -> Table | None:
    """Return the seasonal sets of labels, or None where there are none."""
    home = next((row["rules"] for row in decisions.get("label_sets") or []), None)
    rows = [row for row in decisions.get("label_sets") or [] if row["rules"] == home]
    if not rows:
        return None
    return Table(
        f"Under {rulebook_words(str(home))}: one label or several through the year: when each would be used "
        "and how surely it holds.",
        ("labels", "used from", "values", "chance in the worst month"),
        tuple(
            (
                str(row["labels"]),
                listing(month_name(month) for month in row["from_month"]),
                "; ".join(
                    ", ".join(
                        f"{plain(k)} {number(v)}" for k, v in label.items() if k in {"fat", "saturates", "protein"}
                    )
                    for label in row["declared"]
                ),
                _in_hundred(row.get("ok_worst_month")),
            )
            for row in rows
        ),
    )


def set_time_table(decisions: Mapping[str, Any]) -> Table | None:
    """Return settings and times for next month, the usual settings first."""
    rows = decisions.get("set_time") or []
    if not rows:
        return None
    acid = any(not missing(row.get("target_ph_expected_min")) for row in rows)
    heads = ("settings", "first look", "expected set", "latest", "against usual") + (
        ("acid enough, expected",) if acid else ()
    )
    return Table(
        f"Settings and times for {month_words(rows[0]['month'])}, from adding the starter. The first row is "
        "the usual practice.",
        heads,
        tuple(
            (
                f"{number(row['incubator_c'])} °C, {number(row['starter_g_kg'])} g/kg starter"
                + (" (trial vat first)" if row.get("trial_vat_first") or row.get("trial") else ""),
                clock_span(row.get("first_check_min")),
                clock_span(row.get("expected_min")),
                clock_span(row.get("latest_min")),
                "–"
                if missing(row.get("change_vs_usual_min"))
                else f"{signed(round(float(row['change_vs_usual_min'])))} min",
                *((clock_span(row.get("target_ph_expected_min")),) if acid else ()),
            )
            for row in rows
        ),
    )


def forecast_table(
    decisions: Mapping[str, Any], key: str, names: Mapping[str, str] | None = None, months: int = 3
) -> Table | None:
    """Return the forecast of fat and protein for the next months, with both intervals.

    Parameters
    ----------
    decisions
        Content of decisions.json.
    key
        ``milk_forecast`` or ``pot_forecast``.
    names
        Names of the sources by their ids.
    months
        How many months of the bulk milk or the pots; of each flock only the first is shown.
    """
    rows = [row for row in decisions.get(key) or [] if row["component"] in {"fat_g_100g", "protein_g_100g"}]
    if not rows:
        return None
    shown = sorted({row["month"] for row in rows})[:months]
    of_pot = key == "pot_forecast"
    whole = [row for row in rows if row.get("source", "bulk") == "bulk" and row["month"] in shown]
    flocks = [row for row in rows if row.get("source", "bulk") != "bulk" and row["month"] == shown[0]]
    return Table(
        f"Forecast of the {'pots' if of_pot else 'milk'}, g/100 g. The average is the month's; a single result "
        "varies more.",
        ("month", "what", "average", "9 in 10", "one result, 9 in 10"),
        tuple(
            (
                month_words(row["month"]),
                plain(row["component"]) + ("" if of_pot else f", {(names or {}).get(row['source'], row['source'])}"),
                number(row["mean"], 1),
                f"{number(row['mean_lo90'], 1)} to {number(row['mean_hi90'], 1)}",
                f"{number(row['one_lo90'], 1)} to {number(row['one_hi90'], 1)}",
            )
            for row in (*whole, *flocks)
        ),
    )


def outcomes_table(decisions: Mapping[str, Any]) -> Table | None:
    """Return what goes with set time, failed pots, firmness, whey and end pH, where it is told apart from nothing."""
    rows = [row for row in decisions.get("outcomes") or [] if not missing(row.get("effect"))]
    if not rows:
        return None
    told = [row for row in rows if float(row["lo90"]) > 0 or float(row["hi90"]) < 0]
    silent = len(rows) - len(told)
    return Table(
        "What goes together in these records; going together is no proof that one makes the other. Shown is "
        "what stands out from "
        f"chance; {silent} more do not. The last column says how much of the answer comes from this dairy's "
        "own records rather than "
        "from published knowledge.",
        ("what", "goes with", "effect", "9 in 10", "from own records"),
        tuple(
            (
                plain(row["outcome"]),
                plain(row["driver"]),
                f"{signed(row['effect'], 2)} {row['unit']}",
                f"{signed(row['lo90'], 2)} to {signed(row['hi90'], 2)}",
                "–" if missing(row.get("from_records")) else f"{round(100 * float(row['from_records']))} %",
            )
            for row in told
        ),
    )


def next_tests_table(decisions: Mapping[str, Any], names: Mapping[str, str] | None = None) -> Table | None:
    """Return the tests to buy next."""
    rows = decisions.get("next_tests") or []
    if not rows:
        return None
    return Table(
        "Tests to buy next, the most telling first.",
        ("month", "what", "of", "how many", "why"),
        tuple(
            (
                month_words(row["month"]),
                str(row["what"]),
                str((names or {}).get(row.get("source"), row.get("source")) or "–"),
                str(row["how_many"]),
                str(row["why"]),
            )
            for row in rows
        ),
    )


def track_table(decisions: Mapping[str, Any]) -> Table | None:
    """Return how good earlier forecasts for this dairy were."""
    rows = decisions.get("track_record") or []
    if not rows:
        return None
    return Table(
        "Earlier months decided again with what was known then, held against what was measured afterwards. "
        "Beside it the simplest "
        "rule: take the same month of last year.",
        (
            "what",
            "months ahead",
            "compared",
            "off by, on average",
            "last year's month off by",
            "inside the 90 % interval",
        ),
        tuple(
            (
                f"{row['what']}, {plain(row['component'])}",
                number(row["months_ahead"]),
                number(row["n"]),
                number(row["mean_abs_error"], 2),
                number(row["same_month_last_year"], 2),
                _in_hundred(row.get("inside_90")),
            )
            for row in rows
        ),
    )


def _label_row(row: Mapping[str, Any]) -> tuple[str, ...]:
    unit = row["unit"]
    name = str(row.get("printed_as") or plain(row["nutrient"])) + (f", {unit}" if row["nutrient"] == "energy" else "")
    ends = [row.get("ok_from"), row.get("ok_to")]
    window = "none" if any(missing(end) for end in ends) else f"{number(ends[0])}–{number(ends[1])}"
    tests = f"{row.get('n_tests', 0)} " if not missing(row.get("n_tests")) and row.get("n_tests") else ""
    return (
        name,
        _amount(row.get("on_pot_now"), unit),
        _in_hundred(row.get("on_pot_now_ok_worst_month")),
        _amount(row.get("declared"), unit),
        _in_hundred(row.get("ok_worst_month")),
        _month(row.get("worst_month")),
        _amount(row.get("cautious"), unit),
        window,
        f"{tests}{row.get('evidence', '')}".strip(),
    )


def _amount(value: object, unit: str) -> str:
    return "–" if missing(value) else f"{number(value)} {unit}"


def _in_hundred(value: object) -> str:
    return "–" if missing(value) else in_hundred(float(str(value)))


def _month(value: object) -> str:
    return "–" if missing(value) else month_name(str(value))


def with_rows(tables: Sequence[Table | None]) -> list[Table]:
    """Return the tables that have rows."""
    return [table for table in tables if table is not None and table.rows]
