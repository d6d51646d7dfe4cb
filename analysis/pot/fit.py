"""From a season and its milk to joint draws of what is in the pot on every day to come."""

from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from analysis.pot import figures as fig
from analysis.pot.answer import answer_of
from analysis.pot.balance import pot_of, with_starter
from analysis.pot.figures import CONTROL, NUTRIENTS, ControlError
from analysis.pot.joint import (
    DAIRY,
    MilkMoves,
    Posterior,
    dairy_inputs,
    fit_joint,
    lot_from,
    lot_sds,
    milk_moves,
    year_angle,
)
from analysis.pot.loss import LossFit, fit_loss
from analysis.pot.pairing import BULK, Lots, Milk, column, dates, milk_of, pair, words
from analysis.records.findings import Answer
from analysis.records.season import Season

Array = NDArray[np.float64]
Basis = Literal["pot tests", "milk tests and mass balance", "handbook values"]
_SEED = 20_417
_LEAST_MILK = 0.5
_NEWEST_VATS = 300
_FROM_MILK = {
    "fat": ("fat_g_100g",),
    "protein": ("protein_g_100g",),
    "sugars": ("lactose_g_100g",),
    "carbohydrate": ("lactose_g_100g",),
    "total_solids": ("fat_g_100g", "protein_g_100g"),
}
"""Nutrients that milk tests and mass balance give, and the milk columns that they need; the rest are handbook values
times the concentration until pots are tested (saturates: the share of fat)."""


@dataclass(frozen=True)
class Evidence:
    """What a nutrient's draws rest on.

    Attributes
    ----------
    n_tests : int
        Pot tests with a result for it.
    newest : date or None
        Day on which the newest of them was sampled.
    basis : str
        ``pot tests``, ``milk tests and mass balance`` or ``handbook values``.
    factor_unknown : int
        Protein results without a nitrogen factor, taken as 6.38 (0 for other nutrients).
    """

    n_tests: int
    newest: date | None
    basis: Basis
    factor_unknown: int = 0


@dataclass(frozen=True)
class PotFit:
    """What is in the pots of the coming year, and what it rests on.

    Attributes
    ----------
    draws : xarray.Dataset
        ``pot`` (draw, day, nutrient): true content of a whole pot made that day from the bulk milk, per 100 g, one lot
        a day, NaN where there is no milk; carbohydrate without acid, protein N x 6.38. ``by_difference`` (draw, day):
        carbohydrate as 100 less water, fat, protein and ash, which holds the acid. ``kg`` (draw, day) of milk.
    control : dict
        By nutrient, what a control sample adds (a competent lab other than the dairy's own).
    evidence : dict
        By nutrient.
    season : Season
    lots : Lots
        The pot tests and their lots.
    loss : LossFit
        Water lost as weighed.
    posterior : Posterior
    state : array (draw, S)
        Posterior draws of the unknowns, see ``analysis.pot.joint``.
    reference_lab : str
        The lab taken as right in pot tests, "" where none has tested.
    lot_milk : array (lot, 3), lot_milk_sd : array (lot, 3)
        Milk of the tested lots as the milk model has it.
    vats : DataFrame
        The newest vats with an end pH: the batch table, and ``milk_protein`` as tested or as the milk model has it.
    milk : Milk
        The milk model's fit, whose draws are those of the pots: what a milk test would say is weighed with it.
    """

    draws: xr.Dataset
    control: dict[str, ControlError]
    evidence: dict[str, Evidence]
    season: Season
    lots: Lots
    loss: LossFit
    posterior: Posterior
    state: Array
    reference_lab: str
    lot_milk: Array
    lot_milk_sd: Array
    vats: pd.DataFrame
    milk: Milk

    def answer(self) -> Answer:
        """Return pot_forecast, pot_outlook, the pot's share of outcomes, tables and flags."""
        return answer_of(self)


def generator(season: Season, room: int = _SEED) -> np.random.Generator:
    """Return the generator of this room for a month: same month, same numbers."""
    return np.random.default_rng([room, *(int(part) for part in season.month.split("-"))])


