"""Set time: what drives it, what the culture has been doing, and when the next vats will set.

Model (log minutes, natural logarithm)::

    log set = level + culture(t) + warmth(T) + dose log2(d / 25) + age (a - 1) + milk_age h / 24 + protein (p - 5.6)
              + native u + hold log2(hold / 60) + line days / 30 + vat noise

``culture`` drifts back to its mean (Ornstein-Uhlenbeck) and starts afresh with a new starter; ``warmth`` is one over
a cardinal temperature curve; a vat is seen only between looks. The scales (vat noise, size and time constant of the
drift), the curve's three warmths and the pH at which pots are seen set are integrated over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import norm

from analysis.inference.hyper_integration import Mode, find_mode, normal_points, normalised, weighted_points
from analysis.inference.interval_regression import (
    Looks,
    Points,
    Posterior,
    Sites,
    draw_coefficients_and_end,
    evidence_given_sites,
    fit_sites,
)
from analysis.setting.acidity import PH_WHEN_SET, SHAPE_SD, STEEP, Acidity, curve_position
from analysis.setting.vats import LONGEST_LINE_D, LOOK_SLIP, PROTEIN_HERE, Vats
from analysis.setting.warmth import log_slowness

Array = NDArray[np.float64]

REFERENCE_DOSE_G_KG = 25.0
# Prior mean and sd of each coefficient, log minutes per unit. All are judgement built on the published figures named;
# none is a citation, and a dairy's own vats should move them.
PRIORS: dict[str, tuple[float, float]] = {
    # 165 min at 43 C with 25 g/kg fresh starter, sheep; textbooks have 2.5-4 h at 43-46 C with 2 %.
    "level": (float(np.log(165.0)), 0.25),
    # Doubling the dose saves about one doubling time, 20-30 min of 165.
    "starter_g_kg": (-0.12, 0.05),
    # Cold yogurt loses 0.12 (streptococci) and 0.31 (lactobacilli) doublings a day (PMC4304562, table 4).
    "starter_age_d": (0.015, 0.010),
    # No figure found: no sign taken.
    "milk_age_h": (0.0, 0.03),
    # Buffering delays the pH (Peng et al. 2009), a denser casein gels at a higher pH; De Brabandere 1999 found no
    # effect.
    "protein_g_100g": (0.04, 0.03),
    # Share of the whey protein left native: strongly heated milk gels sooner, at a higher pH (Anema et al. 2004, JAFC
    # 52:337).
    "heat_c": (0.25, 0.12),
    # Beyond full denaturation a longer hold adds formate and dry matter (from memory): nearly nothing.
    "hold_min": (-0.01, 0.02),
    # Per 30 days since the starter was new: a line passed on from vat to vat drifts and picks up phage (it is renewed
    # every 2-4 weeks in common practice), so that it rather slows; no figure found.
    "line_days": (0.03, 0.03),
}
COEFFICIENTS = tuple(PRIORS)
# Hyperparameters: prior mean and sd; the first three on the log scale. Judgement, except as said in `warmth` and
# `acidity`.
HYPER: dict[str, tuple[float, float]] = {
    "log_vat_sd": (float(np.log(0.10)), 0.40),  # 0.10 from vat to vat
    "log_drift_sd": (float(np.log(0.08)), 0.60),
    "log_drift_days": (float(np.log(35.0)), 0.70),
    "best_c": (43.5, 1.2),
    "max_c": (51.5, 1.0),
    "min_c": (18.0, 3.0),
    "ph_set": PH_WHEN_SET,
}
_SLIP_WIDTH = (float(np.log(180.0)), 0.7)  # where a vat that tells nothing may have set: judgement
WINDOW = (0.10, 0.50, 0.95)  # first look, expected, latest
_POINTS = 48
_FAR_DAYS = 1e6  # a gap that breaks the drift


def native_share(heat_c: Array, hold_min: Array) -> Array:
    """Return the share of beta-lactoglobulin left native by a heat treatment, 0 to 1.

    First-order loss through 88 % in 7.5 min at 90 C and in 30 min at 85 C (from memory in the trade: 85 C 30 min or
    90-95 C 5-10 min leave 10-15 %), hence 0.283 a minute at 90 C and a z of 8.3 C.
    """
    rate = 0.283 * 10.0 ** ((np.asarray(heat_c) - 90.0) / 8.3)
    return np.asarray(np.exp(-np.minimum(rate * np.maximum(hold_min, 0.0), 50.0)), dtype=np.float64)


def design(rows: pd.DataFrame) -> Array:
    """Return the regressors of vats, shape ``(rows, 8)``, in the order of `COEFFICIENTS`.

    ``rows`` needs ``starter_g_kg``, ``starter_age_d``, ``milk_age_h``, ``protein``, ``heat_c``, ``hold_min``,
    ``line_days``.
    """
    return np.column_stack(
        [
            np.ones(len(rows)),
            np.log2(rows["starter_g_kg"].to_numpy(dtype=np.float64) / REFERENCE_DOSE_G_KG),
            rows["starter_age_d"].to_numpy(dtype=np.float64) - 1.0,
            rows["milk_age_h"].to_numpy(dtype=np.float64) / 24.0,
            rows["protein"].to_numpy(dtype=np.float64) - PROTEIN_HERE[0],
            native_share(rows["heat_c"].to_numpy(dtype=np.float64), rows["hold_min"].to_numpy(dtype=np.float64)),
            np.log2(np.clip(rows["hold_min"].to_numpy(dtype=np.float64), 2.0, 480.0) / 60.0),
            rows["line_days"].to_numpy(dtype=np.float64) / 30.0,
        ]
    )


@dataclass(frozen=True)
class Hyper:
    """Hyperparameters by point, each of shape ``(m,)``."""

    vat_sd: Array
    drift_sd: Array
    drift_days: Array
    best_c: Array
    max_c: Array
    min_c: Array
    ph_set: Array

    @classmethod
    def from_unit(cls, unit: Array, names: tuple[str, ...]) -> Hyper:
        """Return hyperparameters from standard normal coordinates ``(m, d)``; others stay at their prior mean."""
        value = {name: np.full(len(unit), mean) for name, (mean, _) in HYPER.items()}
        for j, name in enumerate(names):
            mean, sd = HYPER[name]
            value[name] = mean + sd * unit[:, j]
        return cls(
            np.exp(np.clip(value["log_vat_sd"], -4.6, 0.5)),
            np.exp(np.clip(value["log_drift_sd"], -6.0, 0.5)),
            np.exp(np.clip(value["log_drift_days"], 0.7, 6.5)),
            value["best_c"],
            value["max_c"],
            value["min_c"],
            value["ph_set"],
        )

    def take(self, index: NDArray[np.intp]) -> Hyper:
        """Return the points with the given numbers."""
        return Hyper(*(getattr(self, name)[index] for name in self.__dataclass_fields__))

    def slowness(self, warmth_c: Array) -> Array:
        """Return log slowness ``(m, rows)`` at warmths ``(rows,)`` or ``(m, rows)``."""
        return log_slowness(np.atleast_2d(warmth_c), self.best_c[:, None], self.max_c[:, None], self.min_c[:, None])


@dataclass(frozen=True)
class Renewal:
    """Rate of renewing the starter, per day: ``exp(log_rate + tilt (culture - usual))``, slower cultures sooner."""

    log_rate: float
    tilt: float
    usual: float

    def rate(self, culture: Array) -> Array:
        """Return the rate per day for states of the culture (log minutes), at most one in three days."""
        return np.asarray(np.minimum(np.exp(self.log_rate + self.tilt * (culture - self.usual)), 1.0 / 3.0))


# Prior mean and sd: once in 45 days, and twice as likely for a culture 15 % slower (renew every 2-4 weeks or at once
# after a slow vat is common practice; makers hold out longer): judgement.
_RENEW_LOG_RATE = (float(np.log(1.0 / 45.0)), 0.8)
_RENEW_TILT = (4.5, 3.0)


def learn_renewal(rows: pd.DataFrame, state: Array) -> Renewal | None:
    """Learn how readily a maker renews from the renewals on record, by the posterior mode of a Poisson rate.

    Parameters
    ----------
    rows
        Vats in order: ``made_on``, ``epoch_start``.
    state
        Culture's state at each, ageing of the line included, ``(rows,)``.

    Returns
    -------
    Renewal or None
        None without any renewal on record.
    """
    event = rows["epoch_start"].to_numpy(dtype=np.float64)[1:]
    if not event.any():
        return None
    # Exposure: days since the vat before, but no more than a fortnight, so that a dry season does not count.
    days = np.clip(np.diff(rows["made_on"].to_numpy(dtype="datetime64[D]")).astype(np.float64), 0.5, 14.0)
    usual = float(state.mean())
    before = state[:-1] - usual
    centre, width = np.array([_RENEW_LOG_RATE[0], _RENEW_TILT[0]]), np.array([_RENEW_LOG_RATE[1], _RENEW_TILT[1]])
    theta, x = centre.copy(), np.column_stack([np.ones(len(before)), before])
    for _ in range(30):
        mean = days * np.exp(np.clip(x @ theta, -12.0, 1.0))
        slope = x.T @ (event - mean) - (theta - centre) / width**2
        step = np.linalg.solve((x * mean[:, None]).T @ x + np.diag(width**-2.0), slope)
        theta = theta + np.clip(step, -1.0, 1.0)
        if np.max(np.abs(step)) < 1e-6:
            break
    return Renewal(float(theta[0]), float(theta[1]), usual)


@dataclass(frozen=True)
class SetTime:
    """Posterior of the set time as joint draws, and what was fitted.

    Attributes
    ----------
    beta
        Draws ``(draws, 8)`` of the coefficients, prior means included.
    culture_now
        Draws ``(draws,)`` of the culture's state at the newest vat that told something.
    hyper
        Hyperparameters of each draw.
    last_day
        Day of that vat, or None without any.
    rows
        The fitted vats with ``node`` and ``slip_chance`` (that what was seen tells nothing).
    culture
        Table ``made_on, culture, lo90, hi90`` (log minutes; above 0 is slower), ``fresh``.
    steep, steep_sd
        Of the pH curve.
    has_ph
        Whether any pH reading could be used.
    slow_share
        Share of vats that something holds up (residue, phage, a cold corner), so that they set late or never.
    line_now
        Days since the starter was new, at the newest vat that told something.
    usual_state
        Mean of the culture's state over the fitted vats, ageing of the line included.
    renewal
        How readily this maker renews the starter; None where no renewal is on record.
    """

    beta: Array
    culture_now: Array
    hyper: Hyper
    last_day: pd.Timestamp | None
    rows: pd.DataFrame
    culture: pd.DataFrame
    steep: float
    steep_sd: float
    has_ph: bool
    slow_share: float = 0.01
    line_now: float = 0.0
    usual_state: float = 0.0
    renewal: Renewal | None = None

    def culture_at(self, day: pd.Timestamp, rng: np.random.Generator) -> Array:
        """Draw the culture's part of the log minutes on a day to come, ``(draws,)``: drift, ageing line and renewal.

        The state fades towards its mean, the line grows older, and the maker may renew the starter before that day:
        sooner where the culture is slow, by a rate learnt from the renewals on record. A renewed culture is a new draw.
        """
        count = len(self.culture_now)
        gap = _FAR_DAYS if self.last_day is None else float(max((day - self.last_day).days, 0))
        kept = np.exp(-gap / self.hyper.drift_days)
        state = kept * self.culture_now + self.hyper.drift_sd * np.sqrt(1.0 - kept**2) * rng.standard_normal(count)
        fresh = self.hyper.drift_sd * rng.standard_normal(count)
        per_day = self.beta[:, COEFFICIENTS.index("line_days")] / 30.0
        if self.renewal is None or self.last_day is None:
            return np.asarray(state + per_day * self.line_now)
        older = np.minimum(self.line_now + gap, LONGEST_LINE_D)
        slow = self.culture_now + per_day * self.line_now
        rate = self.renewal.rate(0.5 * (slow + state + per_day * older))
        renewed = rng.random(count) < -np.expm1(-rate * min(gap, LONGEST_LINE_D))
        since = rng.random(count) * min(gap, LONGEST_LINE_D)
        return np.asarray(np.where(renewed, fresh + per_day * since, state + per_day * older))

    def window(self, log_mean: Array) -> Array:
        """Return minutes at the 10, 50 and 95 % points of one vat, ``(3, vats)``, from log minutes without vat noise.

        A vat that is held up counts as later than any time, so that the points are those of the sound vats at shares divided
        by the share of sound ones.

        Parameters
        ----------
        log_mean
            ``(draws, vats)``.
        """
        sound = 1.0 - min(self.slow_share, 0.04)
        shares = tuple(share / sound for share in WINDOW)
        return np.asarray(np.exp(quantiles_of_mixture(log_mean, self.hyper.vat_sd, shares)))

    def slower_now(self) -> Array:
        """Return draws ``(draws,)`` of how much slower than its own usual the culture is by now, log minutes."""
        per_day = self.beta[:, COEFFICIENTS.index("line_days")] / 30.0
        return np.asarray(self.culture_now + per_day * self.line_now - self.usual_state)

    def log_mean(self, rows: pd.DataFrame, culture: Array, protein: Array | None = None) -> Array:
        """Return log minutes without vat noise, ``(draws, rows)``.

        Parameters
        ----------
        rows
            Settings as for `design`, and ``incubator_c``.
        culture
            Draws of the culture, ``(draws,)`` or ``(draws, rows)``.
        protein
            Draws of the protein, ``(draws,)`` or ``(draws, rows)``; the rows' own if left out.
        """
        x = design(rows)
        out = self.beta @ x.T + self.hyper.slowness(rows["incubator_c"].to_numpy(dtype=np.float64))
        out = out + (culture[:, None] if culture.ndim == 1 else culture)
        if protein is not None:
            extra = (protein[:, None] if protein.ndim == 1 else protein) - rows["protein"].to_numpy(dtype=np.float64)
            out = out + self.beta[:, [COEFFICIENTS.index("protein_g_100g")]] * extra
        return np.asarray(out, dtype=np.float64)

    def to_target(self, target_ph: float, rng: np.random.Generator) -> Array | None:
        """Draw the log ratio of minutes to the target pH over minutes to set; None without readings to go by."""
        if not self.has_ph or not 4.2 <= target_ph <= 5.4:
            return None
        steep = np.maximum(self.steep + self.steep_sd * rng.standard_normal(len(self.beta)), 1.0)
        stretch = (curve_position(target_ph) - curve_position(self.hyper.ph_set)) / steep
        return np.asarray(np.maximum(stretch * (1.0 + SHAPE_SD * rng.standard_normal(len(self.beta))), 0.0))


def _nodes(rows: pd.DataFrame) -> tuple[NDArray[np.intp], Array]:
    """Node of each vat (one a day, a new one where the starter was renewed) and the days between nodes."""
    day = rows["made_on"].to_numpy(dtype="datetime64[D]")
    epoch = np.cumsum(rows["epoch_start"].to_numpy(dtype=bool))
    new = np.r_[True, (day[1:] != day[:-1]) | (epoch[1:] != epoch[:-1])]
    node = np.cumsum(new) - 1
    first = np.flatnonzero(new)
    gap = np.diff(day[first]).astype(np.float64)
    gap[epoch[first][1:] != epoch[first][:-1]] = _FAR_DAYS
    return node.astype(np.intp), gap


def _fitted_rows(vats: Vats, acidity: Acidity) -> pd.DataFrame:
    """Return vats that tell something, with their pH time; a new starter counts even where its vat tells nothing."""
    rows = vats.rows.copy()
    epoch = np.cumsum(rows["fresh"].to_numpy(dtype=bool))
    ph = acidity.by_batch.set_index("batch_id")
    rows["ph_log"] = ph["log_minutes"].reindex(rows["batch_id"]).to_numpy(dtype=np.float64)
    rows["ph_sd"] = ph["sd"].reindex(rows["batch_id"]).to_numpy(dtype=np.float64)
    rows["epoch"] = epoch
    keep = (rows["look"] | rows["ph_log"].notna()) & (rows["aside"] == "")
    rows = rows[keep].reset_index(drop=True)
    unseen = rows["seen"] == ""
    rows["seen"], rows["slip"] = rows["seen"].mask(unseen, "pH readings"), rows["slip"].mask(unseen, LOOK_SLIP)
    rows["epoch_start"] = np.r_[False, np.diff(rows["epoch"]) > 0] if len(rows) else np.zeros(0, dtype=bool)
    return rows


def _looks(rows: pd.DataFrame, steep: float) -> Looks:
    node, gap = _nodes(rows)
    with np.errstate(divide="ignore"):
        lower, upper = np.log(rows["lower_min"].to_numpy()), np.log(rows["upper_min"].to_numpy())
    # Looks at one and the same minute leave no room: half a minute either side.
    tight = upper - lower < 1e-3
    lower, upper = np.where(tight, lower - 0.005, lower), np.where(tight, upper + 0.005, upper)
    centre, width = _SLIP_WIDTH
    # For vats whose pots were moved out unseen, a slip is "moved out unset": that says nothing about the time.
    unseen = (rows["seen"] == "set when moved out").to_numpy()
    mass = np.log(np.maximum(norm.cdf(upper, centre, width) - norm.cdf(lower, centre, width), 1e-6))
    mass = np.where(unseen, 0.0, mass)
    read = rows["ph_log"].to_numpy(dtype=np.float64)
    guess = read + float(curve_position(PH_WHEN_SET[0])) / steep
    mass = mass + np.where(np.isnan(read), 0.0, norm.logpdf(guess, centre, width))
    return Looks(
        lower,
        upper,
        design(rows),
        np.array([sd for _, sd in PRIORS.values()]),
        node,
        gap,
        rows["slip"].to_numpy(dtype=np.float64),
        mass,
    )


def _points(rows: pd.DataFrame, x: Array, hyper: Hyper, steep: float) -> Points:
    m, n = len(hyper.vat_sd), len(rows)
    mean = x @ np.array([mean for mean, _ in PRIORS.values()])
    ph, ph_sd = rows["ph_log"].to_numpy(dtype=np.float64), rows["ph_sd"].to_numpy(dtype=np.float64)
    z_var = np.where(np.isnan(ph), np.inf, ph_sd**2)
    return Points(
        offset=mean + hyper.slowness(rows["incubator_c"].to_numpy(dtype=np.float64)),
        noise_var=hyper.vat_sd[:, None] ** 2 + rows["extra_var"].to_numpy(dtype=np.float64),
        z=np.nan_to_num(ph) + curve_position(hyper.ph_set)[:, None] / steep,
        z_var=np.broadcast_to(z_var, (m, n)),
        drift_sd=hyper.drift_sd,
        drift_days=hyper.drift_days,
    )


def fit_set_time(vats: Vats, acidity: Acidity, draws: int, rng: np.random.Generator) -> SetTime:
    """Fit the set-time model and draw from its posterior.

    Parameters
    ----------
    vats
        From `read_vats`.
    acidity
        From `read_acidity`.
    draws
        Number of draws.
    rng
        Seeded generator.

    Returns
    -------
    SetTime
        Draws from the prior where no vat tells anything.
    """
    rows = _fitted_rows(vats, acidity)
    if rows.empty:
        return prior_set_time(draws, rng, rows)
    names = tuple(HYPER) if acidity.any else tuple(name for name in HYPER if name != "ph_set")
    prior_mean = np.array([mean for mean, _ in PRIORS.values()])
    looks = _looks(rows, acidity.steep)
    posterior, hyper, weights = _integrate(rows, looks, names, acidity.steep)

    # Systematic resampling keeps the number of draws a point gets within one of its share.
    pick = np.searchsorted(np.cumsum(weights), (np.arange(draws) + rng.random()) / draws)
    pick = rng.permutation(np.minimum(pick, len(weights) - 1)).astype(np.intp)
    beta, culture = draw_coefficients_and_end(posterior, pick, rng)
    line_now = float(rows["line_days"].iloc[-1])
    if int(np.sum(vats.rows["fresh"])) > int(rows["epoch"].iloc[-1]):  # renewed since, and nothing seen of it yet
        line_now = 0.0
        culture = hyper.take(pick).drift_sd * rng.standard_normal(draws)
    rows["slip_chance"] = weights @ posterior.slip
    each = posterior.gaussian.fitted + _points(rows, looks.design, hyper, acidity.steep).offset
    rows["fitted"] = weights @ each
    spread = posterior.gaussian.fitted_var + hyper.vat_sd[:, None] ** 2 + (each - rows["fitted"].to_numpy()) ** 2
    rows["fitted_sd"] = np.sqrt(weights @ spread)
    beta = beta + prior_mean
    line = beta[:, COEFFICIENTS.index("line_days")].mean() / 30.0
    state = (weights @ posterior.gaussian.drift)[looks.node] + line * rows["line_days"].to_numpy(dtype=np.float64)
    return SetTime(
        beta,
        culture,
        hyper.take(pick),
        pd.Timestamp(rows["made_on"].iloc[-1]),
        rows,
        _culture_table(rows, looks, posterior, weights, line),
        acidity.steep,
        acidity.steep_sd,
        acidity.any,
        _slow_share(vats, rows),
        line_now,
        float(state.mean()),
        learn_renewal(rows, state),
    )


def _slow_share(vats: Vats, rows: pd.DataFrame) -> float:
    """Return the share of vats held up by something that the model does not know.

    Prior as of half a vat in fifty (judgement), joined by vats with a positive inhibitor test and by those whose looks the
    model takes for a fault on the late side.
    """
    late = rows["lower_min"].to_numpy(dtype=np.float64) > np.exp(rows["fitted"].to_numpy(dtype=np.float64))
    held_up = float(rows["slip_chance"].to_numpy(dtype=np.float64)[late].sum()) + float(
        (vats.rows["aside"] != "").sum()
    )
    return (0.5 + held_up) / (50.0 + len(rows))


def prior_set_time(draws: int, rng: np.random.Generator, no_rows: pd.DataFrame | None = None) -> SetTime:
    """Return draws from the prior alone, as for a dairy without any vat that told something.

    Parameters
    ----------
    draws
        Number of draws.
    rng
        Seeded generator.
    no_rows
        Empty frame with the columns of fitted vats, where at hand.
    """
    mean = np.array([mean for mean, _ in PRIORS.values()])
    sd = np.array([sd for _, sd in PRIORS.values()])
    hyper = Hyper.from_unit(rng.permutation(normal_points(draws, len(HYPER), seed=3)), tuple(HYPER))
    rows = pd.DataFrame() if no_rows is None else no_rows
    return SetTime(
        mean + sd * rng.standard_normal((draws, len(sd))),
        hyper.drift_sd * rng.standard_normal(draws),
        hyper,
        None,
        rows.assign(slip_chance=[], fitted=[], fitted_sd=[]),
        _no_culture(),
        STEEP[0],
        STEEP[1],
        has_ph=False,
    )


def _integrate(
    rows: pd.DataFrame, looks: Looks, names: tuple[str, ...], steep: float
) -> tuple[Posterior, Hyper, Array]:
    """Find the mode of the hyperparameters, lay points around it, and fit every point."""
    dims = len(names)
    latest: dict[str, Sites | None] = {"sites": None}

    def log_posterior(unit: Array, sites: Sites) -> Array:
        points = _points(rows, looks.design, Hyper.from_unit(unit, names), steep)
        evidence = evidence_given_sites(looks, points, sites)[0]
        return np.asarray(evidence - 0.5 * np.sum(unit**2, axis=1), dtype=np.float64)

    def value_and_gradient(unit: Array) -> tuple[Array, Array]:
        # Sites need only converge loosely on the way; the evidence is flat in them there, so that its slope in the
        # hyperparameters is had with the sites held.
        fit = fit_sites(
            looks, _points(rows, looks.design, Hyper.from_unit(unit, names), steep), latest["sites"], 25, 0.02
        )
        best = int(np.argmax(fit.log_evidence))
        latest["sites"] = Sites(*(part[best : best + 1] for part in fit.sites))
        m, nudge = len(unit), 1e-3
        around = np.repeat(unit, 2 * dims, axis=0) + np.tile(
            np.concatenate([np.eye(dims), -np.eye(dims)]) * nudge, (m, 1)
        )
        value = log_posterior(around, Sites(*(np.repeat(part, 2 * dims, axis=0) for part in fit.sites)))
        value = value.reshape(m, 2, dims)
        return fit.log_evidence - 0.5 * np.sum(unit**2, axis=1), (value[:, 0] - value[:, 1]) / (2.0 * nudge)

    def first_curvature(unit: Array) -> Array:
        sites, nudge = latest["sites"], 0.1
        assert sites is not None
        around = unit + np.concatenate([np.zeros((1, dims)), np.eye(dims) * nudge, -np.eye(dims) * nudge])
        value = log_posterior(around, Sites(*(np.repeat(part, 2 * dims + 1, axis=0) for part in sites)))
        return np.asarray((2.0 * value[0] - value[1 : dims + 1] - value[dims + 1 :]) / nudge**2)

    mode: Mode = find_mode(value_and_gradient, first_curvature, dims)
    unit, log_proposal = weighted_points(mode, _POINTS)
    hyper = Hyper.from_unit(unit, names)
    posterior = fit_sites(looks, _points(rows, looks.design, hyper, steep), latest["sites"], 25, 0.02)
    weights = normalised(posterior.log_evidence - 0.5 * np.sum(unit**2, axis=1) - log_proposal)
    return posterior, hyper, weights


def _no_culture() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "made_on": pd.Series(dtype="datetime64[ns]"),
            "culture": [],
            "lo90": [],
            "hi90": [],
            "fresh": pd.Series(dtype=bool),
        }
    )


def _culture_table(rows: pd.DataFrame, looks: Looks, posterior: Posterior, weights: Array, line: float) -> pd.DataFrame:
    """Return the culture's state by day, ageing of the line included, mixed over the hyperparameter points."""
    g = posterior.gaussian
    mean = weights @ g.drift
    sd = np.sqrt(weights @ (g.drift_var + (g.drift - mean) ** 2))
    first = np.flatnonzero(np.diff(looks.node, prepend=-1))
    state = mean + line * rows["line_days"].to_numpy(dtype=np.float64)[first]
    state = state - state.mean()
    return pd.DataFrame(
        {
            "made_on": rows["made_on"].iloc[first].to_numpy(),
            "culture": state,
            "lo90": state - 1.645 * sd,
            "hi90": state + 1.645 * sd,
            "fresh": rows["epoch_start"].iloc[first].to_numpy(dtype=bool),
        }
    )


