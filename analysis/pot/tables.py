"""Tidy tables of the pot room: every figure is drawn from these."""

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.pot import figures as fig
from analysis.pot.balance import concentration, soft_loss
from analysis.pot.figures import NUTRIENTS
from analysis.pot.joint import OUTPUTS, dairy_inputs
from analysis.pot.regression import odd_beyond

if TYPE_CHECKING:
    from analysis.pot.fit import PotFit

_SEED = 20_419
_EVERY = 4
"""Every fourth draw is enough for the quantiles of a figure."""


def month_table(fit: "PotFit", months: dict[str, NDArray[np.bool_]]) -> pd.DataFrame:
    """Return the true content of a lot of a random day by month: quantiles, for figures."""
    at = [0.05, 0.25, 0.5, 0.75, 0.95]
    out: list[dict[str, Any]] = []
    for month, of in months.items():
        lots = fit.draws["pot"].values[::_EVERY, of].reshape(-1, len(NUTRIENTS))
        lots = lots[np.isfinite(lots[:, 0])]
        for i, nutrient in enumerate(NUTRIENTS):
            cut = np.quantile(lots[:, i], at)
            out.append(
                {
                    "month": month,
                    "nutrient": nutrient,
                    **{f"q{int(100 * q):02d}": c for q, c in zip(at, cut, strict=True)},
                }
            )
    return pd.DataFrame(out, columns=["month", "nutrient", *(f"q{int(100 * q):02d}" for q in at)])


def pairs(fit: "PotFit") -> pd.DataFrame:
    """Return every pot result beside what mass balance and all other results lead to expect of it."""
    res = fit.posterior.results
    of_pot = res.test >= 0
    half = 1.645 * np.hypot(fit.posterior.expected_sd, res.sd)[of_pot]
    test = res.test[of_pot]
    lot = res.lot[of_pot]
    odd = np.abs(fit.posterior.distance) > odd_beyond(len(res.y))
    return pd.DataFrame(
        {
            "file_row": fit.lots.tests["file_row"].to_numpy()[test],
            "batch_id": fit.lots.lots["batch_id"].to_numpy(dtype=object)[lot],
            "made_on": fit.lots.lots["made_on"].to_numpy()[lot],
            "lab": fit.lots.tests["lab"].to_numpy(dtype=object)[test],
            "nutrient": np.asarray(res.name, dtype=object)[of_pot],
            "measured": res.y[of_pot],
            "expected": fit.posterior.expected[of_pot],
            "lo90": fit.posterior.expected[of_pot] - half,
            "hi90": fit.posterior.expected[of_pot] + half,
            "distance": fit.posterior.distance[of_pot],
            "weight": fit.posterior.weight[of_pot],
            "odd": odd[of_pot],
        }
    )


def milk_and_pot(fit: "PotFit") -> pd.DataFrame:
    """Return fat and protein of each tested lot: milk as the model and as the vat has it, and pot as fitted."""
    out: list[pd.DataFrame] = []
    for i, part in enumerate(("fat", "protein")):
        out.append(
            pd.DataFrame(
                {
                    "batch_id": fit.lots.lots["batch_id"],
                    "made_on": fit.lots.lots["made_on"],
                    "nutrient": part,
                    "milk": fit.lot_milk[:, i],
                    "milk_lo90": fit.lot_milk[:, i] - 1.645 * fit.lot_milk_sd[:, i],
                    "milk_hi90": fit.lot_milk[:, i] + 1.645 * fit.lot_milk_sd[:, i],
                    "vat": fit.lots.lots[part],
                    "pot_fitted": fit.posterior.lot_pots[:, OUTPUTS.index(part)],
                    "pot_measured": fit.lots.tests.groupby("lot")[part]
                    .mean()
                    .reindex(range(len(fit.lots.lots)))
                    .to_numpy(),
                }
            )
        )
    return pd.concat(out, ignore_index=True)


def evaporation(fit: "PotFit") -> pd.DataFrame:
    """Return the share of water lost: before any record, as weighed, and with the pot tests."""
    rng = np.random.default_rng(_SEED)
    weighed = soft_loss(fit.loss.line_mean + fit.loss.line_sd * rng.standard_normal(4000))
    final = soft_loss(dairy_inputs(fit.posterior, fit.state)["loss"])
    rows = [
        {
            "stage": "before the records",
            "loss": fig.WATER_LOST.mean,
            "lo90": 0.0,
            "hi90": fig.WATER_LOST.mean + 1.645 * fig.WATER_LOST.sd,
            "rows": 0,
        }
    ]
    for stage, drawn, n in (
        ("as weighed", weighed, len(fit.loss.weighed)),
        ("with the pot tests", final, len(fit.lots.tests)),
    ):
        low, high = np.quantile(drawn, [0.05, 0.95])
        rows.append({"stage": stage, "loss": float(drawn.mean()), "lo90": float(low), "hi90": float(high), "rows": n})
    table = pd.DataFrame(rows)
    return table.assign(concentration=concentration(table["loss"].to_numpy()))


def evidence_table(fit: "PotFit") -> pd.DataFrame:
    """Return what each nutrient rests on, and what a control sample of six pots adds."""
    return pd.DataFrame(
        [
            {
                "nutrient": n,
                "n_tests": e.n_tests,
                "newest": "" if e.newest is None else e.newest.isoformat(),
                "basis": e.basis,
                "factor_unknown": e.factor_unknown,
                "control_sd": fit.control[n].result_sd(fig.USUAL_COMPOSITE),
                "control_source": f"{fit.control[n].source} ({fit.control[n].mark})",
            }
            for n, e in fit.evidence.items()
        ]
    )
