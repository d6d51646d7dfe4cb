"""General-purpose forecasters on the same records, each with the care a good analyst would give it.

Each takes a Season and returns month, source, component, mean, lo90, hi90, one_lo90, one_hi90 for the coming twelve
months.
A source with fewer than four results of a component is forecast from all sources together. A month mean is not a
result: where
a method predicts single results, the spread within months is taken out of its variance, and where it predicts months,
it is put
on top for one result.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm
from numpy.typing import NDArray
from patsy import build_design_matrices, dmatrix
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, ExpSineSquared, Matern, WhiteKernel
from statsforecast.models import AutoETS, SimpleExponentialSmoothingOptimized
from statsmodels.tools.sm_exceptions import ConvergenceWarning

from analysis.records.months import add_months
from analysis.records.season import Season
from tests.simulation.scoring import Z90

Array = NDArray[np.float64]
COMPONENTS = ("fat_g_100g", "protein_g_100g", "lactose_g_100g")
# Where a dairy's own records cannot show a spread: sd of one result about its month, sd of a month about anything
# said of it.
WITHIN = {"fat_g_100g": 0.30, "protein_g_100g": 0.15, "lactose_g_100g": 0.08}
BETWEEN = {"fat_g_100g": 0.60, "protein_g_100g": 0.35, "lactose_g_100g": 0.15}
FEWEST = 4
YEAR = 365.25


@dataclass(frozen=True)
class Series:
    """Results of one source and component.

    Attributes
    ----------
    day, value : array, shape (n,)
        Days since 2000-01-01, ascending, and results.
    month : array of int, shape (n,)
        Months since 2000-01.
    ahead : array of int, shape (12,)
        The coming months.
    middle : array, shape (12,)
        Their middle days.
    within : sd of one result about its month's mean
    between : sd to fall back on
    """

    day: Array
    value: Array
    month: NDArray[np.int64]
    ahead: NDArray[np.int64]
    middle: Array
    within: float
    between: float

    def monthly(self) -> Array:
        """Month means from the first month to the cut-off, NaN where there is none."""
        n = int(self.ahead[0] - self.month.min()) if len(self.month) else 0
        out = np.full(n, np.nan)
        for m in np.unique(self.month):
            out[m - self.month.min()] = self.value[self.month == m].mean()
        return out


def _numbers(days: pd.Series) -> Array:
    return np.asarray((pd.to_datetime(days) - pd.Timestamp("2000-01-01")) / pd.Timedelta(days=1), float)


def _month_number(month: str) -> int:
    return (int(month[:4]) - 2000) * 12 + int(month[5:]) - 1


def _sources(season: Season) -> list[str]:
    return [*(flock.id for flock in season.dairy.flocks), "bulk"]


def _within(tests: pd.DataFrame, component: str) -> float:
    known = tests[tests[component].notna()]
    group = known.groupby([known["source"].fillna("bulk"), known["sampled_on"].dt.to_period("M")])[component]
    left = known[component] - group.transform("mean")
    freedom = len(known) - group.ngroups
    return float(np.sqrt(((left**2).sum() + 4 * WITHIN[component] ** 2) / (freedom + 4)))


def _coming(season: Season) -> tuple[list[str], NDArray[np.int64], Array]:
    months = [add_months(season.month, k) for k in range(1, 13)]
    middle = _numbers(pd.Series(pd.to_datetime([f"{m}-15" for m in months])))
    return months, np.array([_month_number(m) for m in months]), middle


def _rows(months: list[str], source: str, component: str, mean: Array, sd: Array, within: float) -> pd.DataFrame:
    one = np.hypot(sd, within)
    return pd.DataFrame(
        {
            "month": months,
            "source": source,
            "component": component,
            "mean": mean,
            "lo90": mean - Z90 * sd,
            "hi90": mean + Z90 * sd,
            "one_lo90": mean - Z90 * one,
            "one_hi90": mean + Z90 * one,
        }
    )


def _each_series(season: Season, method: Callable[[Series], tuple[Array, Array]]) -> pd.DataFrame:
    """Apply a method that knows one series to each source and component."""
    tests = season.tables["milk_tests"]
    months, ahead, middle = _coming(season)
    source_of = tests["source"].fillna("bulk")
    frames = []
    for component in COMPONENTS:
        within = _within(tests, component)
        known = tests[component].notna()
        for source in _sources(season):
            chosen = known & (source_of == source)
            if chosen.sum() < FEWEST:
                chosen = known
            mine = tests[chosen].sort_values("sampled_on")
            day = _numbers(mine["sampled_on"])
            number = (mine["sampled_on"].dt.year - 2000) * 12 + mine["sampled_on"].dt.month - 1
            series = Series(
                day,
                mine[component].to_numpy(float),
                number.to_numpy(np.int64),
                ahead,
                middle,
                within,
                BETWEEN[component],
            )
            if len(day):
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    mean, sd = method(series)
                frames.append(_rows(months, source, component, mean, sd, within))
    return pd.concat(frames, ignore_index=True)


def _same_month(series: Series) -> tuple[Array, Array]:
    """The month a year before; else two years before; else its neighbours of last year; else the mean of the last
    year.
    """
    monthly = series.monthly()
    first = int(series.month.min())

    def at(number: int) -> float:
        return float(monthly[number - first]) if 0 <= number - first < len(monthly) else np.nan

    usual = float(np.nanmean(monthly[-12:])) if np.isfinite(monthly[-12:]).any() else float(np.nanmean(monthly))
    mean = np.empty(12)
    for i, number in enumerate(series.ahead):
        near = [at(number - 12), at(number - 24), np.nanmean([at(number - 13), at(number - 11), np.nan])]
        mean[i] = next((x for x in near if np.isfinite(x)), usual)
    change = monthly[12:] - monthly[:-12] if len(monthly) > 12 else np.zeros(0)
    change = change[np.isfinite(change)]
    sd = np.sqrt(((change**2).sum() + 3 * series.between**2) / (len(change) + 3))
    return mean, np.full(12, sd)


def _unseen_year(series: Series) -> float:
    """Variance for a season that records of less than nine months cannot show."""
    return series.between**2 if series.day.max() - series.day.min() < 0.75 * YEAR else 0.0


def _harmonics(day: Array, n: int) -> Array:
    angle = 2 * np.pi * day / YEAR
    return np.stack([np.ones_like(day), *(f(k * angle) for k in range(1, n + 1) for f in (np.cos, np.sin))], axis=1)


def _harmonic(series: Series) -> tuple[Array, Array]:
    """Least squares on none to three harmonics of the year, their number by AICc."""
    best, chosen = np.inf, None
    n = len(series.day)
    span = (series.day.max() - series.day.min()) / YEAR
    for k in range(4):
        free = 2 * k + 2
        if n - free - 1 <= 1 or (k and span < 0.75):
            continue
        fit = sm.OLS(series.value, _harmonics(series.day, k)).fit()
        score = n * np.log(max(fit.ssr, 1e-9) / n) + 2 * free + 2 * free * (free + 1) / (n - free - 1)
        if score < best:
            best, chosen = score, (k, fit)
    if chosen is None:
        return np.full(12, series.value.mean()), np.full(12, series.between)
    k, fit = chosen
    said = fit.get_prediction(_harmonics(series.middle, k))
    left = max(fit.mse_resid - series.within**2, 0.25 * fit.mse_resid) + _unseen_year(series)
    return np.asarray(said.predicted_mean), np.sqrt(np.asarray(said.var_pred_mean) + left)


def _unobserved(series: Series) -> tuple[Array, Array]:
    """Local level and a fixed season of two harmonics on month means; missing months are skipped by the filter."""
    monthly = series.monthly()
    known = np.isfinite(monthly).sum()
    if known < FEWEST or np.nanstd(monthly) < 1e-9:
        return _same_month(series)
    season = [{"period": 12, "harmonics": 2 if known >= 18 else 1}] if len(monthly) >= 13 and known >= 8 else None
    model = sm.tsa.UnobservedComponents(
        monthly, level="llevel", freq_seasonal=season, stochastic_freq_seasonal=[False] if season else None
    )
    said = model.fit(disp=False, maxiter=200).get_forecast(12)
    sd = np.clip(np.asarray(said.se_mean), 0.02, 5 * series.between)
    return np.asarray(said.predicted_mean), sd


def _smoothing(series: Series) -> tuple[Array, Array]:
    """Exponential smoothing with a season of twelve months, its form by AICc; gaps interpolated over time."""
    monthly = pd.Series(series.monthly()).interpolate(limit_direction="both").to_numpy()
    if len(monthly) < FEWEST or monthly.std() < 1e-9:
        return _same_month(series)
    if len(monthly) >= 25:
        said = AutoETS(season_length=12).forecast(monthly, h=12, level=[90])
    elif len(monthly) >= 8:
        said = AutoETS(season_length=1).forecast(monthly, h=12, level=[90])
    else:
        mean = SimpleExponentialSmoothingOptimized().forecast(monthly, h=12)["mean"]
        return np.asarray(mean, float), np.full(12, series.between)
    sd = (np.asarray(said["hi-90"]) - np.asarray(said["lo-90"])) / (2 * Z90)
    return np.asarray(said["mean"], float), np.clip(sd, 0.02, 5 * series.between)


def _process(series: Series) -> tuple[Array, Array]:
    """Gaussian process in time: a yearly pattern that fades, an Ornstein-Uhlenbeck part, and noise."""
    spread = max(float(series.value.std()), 0.1 * series.between)
    y = (series.value - series.value.mean()) / spread
    t = series.day[:, None] / YEAR
    kernel = (
        ConstantKernel(0.5, (0.01, 20))
        * ExpSineSquared(1.0, 1.0, (0.3, 5.0), periodicity_bounds="fixed")
        * Matern(10.0, (3.0, 50.0), nu=1.5)
        + ConstantKernel(0.3, (0.01, 20)) * Matern(0.15, (0.02, 3.0), nu=0.5)
        + WhiteKernel(0.3, (0.01, 5))
    )
    fit = GaussianProcessRegressor(kernel).fit(t, y)
    mean, sd = fit.predict(series.middle[:, None] / YEAR, return_std=True)
    noise = fit.kernel_.k2.noise_level
    left = np.maximum(sd**2 - noise, 0.02) * spread**2 + _unseen_year(series)
    return series.value.mean() + spread * mean, np.sqrt(left)


def days_in_milk(season: Season, source: str, day: Array) -> Array:
    """Days since the newest lambing in the diary; the coming lambings a year after the last; bulk: the flocks' mean."""
    diary = season.tables["flock_diary"]
    flocks = [source] if source != "bulk" else [flock.id for flock in season.dairy.flocks]
    out = []
    for flock in flocks:
        lambed = np.unique(_numbers(diary.loc[(diary["flock"] == flock) & diary["lambed_on"].notna(), "lambed_on"]))
        if len(lambed):
            recent = lambed[lambed > lambed.max() - 330]
            lambed = np.sort(np.concatenate([lambed, recent + YEAR]))
            at = np.searchsorted(lambed, day, side="right") - 1
            out.append(np.clip(np.where(at >= 0, day - lambed[np.clip(at, 0, None)], 60.0), 5.0, 240.0))
    return np.mean(out, axis=0) if out else np.full(len(day), np.nan)


