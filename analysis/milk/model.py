r"""The milk season model of one dairy: fit, and the joint draws of milk that every decision eats.

In words: a result is what is usual for the flock at that stage of lactation and that time of year on that forage, with what
the weather, the year and this lactation add, plus a drift that remembers for some weeks, plus what the laboratory reads too
high, plus an error that is now and then large (an unmixed sample).

.. math::

    y_i = m(d_i) + z_i \beta + u_0(t_i) + \sum_f w_{if} u_f(t_i) + e_i

with ``m`` the published lactation curve, ``z`` the columns of :mod:`analysis.milk.features` and the drift and errors of
:mod:`analysis.inference.drifting_regression`; fat, protein and lactose together. Bulk milk is the mixture of the flocks with
weights ``w`` by the milk each gives. Priors and their sources: :mod:`analysis.milk.priors`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from analysis.inference.drifting_regression import (
    Draws,
    DriftPosterior,
    DriftPrior,
    DriftTable,
    fit_drifting_regression,
)
from analysis.milk import priors
from analysis.milk.calendar import Calendar, FlockDays, make_calendar
from analysis.milk.features import MULTIPLIER_LOG_SD, Features, flock_features, forage_shown, make_features
from analysis.records.findings import Answer
from analysis.records.season import Season

Array = NDArray[np.float64]

N_DRAWS = 1000
N_VARIANTS = 40
LOWEST_G_100G = 0.1
KNOT_DAYS = 3.0


@dataclass(frozen=True)
class Past:
    """Columns of every flock on every past day.

    Attributes
    ----------
    columns : array, shape (n_past, F, q)
    mean : array, shape (n_past, F, 3)
    weight : array, shape (n_past, F)
        Share of each flock in the bulk milk; equal where no flock is known to give milk.
    """

    columns: Array
    mean: Array
    weight: Array


@dataclass(frozen=True)
class MilkFit:
    """The fitted milk season model of one dairy.

    Attributes
    ----------
    season, calendar, features, past
    rows : DataFrame
        The results used: ``file_row, sample_id, sampled_on, source, lab, method`` and the three components.
    known_mean : array, shape (n, 3)
        What the published lactation curve gives each result; the posterior is about the rest.
    posterior : DriftPosterior
    seed : int
    """

    season: Season
    calendar: Calendar
    features: Features
    past: Past
    rows: pd.DataFrame
    known_mean: Array
    posterior: DriftPosterior
    seed: int

    @property
    def sources(self) -> list[str]:
        """Flock ids, then ``bulk``."""
        return [*(f for f in self.calendar.flocks if f != "bulk"), "bulk"]

    @cached_property
    def sample(self) -> Draws:
        """Joint posterior draws of everything that was fitted."""
        return self.posterior.sample(np.random.default_rng([self.seed, 1]), N_DRAWS)

    @cached_property
    def noise(self) -> tuple[Array, Array]:
        """Standard deviations of each draw: true day to day, and of one result; both shape (draw, 3)."""
        total = np.stack([s.noise for s in self.sample.scales])[self.sample.point]
        day_share = priors.DAY_SD**2 / (priors.DAY_SD**2 + priors.RESULT_SD**2)
        return total * np.sqrt(day_share), total * np.sqrt(1.0 - day_share)

    @property
    def result_error(self) -> dict[str, float]:
        """What one ordinary lab result adds to the true milk, sd by component (g per 100 g)."""
        sd = np.sqrt((self.noise[1] ** 2).mean(0))
        return dict(zip(priors.COMPONENTS, (float(x) for x in sd), strict=True))

    @cached_property
    def draws(self) -> xr.Dataset:
        """MilkDraws: the coming 12 months, dims draw, day, source, component."""
        return _ahead_draws(self)

    def answer(self) -> Answer:
        """Return the forecast, the swing, tables and flags."""
        from analysis.milk.said import milk_answer

        return milk_answer(self)

    def on_days(self, days: Sequence[pd.Timestamp] | pd.DatetimeIndex, sources: Sequence[str]) -> xr.DataArray:
        """Return draws of the true milk on past days.

        Parameters
        ----------
        days : length n
            Days from the start of the records to the cut-off day; others are taken at the nearer end.
        sources : length n
            Flock ids or ``bulk``; unknown and empty ones are taken as bulk.

        Returns
        -------
        DataArray, dims (draw, row, component)
            The same draw index as :attr:`draws`.
        """
        number = np.asarray((pd.DatetimeIndex(list(days)) - self.calendar.start).days, float)
        number = np.clip(np.nan_to_num(number, nan=self.calendar.n_past - 1.0), 0, self.calendar.n_past - 1).astype(int)
        columns, mean, loads = _rows_of(self.calendar, self.past, self.features, number, list(sources))
        rng = np.random.default_rng([self.seed, 2])
        drift = drift_on(self.sample, self.posterior.prior, number.astype(float), rng)
        value = np.einsum("rq,dqc->drc", columns, self.sample.coefficients, optimize=True) + mean
        value += np.einsum("rg,drgc->drc", loads, drift, optimize=True)
        value += _correlated(rng, value.shape) * self.noise[0][:, None, :]
        return xr.DataArray(
            np.maximum(value, LOWEST_G_100G),
            dims=("draw", "row", "component"),
            coords={"component": list(priors.COMPONENTS)},
        )


def fit_milk(season: Season, *, start: Array | None = None, n_points: int = 24) -> MilkFit:
    """Fit the milk season model to the records of one dairy.

    Parameters
    ----------
    season
        Records as of a day.
    start : array, optional
        Mode of the scales of an earlier fit, to start from.
    n_points
        Points that carry the posterior of the scales.

    Returns
    -------
    MilkFit
    """
    calendar = make_calendar(season)
    features = make_features(season, calendar)
    past = _past_columns(calendar, features)
    rows = usable_results(season, calendar)
    number = calendar.day_number(rows["sampled_on"])
    columns, mean, loads = _rows_of(calendar, past, features, number, list(rows["source"]))
    for k, (lab, method) in enumerate(features.labs):
        of_lab = (rows["lab"] == lab) & (rows["method"] == method)
        columns[np.asarray(of_lab), features.columns("lab")[k]] = 1.0
    table = DriftTable(np.asarray(rows[list(priors.COMPONENTS)], float) - mean, columns, loads, _knots(number))
    seed = int(season.month.replace("-", ""))
    posterior = fit_drifting_regression(table, milk_prior(features), n_points=n_points, start=start, seed=seed)
    return MilkFit(season, calendar, features, past, rows, mean, posterior, seed)


def _knots(number: NDArray[np.int64]) -> Array:
    """Days on which the drift is carried: every third day, a tenth of its usual time constant."""
    return np.round(number / KNOT_DAYS) * KNOT_DAYS


def milk_prior(features: Features) -> DriftPrior:
    """Return the prior of the regression for these columns."""
    return DriftPrior(
        mean=features.mean,
        sd=features.sd,
        correlation=priors.LEVEL_CORRELATION,
        multiplier_of=features.multiplier_of,
        multiplier_log_sd=MULTIPLIER_LOG_SD,
        noise_sd=np.hypot(priors.DAY_SD, priors.RESULT_SD),
        noise_log_sd=priors.NOISE_LOG_SD,
        noise_correlation=priors.NOISE_CORRELATION,
        drift_sd=priors.DRIFT_SD,
        drift_log_sd=priors.DRIFT_LOG_SD,
        drift_correlation=priors.DRIFT_CORRELATION,
        length=priors.DRIFT_DAYS,
        length_log_sd=priors.DRIFT_DAYS_LOG_SD,
        own_logit=0.0,
        own_logit_sd=1.0,
        outlier_rate=priors.OUTLIER_RATE,
        outlier_sd=priors.OUTLIER_SD,
    )


def usable_results(season: Season, calendar: Calendar) -> pd.DataFrame:
    """Return the results that the model can use, with lab and method as text.

    Protein is put on nitrogen x 6.38; a row's own factor is honoured.
    """
    tests = season.tables["milk_tests"]
    known = tests["source"].fillna("bulk").isin([*calendar.flocks, "bulk"])
    inside = tests["sampled_on"] >= calendar.start
    rows = tests[known & inside & tests[list(priors.COMPONENTS)].notna().any(axis=1)].copy()
    rows["source"] = rows["source"].fillna("bulk").astype(str)
    rows["lab"] = rows["lab"].fillna("").astype(str)
    rows["method"] = rows["method"].fillna("").astype(str)
    factor = rows["protein_factor"].fillna(6.38) if "protein_factor" in rows else 6.38
    rows["protein_g_100g"] = rows["protein_g_100g"] * 6.38 / factor
    return rows.sort_values(["sampled_on", "source", "sample_id"], kind="stable").reset_index(drop=True)


def _past_columns(calendar: Calendar, features: Features) -> Past:
    parts = [
        flock_features(features, calendar, i, flock, 0, features.weather.past) for i, flock in enumerate(calendar.past)
    ]
    return Past(np.stack([p[0] for p in parts], 1), np.stack([p[1] for p in parts], 1), _shares(calendar.past))


def _shares(flocks: tuple[FlockDays, ...]) -> Array:
    kg = np.stack([flock.kg for flock in flocks], axis=1)
    total = kg.sum(1, keepdims=True)
    return np.where(total > 0, kg / np.where(total > 0, total, 1.0), 1.0 / kg.shape[1])


def _rows_of(
    calendar: Calendar, past: Past, features: Features, number: NDArray[np.int64], sources: list[str]
) -> tuple[Array, Array, Array]:
    """Columns (n, q), known mean (n, 3) and drift loads (n, 1 + F) of rows given by day and source."""
    n, n_flocks = len(number), len(calendar.flocks)
    weight = np.zeros((n, n_flocks))
    position = {flock: i for i, flock in enumerate(calendar.flocks)}
    of_bulk = np.zeros(n)
    for i, source in enumerate(sources):
        if source in position and source != "bulk":
            weight[i, position[source]] = 1.0
        else:
            weight[i] = past.weight[number[i]]
            of_bulk[i] = 1.0
    columns = np.einsum("nf,nfq->nq", weight, past.columns[number])
    columns[:, features.columns("bulk")[0]] = of_bulk
    mean = np.einsum("nf,nfc->nc", weight, past.mean[number])
    return columns, mean, np.concatenate([np.ones((n, 1)), weight], axis=1)


def _correlated(rng: np.random.Generator, shape: tuple[int, ...]) -> Array:
    """Return standard normal draws with the correlation of errors between components on the last axis."""
    return np.asarray(rng.standard_normal(shape) @ np.linalg.cholesky(priors.NOISE_CORRELATION).T)


def drift_on(sample: Draws, prior: DriftPrior, number: Array, rng: np.random.Generator) -> Array:
    """Draw the drift on given days, given its draws on the sampled days.

    Between two days on which it is known the Ornstein-Uhlenbeck process is a bridge; before the first and after the last it
    runs free.

    Returns
    -------
    array, shape (draw, len(number), g, 3)
    """
    chol, length = sample.drift_covariance(prior)
    wanted, back = np.unique(number, return_inverse=True)
    out = np.empty((len(length), len(wanted), *sample.states.shape[2:]))
    knots = sample.knots
    last_day, last_state = -np.inf, sample.states[:, 0]
    for i, day in enumerate(wanted):
        right = int(np.searchsorted(knots, day))
        if right < len(knots) and knots[right] == day:
            out[:, i] = sample.states[:, right]
            last_day, last_state = day, out[:, i]
            continue
        if right > 0 and knots[right - 1] > last_day:
            last_day, last_state = knots[right - 1], sample.states[:, right - 1]
        ahead = np.exp(-(day - last_day) / length)[:, None, None]
        if right < len(knots):
            back_a = np.exp(-(knots[right] - day) / length)[:, None, None]
            whole = 1.0 - (ahead * back_a) ** 2
            mean = ahead * (1.0 - back_a**2) / whole * last_state
            mean = mean + back_a * (1.0 - ahead**2) / whole * sample.states[:, right]
            spread = np.sqrt((1.0 - ahead**2) * (1.0 - back_a**2) / whole)
        else:
            mean = ahead * last_state
            spread = np.sqrt(1.0 - ahead**2)
        noise = np.einsum("dgij,dgj->dgi", chol, rng.standard_normal(last_state.shape))
        out[:, i] = mean + spread * noise
        last_day, last_state = day, out[:, i]
    return out[:, back.ravel()]


def _ahead_draws(fit: MilkFit) -> xr.Dataset:
    calendar, features, sample = fit.calendar, fit.features, fit.sample
    rng = np.random.default_rng([fit.seed, 3])
    n, n_flocks = calendar.n_ahead, len(calendar.flocks)
    days = calendar.ahead_days()
    number = np.arange(calendar.n_past, calendar.n_past + n, dtype=float)
    drift = drift_on(sample, fit.posterior.prior, number, rng)
    value = np.empty((N_DRAWS, n, n_flocks + 1, 3))
    kg = np.empty((N_DRAWS, n, n_flocks + 1))
    carried = _forage_now(calendar, features)
    bulk_column = features.columns("bulk")[0]
    for v in range(N_VARIANTS):
        mine = slice(v, None, N_VARIANTS)
        flocks = calendar.look_ahead(rng)
        weather = features.weather.ahead(days, rng)
        coef = sample.coefficients[mine]
        share = _shares(flocks)
        for f, flock in enumerate(flocks):
            now = carried[f] if features.forages else None
            columns, mean = flock_features(features, calendar, f, flock, calendar.n_past, weather, now)
            own = np.einsum("nq,dqc->dnc", columns, coef, optimize=True) + mean
            value[mine, :, f] = own + drift[mine, :, 0] + drift[mine, :, 1 + f]
            kg[mine, :, f] = flock.kg
        # Mixed vat: the mixture of the flocks' milk and what the vat differs from it.
        mixed = np.einsum("nf,dnfc->dnc", share, value[mine, :, :n_flocks], optimize=True)
        value[mine, :, n_flocks] = mixed + coef[:, bulk_column][:, None, :]
    kg[:, :, n_flocks] = kg[:, :, :n_flocks].sum(2)
    value += _correlated(rng, value.shape) * fit.noise[0][:, None, None, :]
    value = np.where(kg[..., None] > 0, np.maximum(value, LOWEST_G_100G), np.nan)
    named = [i for i, flock in enumerate(calendar.flocks) if flock != "bulk"]
    keep = [*named, n_flocks]
    return xr.Dataset(
        {
            "milk": (("draw", "day", "source", "component"), value[:, :, keep]),
            "kg": (("draw", "day", "source"), kg[:, :, keep]),
        },
        coords={"day": days, "source": fit.sources, "component": list(priors.COMPONENTS)},
    )


def _forage_now(calendar: Calendar, features: Features) -> list[Array | None]:
    """How far each forage shows in each flock's milk on the cut-off day."""
    if not features.forages:
        return [None] * len(calendar.flocks)
    return [forage_shown(flock.forage, features.forages, None)[-1] for flock in calendar.past]
