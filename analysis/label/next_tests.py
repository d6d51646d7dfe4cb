"""What the next test is worth: preposterior analysis of pot composites and milk tests from the joint draws.

Model. For one line of the label let B_m be its mean true value in month m (a draw each), and y what a test in month k
would say: y = T_k + e, T_k the mean of what is measured in month k. Taken as jointly normal, the test moves the
expected B_m by g_m z with g_m = cov(B_m, T_k) / sd(y) and z standard normal before the test is made, and takes g_m^2
off the variance of a control reading (linear Bayes; Goldstein and Wooff 2007, Bayes Linear Statistics, ch. 3). With

    var(y) = var(T_k) + (variance of lots in the month + pot-to-pot^2 / pots + repeatability^2) / n + between-labs^2

for n tests. The worth of a test is the risk of the best label now less the expected risk of the best label after it,
over the months after the test, each weighted by its share of the year's production: a number from 0 up. Where costs are
given, risk is money: one control sample in a year, lost at ``failed_label``, and a new print run at ``print_run``.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from analysis.label.outlook import Array, Outlook, Pot
from analysis.label.panel import LineDecision, Panel
from analysis.label.rulebook import Claim
from analysis.label.values import limits_for
from analysis.records.dairy import Dairy
from analysis.records.months import month_words

POTS = 6
"""Pots in a composite that is proposed: that of a control sample where the rules fix no number (judgement)."""
HOW_MANY = (1, 2, 4)
MONTHS_AHEAD = 3
# Without costs a test is proposed from these on (judgement): half a point of risk, or a chance of one in ten to move a
# decision.
LEAST_DROP, LEAST_MOVE = 0.005, 0.10
_NODES = 24
_NEIGHBOURS = 10  # declarable values looked at on either side of the declared one
# What a milk test measures, for the lines of a label that it tells about.
_MILK = {
    "fat": "fat_g_100g",
    "saturates": "fat_g_100g",
    "protein": "protein_g_100g",
    "carbohydrate": "lactose_g_100g",
    "sugars": "lactose_g_100g",
}
_EQUAL = 1e-9


class Milk(Protocol):
    """What this module needs of a fitted milk model: draws of the coming milk and the error of one result."""

    @property
    def draws(self) -> xr.Dataset:
        """``milk`` and ``kg`` (draw, day, source[, component]), same draws and days as the pot."""
        ...

    @property
    def result_error(self) -> Mapping[str, float]:
        """What one result adds, sd by component."""
        ...


@dataclass(frozen=True)
class Watched:
    """A line of the label, or the margin of a claim, that a test could move.

    Parameters
    ----------
    name
        Key of the line, or the claim.
    means
        Mean true value (draw, month).
    within
        Variance of single lots within a month (month).
    error
        Variance that a control reading adds.
    low, high
        Limits of a control reading for each value looked at (value).
    now
        Index of the value on the pots, None where nothing is printed.
    stands
        Whether what is printed holds in every month now.
    test_error
        Variance of one composite besides the lots': pot-to-pot and repeatability; and between laboratories.
    milk_component
        What a milk test says about it, None where nothing.
    is_claim
        Whether it is a claim.
    """

    name: str
    means: Array
    within: Array
    error: float
    low: Array
    high: Array
    now: int | None
    stands: bool
    test_error: tuple[float, float]
    milk_component: str | None
    is_claim: bool


@dataclass(frozen=True)
class Plan:
    """Tests that could be bought, and what they would bring.

    Parameters
    ----------
    month
        Position of the month of sampling.
    what, source
        ``pot composite`` or ``milk test``, and of what.
    how_many
        Number of tests.
    drop
        Expected drop of the risk: of the share of control samples out of tolerance, weighted by production.
    moves
        Probability that a decision turns, by its words.
    worth, cost
        In money, None without costs.
    reason
        Why it is proposed whatever it is worth; empty where its worth is the reason.
    """

    month: int
    what: str
    source: str
    how_many: int
    drop: float
    moves: Mapping[str, float]
    worth: float | None
    cost: float | None
    reason: str = ""

    @property
    def net(self) -> float | None:
        """Worth less cost."""
        return None if self.worth is None or self.cost is None else self.worth - self.cost


def month_means(outlook: Outlook, values: Array) -> tuple[Array, Array]:
    """Return the mean of values (draw, day) over the milk days of each month that counts, and the variance within it.

    Returns
    -------
    tuple[ndarray, ndarray]
        Means (draw, month), a draw without milk in a month at the mean of the others; variance of single days (month).
    """
    starts = np.searchsorted(outlook.month_of_day, np.arange(len(outlook.all_months)))
    kept = np.where(outlook.milk, values, 0.0)
    days = np.maximum(outlook.milk_days, 1)
    means = np.add.reduceat(kept, starts, axis=1) / days
    squares = np.add.reduceat(kept**2, starts, axis=1) / days
    known = outlook.milk_days > 0
    centre = np.where(known, means, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    within = np.where(known, np.maximum(squares - means**2, 0.0), 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return np.where(known, means, centre)[:, outlook.counted], np.asarray(within[outlook.counted])


def watch_lines(panel: Panel) -> list[Watched]:
    """Return the printed lines with a tolerance, as something that a test could move."""
    return [_watch(panel, line) for line in panel.bounded]


def _watch(panel: Panel, line: LineDecision) -> Watched:
    assert line.curve is not None
    outlook, curve = panel.outlook, line.curve
    means, within = month_means(outlook, outlook.true_values(line.outlook.weights))
    middle = int(np.abs(curve.numbers - float(line.choice.declared)).argmin())
    values = list(curve.values[max(middle - _NEIGHBOURS, 0) : middle + _NEIGHBOURS + 1])
    now = None
    if line.on_pot is not None:
        if line.on_pot not in values:
            values.append(line.on_pot)
        now = values.index(line.on_pot)
    limits = [limits_for(line.line, value, line.ties) for value in values]
    ok = line.ok(line.on_pot)
    main = next(iter(line.outlook.weights))
    return Watched(
        name=line.line.key,
        means=means,
        within=within,
        error=outlook.control_sd(line.outlook.weights, panel.rules.control_pots) ** 2,
        low=np.array([-np.inf if limit.low is None else float(limit.low) for limit in limits]),
        high=np.array([np.inf if limit.high is None else float(limit.high) for limit in limits]),
        now=now,
        stands=ok is None or float(ok.min()) >= panel.wanted - _EQUAL,
        test_error=_test_error(outlook, line.outlook.weights),
        milk_component=_MILK.get(main) if line.line.nutrient in _MILK else None,
        is_claim=False,
    )


def _test_error(outlook: Outlook, weights: Mapping[str, float]) -> tuple[float, float]:
    """Return the variance of one composite that averages out over tests, and that between laboratories."""
    own = shared = 0.0
    for name, weight in weights.items():
        error = outlook.control[name]
        own += weight**2 * (error.pot_to_pot_sd**2 / POTS + error.repeat_sd**2)
        shared += weight**2 * error.between_lab_sd**2
    return own, shared


def watch_claims(panel: Panel, chances: Mapping[str, Array]) -> list[Watched]:
    """Return the claims that a test could turn, as margins: on the pots, or neither hopeless nor certain.

    Parameters
    ----------
    panel
        The panel.
    chances
        Probability by month of each claim that was judged.
    """
    found = []
    for claim in panel.rules.claims:
        weights = _margin(panel, claim)
        ok = chances.get(claim.claim)
        if weights is None or ok is None or not (claim in panel.claims or 0.3 < float(ok.min()) < 0.999):
            continue
        constant, parts = weights
        means, within = month_means(panel.outlook, panel.outlook.true_values(parts))
        found.append(
            Watched(
                name=claim.claim,
                means=means + constant,
                within=within,
                error=panel.outlook.control_sd(parts, panel.rules.control_pots) ** 2,
                low=np.zeros(1),
                high=np.full(1, np.inf),
                now=0,
                stands=float(ok.min()) >= panel.wanted - _EQUAL,
                test_error=_test_error(panel.outlook, parts),
                milk_component=None,
                is_claim=True,
            )
        )
    return found


def _margin(panel: Panel, claim: Claim) -> tuple[float, dict[str, float]] | None:
    """Return a claim as a margin that must not be negative: constant and weights; None where it is not that simple."""
    rules = panel.rules
    conditions = [condition for condition in claim.conditions if condition.measure != "recipe"]
    if len(conditions) != 1 or conditions[0].nutrient is None:
        return None
    condition = conditions[0]
    nutrient = str(condition.nutrient)
    sign = 1.0 if condition.at_least is not None else -1.0
    amount = rules.nutrient_weights(nutrient)
    if any(name not in panel.outlook.nutrients for name in amount):
        return None
    if condition.measure == "share of energy":
        energy = rules.energy_weights("kcal")
        if energy is None:
            return None
        per_gram = rules.energy_per_gram(nutrient, "kcal")
        margin = {name: -condition.threshold / 100 * weight for name, weight in energy.items()}
        for name, weight in amount.items():
            margin[name] = margin.get(name, 0.0) + per_gram * weight
        return 0.0, {name: sign * weight for name, weight in margin.items()}
    if condition.per == "100 kcal":
        return None
    grams = {"reference amount": rules.reference_amount_g, "serving": panel.portion_g}.get(condition.per or "", 100.0)
    if grams is None:
        return None
    threshold = condition.threshold
    if condition.measure == "share of daily value":
        threshold *= next(value for name, value, *_ in rules.daily_values if name == nutrient) / 100
    return -sign * threshold, {name: sign * weight * grams / 100 for name, weight in amount.items()}


def plans(panel: Panel, watched: Sequence[Watched], milk: Milk | None, dairy: Dairy, seed: int) -> list[Plan]:
    """Return every plan looked at, with what it would bring.

    Parameters
    ----------
    panel
        The panel whose label is at stake.
    watched
        Lines and claims that a test could move.
    milk
        The milk model, for milk tests; None leaves them out.
    dairy
        For its costs.
    seed
        Seed of the pairing of the lines' normal scores, the same for every plan.
    """
    rng = np.random.default_rng([seed, 51])
    nodes = ndtri((np.arange(_NODES) + 0.5) / _NODES)
    scores = [rng.permutation(nodes) for _ in watched]
    found: list[Plan] = []
    for month in range(min(MONTHS_AHEAD, len(panel.outlook.months) - 1)):
        for what, source, news in _sources(panel.outlook, watched, milk, month):
            found += [
                _weigh(panel, watched, scores, dairy, month, what, source, how_many, news) for how_many in HOW_MANY
            ]
    return found


# For each watched thing: what is measured (draw), variance that averages out, variance that does not; None if silent.
_News = list[tuple[Array, float, float] | None]


def _sources(
    outlook: Outlook, watched: Sequence[Watched], milk: Milk | None, month: int
) -> Iterator[tuple[str, str, _News]]:
    yield (
        "pot composite",
        "pots",
        [(own.means[:, month], float(own.within[month]) + own.test_error[0], own.test_error[1]) for own in watched],
    )
    if milk is None:
        return
    data, error = milk.draws, milk.result_error
    days = outlook.month_of_day == outlook.counted[month]
    values = data["milk"].transpose("source", "component", "draw", "day").values
    all_kg = data["kg"].transpose("source", "draw", "day").values
    components = [str(name) for name in data["component"].values]
    for place, source in enumerate(str(name) for name in data["source"].values):
        known = np.nan_to_num(all_kg[place][:, days]) > 0
        measured = {
            name: _measured(values[place, components.index(name)][:, days], known, error[name])
            for name in components
            if name in error
        }
        news = [None if own.milk_component is None else measured.get(own.milk_component) for own in watched]
        if any(item is not None for item in news):
            yield "milk test", source, news


def _measured(values: Array, milk: NDArray[np.bool_], error: float) -> tuple[Array, float, float] | None:
    """Return what one milk test of a month says: its mean by draw, and the variance that averages out; None if dry."""
    known = milk & np.isfinite(values)
    days = known.sum(axis=1)
    enough = days > 0
    if enough.mean() <= 0.5:
        return None
    kept = np.where(known, values, 0.0)
    means = kept.sum(axis=1) / np.maximum(days, 1)
    within = (np.where(known, values - means[:, None], 0.0) ** 2).sum(axis=1) / np.maximum(days, 1)
    return np.where(enough, means, means[enough].mean()), float(within[enough].mean()) + error**2, 0.0


def _weigh(
    panel: Panel,
    watched: Sequence[Watched],
    scores: Sequence[Array],
    dairy: Dairy,
    month: int,
    what: str,
    source: str,
    how_many: int,
    news: _News,
) -> Plan:
    """Return one plan with its expected drop of the risk, its worth and the decisions that it could turn."""
    share = panel.outlook.month_kg.copy()
    share[: month + 1] = 0.0
    keep_now = best_now = 0.0
    keep_after, best_after = np.zeros(_NODES), np.zeros(_NODES)
    label_stands = np.ones(_NODES, dtype=bool)
    moves: dict[str, float] = {}
    printed = False
    for own, score, item in zip(watched, scores, news, strict=True):
        ok = after_test(own, item, how_many, score)
        if own.is_claim:
            turned = float(((ok[0].min(axis=0) >= panel.wanted) != own.stands).mean())
            if item is not None and turned > 0:
                moves[f'the claim "{own.name}"'] = turned
            continue
        risk = np.einsum("vmz,m->vz", 1 - ok, share)
        best_after += risk.min(axis=0)
        best_now += float(risk.mean(axis=1).min())
        if own.now is None:
            keep_after += risk.min(axis=0)
            keep_now += float(risk.mean(axis=1).min())
        else:
            printed = True
            keep_after += risk[own.now]
            keep_now += float(risk[own.now].mean())
            if item is not None:
                label_stands &= ok[own.now].min(axis=0) >= panel.wanted
            elif not own.stands:
                label_stands &= False
    if printed:
        stands = all(own.stands for own in watched if not own.is_claim and own.now is not None)
        moves["whether the label on the pots stands"] = float((label_stands != stands).mean())
    drop = max(best_now - float(best_after.mean()), 0.0)
    costs = dairy.costs
    worth = cost = None
    price = costs.get("pot_composite" if what == "pot composite" else "milk_test")
    if "failed_label" in costs and price is not None:
        failed, run = costs["failed_label"], costs.get("print_run", 0.0) if printed else 0.0
        now = min(failed * keep_now, run + failed * best_now) if printed else failed * best_now
        after = np.minimum(failed * keep_after, run + failed * best_after) if printed else failed * best_after
        worth, cost = max(now - float(after.mean()), 0.0), price * how_many
    return Plan(month, what, source, how_many, drop, moves, worth, cost)


def after_test(own: Watched, news: tuple[Array, float, float] | None, how_many: int, score: Array) -> Array:
    """Return the probability within tolerance after a test (value, month, score); without news as it is now.

    Parameters
    ----------
    own
        The line or claim.
    news
        What the test measures in each draw, the variance that averages out over tests, and the one that does not.
    how_many
        Number of tests.
    score
        Standard normal scores of the result.
    """
    mean = own.means.mean(axis=0)
    variance = own.means.var(axis=0) + own.within + own.error
    shift = np.zeros_like(mean)
    if news is not None:
        measured, averaged, shared = news
        centred = measured - measured.mean()
        cov = (own.means - mean).T @ centred / len(centred)
        shift = cov / np.sqrt(max(float(centred.var()) + averaged / how_many + shared, 1e-12))
    sd = np.sqrt(np.maximum(variance - shift**2, 1e-12))[None, :, None]
    centre = (mean[:, None] + shift[:, None] * score[None, :])[None]
    chance: Array = ndtr((own.high[:, None, None] - centre) / sd) - ndtr((own.low[:, None, None] - centre) / sd)
    return chance


def worth_buying(found: Sequence[Plan]) -> Plan | None:
    """Return the plan to propose: the highest worth less cost, else the smallest that brings most; None if none."""
    priced = [plan for plan in found if plan.net is not None]
    if priced:
        best = max(priced, key=lambda plan: (round(plan.net or 0.0, 6), -plan.how_many, -plan.month))
        return best if (best.net or 0.0) > 0 else None
    telling = [plan for plan in found if plan.drop >= LEAST_DROP or max(plan.moves.values(), default=0) >= LEAST_MOVE]
    if not telling:
        return None

    def gain(plan: Plan) -> float:
        return plan.drop / LEAST_DROP + max(plan.moves.values(), default=0.0) / LEAST_MOVE

    most = max(gain(plan) for plan in telling)
    return min((plan for plan in telling if gain(plan) >= 0.8 * most), key=lambda plan: (plan.how_many, plan.month))


def first_own_evidence(found: Sequence[Plan], untested: Sequence[str]) -> Plan | None:
    """Return one pot composite next month for nutrients that no pot was ever tested for, None where all were.

    Published values may be declared, yet an authority asks for the maker's own evidence first, and a claim that stands
    on the pots without a test has none. No loss is put on that, so it is proposed whatever the composite is worth.

    Parameters
    ----------
    found
        The plans looked at.
    untested
        Nutrients on the pots, or in a claim on them, without any test.
    """
    plan = next((plan for plan in found if plan.what == "pot composite" and plan.how_many == 1), None)
    if plan is None or not untested:
        return None
    return replace(plan, reason=f"no test stands behind {', '.join(untested)} on the pots")


def why_plan(plan: Plan) -> str:
    """Return in one sentence why a plan is proposed."""
    said = [plan.reason] if plan.reason else []
    said += [f"lowers the expected share of control samples out of tolerance by {100 * plan.drop:.2g} points"]
    turning = {words: chance for words, chance in plan.moves.items() if chance >= 0.02}
    if turning:
        words, chance = max(turning.items(), key=lambda item: item[1])
        said.append(f"could turn {words} (about {chance:.0%})")
    if plan.worth is not None and plan.cost is not None:
        said.append(f"worth about {plan.worth:.0f} for {plan.cost:.0f}")
    return "; ".join(said)


def plan_row(panel: Panel, plan: Plan) -> dict[str, Any]:
    """Return the row of decisions.json."""
    return {
        "month": panel.outlook.months[plan.month],
        "what": plan.what,
        "source": plan.source,
        "how_many": plan.how_many,
        "why": why_plan(plan),
        "pots": POTS if plan.what == "pot composite" else None,
        "lowers_risk_by": plan.drop,
        "could_change": [words for words, chance in sorted(plan.moves.items()) if chance >= 0.02],
        "worth": plan.worth,
        "cost": plan.cost,
    }


def considered(panel: Panel, found: Sequence[Plan], chosen: Plan | None) -> pd.DataFrame:
    """Return the table of every plan looked at."""
    columns = ["rules", "month", "what", "source", "how_many", "lowers_risk_by", "moves", "worth", "cost", "chosen"]
    rows = [
        {
            "rules": panel.rules.name,
            "month": panel.outlook.months[plan.month],
            "what": plan.what,
            "source": plan.source,
            "how_many": plan.how_many,
            "lowers_risk_by": plan.drop,
            "moves": max(plan.moves.values(), default=0.0),
            "worth": plan.worth,
            "cost": plan.cost,
            "chosen": chosen is not None and _same(plan, chosen),
        }
        for plan in found
    ]
    return pd.DataFrame(rows, columns=columns)


def _same(one: Plan, other: Plan) -> bool:
    return (one.month, one.what, one.source, one.how_many) == (other.month, other.what, other.source, other.how_many)


def sampling_sheet(rows: Sequence[Mapping[str, Any]], dairy: Dairy) -> pd.DataFrame:
    """Return the sheet that goes with the sampler: one line a sample, with room for the day and the name."""
    names = {flock.id: flock.name for flock in dairy.flocks} | {"bulk": "the mixed vat milk", "pots": "the pots"}
    sheet = []
    for row in rows:
        pot = row["what"] == "pot composite"
        for number in range(1, int(row["how_many"]) + 1):
            how = (
                f"take {row['pots']} whole pots of one lot, from the first, middle and last of the filling; send them "
                "whole and unopened, to be mixed as one sample; ask for fat, saturates, carbohydrate, sugars, protein "
                "with its nitrogen factor, salt, calcium, lactic acid and total solids"
                if pot
                else "stir the tank well, take the sample from the middle, cool it at once, send it the same day; ask "
                "for fat, protein with its nitrogen factor, and lactose"
            )
            sheet.append(
                {
                    "month": month_words(row["month"]),
                    "number": number,
                    "of": int(row["how_many"]),
                    "what": row["what"],
                    "source": names.get(str(row["source"]), str(row["source"])),
                    "when": _when(number, int(row["how_many"])),
                    "how": how,
                    "sampled_on": "",
                    "by": "",
                }
            )
    columns = ["month", "number", "of", "what", "source", "when", "how", "sampled_on", "by"]
    return pd.DataFrame(sheet, columns=columns)


def _when(number: int, of: int) -> str:
    if of == 1:
        return "any making day"
    return f"a making day in part {number} of {of} of the month"


def milk_of(pot: Pot) -> Milk | None:
    """Return the milk model that a fitted pot carries, or None where it carries none."""
    milk = getattr(pot, "milk", None)
    return milk if milk is not None and hasattr(milk, "draws") and hasattr(milk, "result_error") else None