def _mixed_design(day: Array, stage: Array, kind: str, info: object | None) -> tuple[Array, object | None]:
    """Harmonics and, where lambing is known, a natural spline of days in milk."""
    n = {"full": 2, "small": 1, "stage": 1, "season": 2, "one": 1, "level": 0}[kind]
    design = _harmonics(day, n)
    if kind not in ("full", "small", "stage"):
        return design, None
    if info is None:
        terms = dmatrix(f"cr(stage, df={4 if kind == 'full' else 3}, constraints='center') - 1", {"stage": stage})
        info = terms.design_info
    spline = np.asarray(build_design_matrices([info], {"stage": stage})[0])
    return np.concatenate([design, spline], axis=1), info


def mixed_model(season: Season) -> pd.DataFrame:
    """Linear mixed model of each component: spline of days in milk, harmonics of the year, laboratory; sources as
    groups.
    """
    tests = season.tables["milk_tests"].copy()
    tests["source"] = tests["source"].fillna("bulk")
    months, _, middle = _coming(season)
    frames = []
    for component in COMPONENTS:
        mine = tests[tests[component].notna()]
        if not len(mine):
            continue
        within = _within(tests, component)
        day = _numbers(mine["sampled_on"])
        stage = np.full(len(mine), np.nan)
        for source in mine["source"].unique():
            of = (mine["source"] == source).to_numpy()
            stage[of] = days_in_milk(season, source, day[of])
        labs = mine["lab"].fillna("")
        others = [lab for lab in labs.value_counts().index[1:] if (labs == lab).sum() >= 3]
        lab = (
            np.stack([(labs == one).to_numpy(float) for one in others], axis=1) if others else np.zeros((len(mine), 0))
        )
        frames.append(_mixed_component(season, component, mine, day, stage, lab, months, middle, within))
    return pd.concat(frames, ignore_index=True)