def quantiles_of_mixture(mean: Array, sd: Array, shares: tuple[float, ...]) -> Array:
    """Return quantiles of equal mixtures of normals, ``(shares, columns)``, by bracketed Newton steps.

    The quantile of a mixture lies between the lowest and the highest of its members' quantiles.

    Parameters
    ----------
    mean
        ``(draws, columns)``.
    sd
        ``(draws,)``.
    shares
        Wanted probabilities.
    """
    width = sd[:, None]
    centre, spread = mean.mean(axis=0), np.sqrt(mean.var(axis=0) + np.mean(sd**2))
    out = np.empty((len(shares), mean.shape[1]))
    for i, share in enumerate(shares):
        members = mean + ndtri(share) * width
        low, high = members.min(axis=0), members.max(axis=0)
        at = np.clip(centre + ndtri(share) * spread, low, high)
        for _ in range(30):
            z = (at - mean) / width
            over = ndtr(z).mean(axis=0) - share
            low, high = np.where(over < 0, at, low), np.where(over < 0, high, at)
            density = (np.exp(-0.5 * z * z) / width).mean(axis=0) / np.sqrt(2.0 * np.pi)
            step = at - over / np.maximum(density, 1e-12)
            new = np.where((step > low) & (step < high), step, 0.5 * (low + high))
            done = np.max(np.abs(new - at)) < 1e-6
            at = new
            if done:
                break
        out[i] = at
    return out