def reference_lab(season: Season, lots: Lots) -> str:
    """Return the lab taken as right: the dairy's, else one by the reference method, else that with most results."""
    labs = lots.tests["lab"]
    if labs.empty:
        return ""
    named = season.dairy.reference_lab
    if named and (labs == named).any():
        return str(named)
    tests = season.tables["pot_tests"]
    of_reference = words(tests, "lab")[words(tests, "method") == "reference"]
    counts = labs[labs.isin(set(of_reference))].value_counts()
    if counts.empty:
        counts = labs.value_counts()
    most = counts[counts == counts.max()].index
    return str(min(most))


def fit_pot(season: Season, milk: Milk) -> PotFit:
    """Fit the pot model and draw the pots of the coming year.

    Parameters
    ----------
    season
        The records as of a month.
    milk
        The milk model's fit (``draws`` and ``on_days``).

    Returns
    -------
    PotFit

    Notes
    -----
    The model is described in ``analysis.pot.joint``. Without pot tests the draws are the mass balance with its priors:
    wide, and said so by ``evidence`` and a flag.
    """
    rng = generator(season)
    lots = pair(season.tables["pot_tests"], season.tables["batches"])
    loss = fit_loss(season.tables["batches"])
    n_draws = int(milk.draws.sizes["draw"])
    vats = _vats_with_end_ph(season)
    n = len(lots.lots)
    # One day a month and source is enough for what end pH goes with.
    month = vats["made_on"].dt.strftime("%Y-%m") + " " + vats["source"]
    first = vats.loc[~month.duplicated(), ["made_on", "source"]]
    asked = pd.concat([lots.lots[["made_on", "source"]], first], ignore_index=True)
    every = milk_of(milk, asked) if len(asked) else np.empty((n_draws, 0, 3))
    drawn = every[:, :n]
    protein = dict(zip(month[~month.duplicated()], every[:, n:, 1].mean(axis=0), strict=True))
    if n:
        moves = milk_moves(drawn)
        lot_sd = drawn.std(axis=0)
    else:
        moves = MilkMoves(np.empty((0, 3)), np.empty((n_draws, 0)), np.empty((0, 3, 0)), np.empty((0, 3, 3)))
        lot_sd = np.empty((0, 3))
    lab = reference_lab(season, lots)
    posterior = fit_joint(lots, loss, moves, lab)
    state, before, point = posterior.draw(moves.factors, rng)
    draws = _pots_to_come(season, milk.draws, posterior, state, before, point, moves.factors.shape[1], rng)
    return PotFit(
        draws=draws,
        control=dict(CONTROL),
        evidence=_evidence(season, lots),
        season=season,
        lots=lots,
        loss=loss,
        posterior=posterior,
        state=state,
        reference_lab=lab,
        lot_milk=moves.mean,
        lot_milk_sd=lot_sd,
        vats=vats.assign(milk_protein=vats["protein_g_100g"].fillna(month.map(protein))),
        milk=milk,
    )