def _mixed_component(
    season: Season,
    component: str,
    mine: pd.DataFrame,
    day: Array,
    stage: Array,
    lab: Array,
    months: list[str],
    middle: Array,
    within: float,
) -> pd.DataFrame:
    y = mine[component].to_numpy(float)
    staged = bool(np.isfinite(stage).all())
    span = (day.max() - day.min()) / YEAR
    longer = span > 0.75
    kinds = [*(["full", "small"] if staged and longer else []), *(["season", "one"] if longer else []), "level"]
    fit, info, kind, width = None, None, "level", 0
    for candidate in kinds:
        design, info = _mixed_design(day, stage, candidate, None)
        whole = np.concatenate([design, lab], axis=1) if len(y) > 3 * (design.shape[1] + lab.shape[1]) else design
        if len(y) < 3 * whole.shape[1] or np.linalg.matrix_rank(whole) < whole.shape[1]:
            continue
        kind, width = candidate, whole.shape[1]
        fit = _fit_mixed(y, whole, mine["source"].to_numpy())
        if fit is not None:
            break
    rows = []
    for source in _sources(season):
        if fit is None:
            mean, sd = np.full(12, y.mean()), np.full(12, BETWEEN[component])
            rows.append(_rows(months, source, component, mean, sd, within))
            continue
        design, _ = _mixed_design(middle, days_in_milk(season, source, middle), kind, info)
        design = np.concatenate([design, np.zeros((12, width - design.shape[1]))], axis=1)
        coef, cov, between, scale, effects = fit
        mean = design @ coef + effects.get(source, 0.0)
        size = int((mine["source"] == source).sum())
        own = between / (1.0 + size * between / scale)
        left = max(scale - within**2, 0.25 * scale) + (0.0 if longer else BETWEEN[component] ** 2)
        sd = np.sqrt(np.einsum("ij,jk,ik->i", design, cov, design) + own + left)
        rows.append(_rows(months, source, component, mean, sd, within))
    return pd.concat(rows, ignore_index=True)


