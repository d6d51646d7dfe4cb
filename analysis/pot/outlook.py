"""The dairy's own firmness, whey and end pH: rows for the relations, and the outlook."""

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.pot import figures as fig
from analysis.pot.balance import concentration, soft_loss
from analysis.pot.figures import NUTRIENTS
from analysis.pot.joint import OUTPUTS, dairy_inputs
from analysis.pot.pairing import column
from analysis.pot.texture import PH_DROP_COLD, TextureFit, fit_texture

if TYPE_CHECKING:
    from analysis.pot.fit import PotFit

Array = NDArray[np.float64]


def mean_of_days(values: Array) -> Array:
    """Return the plain mean (draw, …) over the days with milk; draws without a day of milk are left out."""
    seen = np.isfinite(values)
    n = seen.sum(axis=1)
    total = np.where(seen, values, 0.0).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(n > 0, total / n, np.nan))


def texture(fit: "PotFit") -> list[TextureFit]:
    """Fit firmness, whey and end pH against what they go with."""
    tests, lots = fit.lots.tests, fit.lots.lots
    batches = fit.season.tables["batches"]
    lot = tests["lot"].to_numpy(dtype=np.intp)
    vat = lots["batch_row"].to_numpy(dtype=np.intp)[lot] if len(lots) else np.empty(0, dtype=np.intp)

    def of_vat(name: str) -> Array:
        values = np.append(column(batches, name), np.nan)
        return np.asarray(values[vat])

    fitted = fit.posterior.lot_pots[lot]
    ph = np.where(np.isfinite(tests["ph"]), tests["ph"], of_vat("end_ph") - PH_DROP_COLD.mean)
    rows = pd.DataFrame(
        {
            "file_row": tests["file_row"],
            "made_on": lots["made_on"].to_numpy()[lot],
            "protein_g_100g": tests["protein"].fillna(pd.Series(fitted[:, OUTPUTS.index("protein")])),
            "total_solids_g_100g": tests["total_solids"].fillna(pd.Series(fitted[:, OUTPUTS.index("total_solids")])),
            "ph": ph,
            "incubator_c": of_vat("incubator_c"),
            "starter_age_d": of_vat("starter_age_d"),
        }
    )
    usual = fit.season.dairy.usual
    year = pd.Timestamp(fit.season.cutoff) - pd.Timedelta(days=365)
    last = fit.vats[fit.vats["made_on"] > year]
    now = {"incubator_c": usual.incubator_c, "starter_age_d": _middle(column(batches, "starter_age_d"))}
    out = [fit_texture(name, rows.assign(value=tests[name]), now) for name in ("firmness_g", "whey_g_100g")]
    vats = pd.DataFrame(
        {
            "file_row": fit.vats["file_row"],
            "batch_id": fit.vats["batch_id"],
            "made_on": fit.vats["made_on"],
            "value": fit.vats["end_ph"],
            "protein_g_100g": fit.vats["milk_protein"],
            "moved_out_min": column(fit.vats, "moved_out_min"),
            "incubator_c": column(fit.vats, "incubator_c"),
            "log2_starter_g_kg": np.log2(
                np.where(column(fit.vats, "starter_g_kg") > 0, column(fit.vats, "starter_g_kg"), np.nan)
            ),
            "starter_age_d": column(fit.vats, "starter_age_d"),
        }
    )
    now |= {
        "moved_out_min": _middle(column(last, "moved_out_min")),
        "log2_starter_g_kg": float(np.log2(usual.starter_g_kg)),
    }
    out.append(fit_texture("end_ph", vats, now))
    return out


def _middle(values: Array) -> float:
    return float(np.nanmedian(values)) if np.isfinite(values).any() else float("nan")


def outlook(
    fit: "PotFit", months: dict[str, NDArray[np.bool_]], texture: list[TextureFit], rng: np.random.Generator
) -> list[dict[str, Any]]:
    """Return pot_outlook: the month's average firmness, whey and end pH, null where the level cannot be known."""
    pot = fit.draws["pot"].values
    inputs = dairy_inputs(fit.posterior, fit.state)
    k = concentration(soft_loss(inputs["loss"]))
    place = {n: i for i, n in enumerate(NUTRIENTS)}
    out: list[dict[str, Any]] = []
    for ahead, (month, of) in enumerate(months.items(), start=1):
        means = mean_of_days(pot[:, of])
        means = np.where(np.isfinite(means), means, np.nanmean(means, axis=0))
        drivers = {
            "protein_g_100g": means[:, place["protein"]],
            "total_solids_g_100g": means[:, place["total_solids"]],
            "ph": inputs["ph"] + fig.PH_PER_ACID * (means[:, place["lactic_acid"]] - fig.LACTIC_ACID.mean),
        }
        for one in texture:
            # End pH goes with the milk's protein, the others with the pot's.
            moved = {"protein_g_100g": drivers["protein_g_100g"] / k} if one.outcome == "end_ph" else drivers
            said = one.monthly(moved, ahead, rng, len(pot))
            mean, low, high = said if said is not None else (None, None, None)
            out.append({"month": month, "outcome": one.outcome, "mean": mean, "lo90": low, "hi90": high})
    return out


def texture_rows(fits: list[TextureFit]) -> pd.DataFrame:
    """Return the rows of several relations in one table."""
    return pd.concat([t.rows.assign(outcome=t.outcome) for t in fits], ignore_index=True)
