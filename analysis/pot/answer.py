"""What the pot room says: forecasts, outlook, outcomes, tables and flags."""

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.pot import figures as fig
from analysis.pot.figures import COLUMN, NUTRIENTS
from analysis.pot.joint import DAIRY
from analysis.pot.outlook import mean_of_days, outlook, texture, texture_rows
from analysis.pot.raw_milk import cautions, rolling_means
from analysis.pot.said import pot_flags, texture_flags
from analysis.pot.tables import evaporation, evidence_table, milk_and_pot, month_table, pairs
from analysis.records.findings import Answer, in_order

if TYPE_CHECKING:
    from analysis.pot.fit import PotFit

Array = NDArray[np.float64]
_SEED = 20_418
_ENOUGH_DAYS = 10
_RESULTS_A_DRAW = 3


def answer_of(fit: "PotFit") -> Answer:
    """Return the pot's share of decisions.json, tables and flags.

    Parameters
    ----------
    fit
        The fit.

    Returns
    -------
    Answer
        ``decisions``: pot_forecast, pot_outlook, outcomes (firmness, whey, end pH). ``tables``: ``pot_pairs`` (each
        result beside what all others lead to expect), ``pot_milk`` (milk and pot of each lot), ``evaporation``,
        ``evaporation_vats``, ``pot_months``, ``pot_evidence``, ``texture``, ``texture_rows``, ``end_ph``,
        ``plate_count``.
    """
    rng = np.random.default_rng([_SEED, *(int(part) for part in fit.season.month.split("-"))])
    months = _months(fit)
    relations = texture(fit)
    ahead = outlook(fit, months, relations, rng)
    paired = pairs(fit)
    counts = rolling_means(fit.season.tables["milk_tests"], fit.season.dairy.rules)
    effects = [row for t in relations for row in t.effects()]
    return Answer(
        decisions={
            "pot_forecast": _forecast(fit, months, rng),
            "pot_outlook": ahead,
            "outcomes": effects,
        },
        tables={
            "pot_pairs": paired,
            "pot_milk": milk_and_pot(fit),
            "evaporation": evaporation(fit),
            "evaporation_vats": fit.loss.weighed,
            "pot_months": month_table(fit, months),
            "pot_evidence": evidence_table(fit),
            "texture": pd.DataFrame(effects),
            "texture_rows": texture_rows([t for t in relations if t.outcome != "end_ph"]),
            "end_ph": texture_rows([t for t in relations if t.outcome == "end_ph"]).assign(
                target_ph=fit.season.dairy.limits.target_ph
            ),
            "plate_count": counts,
        },
        flags=in_order(
            [
                *pot_flags(fit, paired),
                *texture_flags(fit, relations, ahead),
                *cautions(counts, fit.season.month, fit.season.dairy.rules),
            ]
        ),
    )


def _months(fit: "PotFit") -> dict[str, NDArray[np.bool_]]:
    """Return the months to come in which at least ten days with milk are likelier than not, with their days."""
    days = pd.DatetimeIndex(fit.draws["day"].values)
    label = days.strftime("%Y-%m").to_numpy(dtype=object)
    has = fit.draws["kg"].values > 0
    out: dict[str, NDArray[np.bool_]] = {}
    for month in dict.fromkeys(label):
        of = label == month
        if np.mean(has[:, of].sum(axis=1) >= _ENOUGH_DAYS) > 0.5:
            out[str(month)] = of
    return out


def _last_lab(fit: "PotFit", nutrient: str) -> tuple[str, float, float]:
    """Return the lab that last measured a nutrient, its usual pots in a composite, and the acid in its carbohydrate."""
    tests = fit.lots.tests[fit.lots.tests[nutrient].notna()]
    if tests.empty:
        return "", fig.USUAL_COMPOSITE, 0.0
    last = tests.sort_values(["sampled_on", "file_row"], kind="stable").iloc[-1]
    return str(last["lab"]), float(last["pots"]), float(last["holds_acid"])


def _lab_offset(fit: "PotFit", lab: str, nutrient: str, rng: np.random.Generator) -> Array:
    """Return draws (draw,) of what a lab reads above the reference lab; an unknown lab errs as a competent one does."""
    draws = len(fit.state)
    between = fit.control[nutrient].between_lab_sd
    if not lab:
        return between * rng.standard_normal(draws)
    if (lab, nutrient) not in fit.posterior.results.labs:
        return np.zeros(draws)
    place = len(DAIRY) + fit.posterior.results.labs.index((lab, nutrient))
    return float(np.sqrt(2.0)) * between * fit.state[:, place]


def _forecast(fit: "PotFit", months: dict[str, NDArray[np.bool_]], rng: np.random.Generator) -> list[dict[str, Any]]:
    """Return pot_forecast: the month's true mean, and one new result that the lab last used would report."""
    pot, difference = fit.draws["pot"].values, fit.draws["by_difference"].values
    noise = float(fit.posterior.probability @ fit.posterior.noise)
    rows: list[dict[str, Any]] = []
    labs = {n: _last_lab(fit, n) for n in NUTRIENTS}
    offsets = {n: _lab_offset(fit, labs[n][0], n, rng) for n in NUTRIENTS}
    draws = len(pot)
    for month, of in months.items():
        values = pot[:, of]
        means = mean_of_days(values)
        gathered = difference[:, of]
        # A day with milk at random: the largest of random keys among them.
        key = np.where(np.isfinite(gathered), rng.random((_RESULTS_A_DRAW, *gathered.shape)), -1.0)
        day = key.argmax(axis=2)
        at = np.arange(draws)
        for i, nutrient in enumerate(NUTRIENTS):
            _, pots, acid = labs[nutrient]
            control = fit.control[nutrient]
            if acid > 0.5:
                control = fig.CONTROL_BY_DIFFERENCE
            sd = noise * float(np.hypot(control.pot_to_pot_sd / np.sqrt(pots), control.repeat_sd))
            true = values[at, day, i]
            if acid > 0.0:
                true = true + acid * (gathered[at, day] - true)
            error = sd * rng.standard_t(4.0, size=true.shape)
            one = (true + offsets[nutrient] + error).ravel()
            mean = means[:, i]
            mean_lo, mean_hi = np.nanquantile(mean, [0.05, 0.95])
            one_lo, one_hi = np.nanquantile(one, [0.05, 0.95])
            rows.append(
                {
                    "month": month,
                    "component": COLUMN[nutrient],
                    "mean": float(np.nanmean(mean)),
                    "mean_lo90": float(mean_lo),
                    "mean_hi90": float(mean_hi),
                    "one_lo90": float(max(one_lo, 0.0)),
                    "one_hi90": float(one_hi),
                }
            )
    return rows