def _fit_mixed(y: Array, design: Array, groups: NDArray[np.object_]) -> tuple[Array, Array, float, float, dict] | None:
    """REML fit: coefficients, their covariance, group variance, residual variance, group effects; least squares for
    one group.
    """
    n = design.shape[1]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        warnings.simplefilter("ignore", UserWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        if len(np.unique(groups)) > 1:
            try:
                found = sm.MixedLM(y, design, groups).fit(reml=True)
                effects = {k: float(v.iloc[0]) for k, v in found.random_effects.items()}
                cov = np.asarray(found.cov_params())[:n, :n]
                if np.isfinite(cov).all():
                    return np.asarray(found.fe_params), cov, float(found.cov_re[0, 0]), float(found.scale), effects
            except (np.linalg.LinAlgError, ValueError):
                pass
        plain = sm.OLS(y, design).fit()
    return np.asarray(plain.params), np.asarray(plain.cov_params()), 0.0, float(plain.mse_resid), {}


CODE = Path(__file__).read_text(encoding="utf-8")
PEERS: dict[str, Callable[[Season], pd.DataFrame]] = {
    "same month last year": partial(_each_series, method=_same_month),
    "harmonic regression": partial(_each_series, method=_harmonic),
    "UnobservedComponents": partial(_each_series, method=_unobserved),
    "exponential smoothing": partial(_each_series, method=_smoothing),
    "MixedLM": mixed_model,
    "Gaussian process": partial(_each_series, method=_process),
}
