"""Raw milk: plate count against the rule that holds, and cells as a note on quality.

The rules are data, each with its source. They are a reminder, not a release: the local code, the competent authority
and the dairy's own hygiene plan decide.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.pot.figures import Mark
from analysis.pot.pairing import BULK, column, words
from analysis.records.findings import Finding, note, warning
from analysis.records.months import add_months, month_words

PLAN = "the competent authority, the local code and the dairy's own hygiene plan say what follows"


@dataclass(frozen=True)
class RawMilkRule:
    """One limit for raw milk.

    Attributes
    ----------
    rules : tuple of str
        Rulebooks under which it is shown.
    column : str
        Column of milk_tests.csv.
    limit : float
        In the column's unit.
    months : int
        Months over which the geometric mean rolls (1: each result).
    samples_a_month : int
        Samples a month that the rule asks for.
    hygiene : bool
        A hygiene rule, or a note on quality only.
    source : str
    mark : str
    """

    rules: tuple[str, ...]
    column: str
    limit: float
    months: int
    samples_a_month: int
    hygiene: bool
    source: str
    mark: Mark


RULES: tuple[RawMilkRule, ...] = (
    RawMilkRule(
        ("eu", "gb"), "plate_count_1000_cfu_ml", 1500.0, 2, 2, True,
        "Regulation (EC) No 853/2004, Annex III, Section IX, species other than cows: plate count at 30 C at most "
        "1 500 000 per ml, rolling geometric mean over two months, at least two samples a month; no limit for cells",
        "verified",
    ),
    RawMilkRule(
        ("us",), "plate_count_1000_cfu_ml", 100.0, 1, 1, True,
        "Pasteurized Milk Ordinance, Grade A: at most 100 000 per ml, a producer's milk before mixing", "verified",
    ),
    RawMilkRule(
        ("us",), "somatic_cells_1000_ml", 750.0, 1, 1, True,
        "Pasteurized Milk Ordinance, sheep: at most 750 000 cells per ml", "from memory",
    ),
    RawMilkRule(
        (), "somatic_cells_1000_ml", 1500.0, 2, 1, False,
        "quality, no legal limit for ewes' milk in the EU: bulk milk usually 0.75-1.5 million (Sevi et al. 2004); many "
        "cells go with weak gels and whey (Vivar-Quintana et al. 2006)",
        "judgement",
    ),
)  # fmt: skip
_NAMES = {"plate_count_1000_cfu_ml": "plate count", "somatic_cells_1000_ml": "somatic cells"}


def rules_for(rulebooks: tuple[str, ...]) -> tuple[RawMilkRule, ...]:
    """Return the rules of the rulebooks in use, and the quality note where none of them limits cells."""
    held = tuple(r for r in RULES if set(r.rules) & set(rulebooks))
    limited = {r.column for r in held}
    return held + tuple(r for r in RULES if not r.rules and r.column not in limited)


def rolling_means(milk_tests: pd.DataFrame, rulebooks: tuple[str, ...]) -> pd.DataFrame:
    """Return each source's geometric mean, month by month, over the months that each rule says.

    Parameters
    ----------
    milk_tests
        Table of a Season.
    rulebooks
        Rulebooks in use.

    Returns
    -------
    DataFrame
        ``rules, measure, month, source, n, fewest_in_a_month, geometric_mean, limit, above, hygiene``; unit of the
        measure's column. A month is there where the source was sampled in it.
    """
    out: list[dict[str, object]] = []
    month = milk_tests["sampled_on"].dt.strftime("%Y-%m").to_numpy(dtype=object)
    source = words(milk_tests, "source").replace("", BULK).to_numpy(dtype=object)
    for rule in rules_for(rulebooks):
        value = column(milk_tests, rule.column)
        use = np.isfinite(value) & (value > 0)
        for one in sorted(set(source[use])):
            of = use & (source == one)
            logs: dict[str, list[float]] = {}
            for when, log in zip(month[of], np.log(value[of]), strict=True):
                logs.setdefault(str(when), []).append(float(log))
            for now in sorted(logs):
                seen = [logs.get(add_months(now, -k), []) for k in range(rule.months)]
                n = sum(len(one_month) for one_month in seen)
                mean = float(np.exp(sum(sum(one_month) for one_month in seen) / n))
                out.append(
                    {
                        "rules": ",".join(rule.rules) or "quality",
                        "measure": rule.column,
                        "month": now,
                        "source": str(one),
                        "n": n,
                        "fewest_in_a_month": min(len(one_month) for one_month in seen),
                        "geometric_mean": mean,
                        "limit": rule.limit,
                        "above": mean > rule.limit,
                        "hygiene": rule.hygiene,
                    }
                )
    names = [
        "rules",
        "measure",
        "month",
        "source",
        "n",
        "fewest_in_a_month",
        "geometric_mean",
        "limit",
        "above",
        "hygiene",
    ]
    return pd.DataFrame(out, columns=names)


def cautions(means: pd.DataFrame, month: str, rulebooks: tuple[str, ...]) -> list[Finding]:
    """Return what the newest months have to say, one finding a rule, for months no older than two before ``month``.

    Parameters
    ----------
    means
        From ``rolling_means``.
    month
        The month under review.
    rulebooks
        Rulebooks in use, the home one first; only the home one's limits are warnings, others are notes.
    """
    out: list[Finding] = []
    if means.empty:
        return out
    recent = means[means["month"] >= add_months(month, -2)]
    newest = recent.groupby(["rules", "measure", "source"], sort=True).tail(1)
    for rule in rules_for(rulebooks):
        mine = newest[(newest["rules"] == (",".join(rule.rules) or "quality")) & (newest["measure"] == rule.column)]
        name = _NAMES[rule.column]
        where = {"file": "milk_tests.csv", "column": rule.column}
        over = mine[mine["above"]].to_dict("records")
        each = ", ".join(f"{row['source']} {row['geometric_mean']:.0f} ({month_words(row['month'])})" for row in over)
        kind = f"geometric mean over {rule.months} months" if rule.months > 1 else "geometric mean of the month"
        if over and rule.hygiene:
            say = warning if rulebooks and rulebooks[0] in rule.rules else note
            code = "plate-count-high" if name == "plate count" else "cells-high"
            text = f"{name} of raw milk, {kind}, in 1000 per ml: {each}"
            expected = f"at most {rule.limit:.0f} under {', '.join(rule.rules)} ({rule.source}; {rule.mark})"
            advice = f"look at milking hygiene, udder health and cooling; {PLAN}"
            out.append(say(code, text, **where, expected=expected, advice=advice))
        elif over:
            text = f"{name} of raw milk, {kind}, in 1000 per ml: {each}; {rule.source}"
            advice = "a note on quality: have the udders looked at"
            out.append(note("cells-many", text, **where, expected=f"usually below {rule.limit:.0f}", advice=advice))
        few = sorted(mine.loc[mine["fewest_in_a_month"] < rule.samples_a_month, "source"])
        if rule.hygiene and few and rule.samples_a_month > 1:
            text = (
                f"the rule for the {name} asks for {rule.samples_a_month} samples a month over {rule.months} months; "
                f"there are fewer of {', '.join(few)}"
            )
            out.append(note("plate-count-few", text, **where, advice=PLAN))
    return out