def _pots_to_come(
    season: Season,
    coming: xr.Dataset,
    posterior: Posterior,
    state: Array,
    before: Array,
    point: NDArray[np.intp],
    k: int,
    rng: np.random.Generator,
) -> xr.Dataset:
    """Draw one lot for each day to come from its milk, moved by what the pots said about the milk."""
    bulk = coming["milk"].sel(source=BULK, component=list(fig.MILK_COMPONENTS)).transpose("draw", "day", "component")
    milk = np.array(bulk.values, dtype=np.float64)
    kg = np.asarray(coming["kg"].sel(source=BULK).transpose("draw", "day").values, dtype=np.float64)
    draws, days, parts = milk.shape
    if k:
        # What the tested pots say about the milk itself carries over as far as the milk draws tie the days together.
        n_milk = np.maximum(np.isfinite(milk).sum(axis=0), 1)
        off = np.nan_to_num(milk - np.nansum(milk, axis=0) / n_milk).reshape(draws, days * parts)
        factors = before[:, state.shape[1] - k :]
        loadings = factors.T @ off / np.repeat(n_milk.max(axis=1), parts)
        milk += ((state[:, state.shape[1] - k :] - factors) @ loadings).reshape(draws, days, parts)
    np.maximum(milk, _LEAST_MILK, out=milk)
    milk = _stirred_in(season, milk)
    dairy = {name: value[:, None] for name, value in dairy_inputs(posterior, state).items()}
    angle = year_angle(np.asarray(coming["day"].values, dtype="datetime64[D]"))
    for swing, shape in (("share_cos", np.cos(angle)), ("share_sin", np.sin(angle))):
        sd = posterior.moves[swing][1]
        dairy["share"] = dairy["share"] + sd * state[:, [DAIRY.index(swing)]] * shape
    for name, sd in lot_sds(1.0, 1.0).items():
        scale = posterior.loss_sd[point] if name == "loss" else posterior.spread[point]
        dairy[name] = dairy[name] + sd * scale[:, None] * rng.standard_normal((draws, days))
    pots = pot_of(lot_from({"fat": milk[..., 0], "protein": milk[..., 1], "lactose": milk[..., 2], **dairy}))
    dry = np.isnan(milk[..., 0])
    out = np.empty((draws, days, len(NUTRIENTS)))
    for i, name in enumerate(NUTRIENTS):
        out[..., i] = pots[name]
    out[dry] = np.nan
    return xr.Dataset(
        {
            "pot": (("draw", "day", "nutrient"), out),
            "by_difference": (("draw", "day"), np.where(dry, np.nan, pots["by_difference"])),
            "kg": (("draw", "day"), kg),
        },
        coords={"draw": coming["draw"].values if "draw" in coming.coords else np.arange(draws),
                "day": coming["day"].values, "nutrient": list(NUTRIENTS)},
    )  # fmt: skip


def _stirred_in(season: Season, milk: Array) -> Array:
    """Mix in the milk of the old yogurt, some days before: its milk is what sets starter and lot apart."""
    age = column(season.tables["batches"], "starter_age_d")
    lag = int(np.clip(np.nanmedian(age), 1, 30)) if np.isfinite(age).any() else 4
    if milk.shape[1] <= lag:
        return milk
    older = milk.copy()
    older[:, lag:] = milk[:, :-lag]
    older = np.where(np.isnan(older), milk, older)
    return with_starter(milk, older, season.dairy.usual.starter_g_kg)


def _vats_with_end_ph(season: Season) -> pd.DataFrame:
    """Return the newest vats with an end pH and a day, empty sources taken as bulk."""
    batches = season.tables["batches"]
    use = np.isfinite(column(batches, "end_ph")) & dates(batches, "made_on").notna().to_numpy()
    vats = batches[use].sort_values("made_on", kind="stable").tail(_NEWEST_VATS).reset_index(drop=True)
    return vats.assign(source=words(vats, "source").replace("", BULK), protein_g_100g=column(vats, "protein_g_100g"))


def _evidence(season: Season, lots: Lots) -> dict[str, Evidence]:
    """Count, by nutrient, what the draws rest on."""
    tested = season.tables["milk_tests"]
    out: dict[str, Evidence] = {}
    for nutrient in NUTRIENTS:
        has = lots.tests[nutrient].notna()
        newest = lots.tests.loc[has, "sampled_on"].max() if has.any() else pd.NaT
        needed = _FROM_MILK.get(nutrient, ())
        basis: Basis = "handbook values"
        if has.any():
            basis = "pot tests"
        elif needed and all(np.isfinite(column(tested, c)).any() for c in needed):
            basis = "milk tests and mass balance"
        out[nutrient] = Evidence(
            n_tests=int(has.sum()),
            newest=None if pd.isna(newest) else newest.date(),
            basis=basis,
            factor_unknown=lots.factor_unknown if nutrient == "protein" else 0,
        )
    return out
