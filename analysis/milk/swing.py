r"""What made the milk move: the variance of the past split by cause.

With ``x_p(t)`` what part ``p`` adds to the milk of day ``t``, over the days with milk that the records span,

.. math:: \mathrm{share}_p = \mathrm{Cov}(x_p, \textstyle\sum_q x_q) / V, \qquad
          V = \mathrm{Var}(\textstyle\sum_q x_q) + \sigma_{lab}^2 + \sigma_e^2

for each posterior draw, so that the shares add up to 1; laboratory and unexplained enter with their variance for one result,
the drift counts as unexplained. A share may be negative: a part can work against the rest.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.milk import priors
from analysis.milk.model import MilkFit, drift_on

Array = NDArray[np.float64]

PARTS = ("lactation", "season", "forage", "weather", "flock", "year", "lab", "unexplained")
# Parts of the model that each part of the swing is made of.
_MADE_OF = {
    "lactation": ("lactation",),
    "season": ("season",),
    "forage": ("forage",),
    "weather": ("weather",),
    "flock": ("flock", "bulk"),
    "year": ("year", "flock_year"),
}
N_DRAWS = 250
STEP_DAYS = 4
# Two parts are said not to be told apart when their shares trade off this strongly between draws.
TRADE_OFF = -0.6
WORTH_NAMING = 0.10


def swing_shares(fit: MilkFit) -> Array | None:
    """Return draws of each part's share, shape (draws, 3, parts); None without days with milk."""
    days, weight = _days_with_milk(fit)
    if len(days) < 3:
        return None
    coef = fit.sample.coefficients[:N_DRAWS]
    columns, mean = fit.past.columns[days], fit.past.mean[days]
    whole_weight = weight / weight.sum()
    names = np.array(fit.features.parts)
    contributions = []
    for part in PARTS[:6]:
        chosen = np.flatnonzero(np.isin(names, _MADE_OF[part]))
        value = np.einsum("nfq,dqc->dnfc", columns[:, :, chosen], coef[:, chosen], optimize=True)
        if part == "lactation":
            value = value + mean
        contributions.append(value)
    rng = np.random.default_rng([fit.seed, 5])
    drift = drift_on(fit.sample, fit.posterior.prior, days.astype(float), rng)[:N_DRAWS]
    contributions.append(drift[:, :, :1] + drift[:, :, 1:])
    if _bulk_tested(fit):
        # One series: the mixture; a changing mixture of unlike flocks is the flocks' part.
        share = fit.past.weight[days]
        contributions = [np.einsum("nf,dnfc->dnc", share, x)[:, :, None] for x in contributions]
        whole_weight = np.full((len(days), 1), 1.0 / len(days))
    stack = np.stack(contributions)
    centred = stack - (stack * whole_weight[None, None, :, :, None]).sum((2, 3), keepdims=True)
    total = centred.sum(0)
    cov = (centred * total * whole_weight[None, None, :, :, None]).sum((2, 3))
    noise = np.stack([s.noise for s in fit.sample.scales])[fit.sample.point[:N_DRAWS]] ** 2
    lab = _lab_variance(fit, coef)
    whole = cov.sum(0) + lab + noise
    shares = np.empty((len(coef), 3, len(PARTS)))
    for p in range(6):
        shares[:, :, p] = cov[p] / whole
    shares[:, :, 6] = lab / whole
    shares[:, :, 7] = (cov[6] + noise) / whole
    return shares


def swing_rows(fit: MilkFit, shares: Array | None) -> list[dict[str, Any]]:
    """Return the rows of ``swing``; the means add up to 1 for each component that was tested."""
    if shares is None:
        return []
    rows = []
    for c, component in enumerate(priors.COMPONENTS):
        if not fit.rows[component].notna().any():
            continue
        for p, part in enumerate(PARTS):
            x = shares[:, c, p]
            lo, hi = np.quantile(x, [0.05, 0.95])
            rows.append(
                {"component": component, "part": part, "share": float(x.mean()), "lo90": float(lo), "hi90": float(hi)}
            )
    return rows


def not_told_apart(fit: MilkFit, shares: Array | None) -> list[tuple[str, str, str]]:
    """Return (component, part, part) of parts whose shares trade off against each other."""
    if shares is None:
        return []
    found = []
    for c, component in enumerate(priors.COMPONENTS):
        if not fit.rows[component].notna().any():
            continue
        wide = np.quantile(shares[:, c], 0.95, axis=0) - np.quantile(shares[:, c], 0.05, axis=0)
        for p in range(6):
            for q in range(p + 1, 6):
                if wide[p] > WORTH_NAMING and wide[q] > WORTH_NAMING:
                    r = np.corrcoef(shares[:, c, p], shares[:, c, q])[0, 1]
                    if r < TRADE_OFF:
                        found.append((component, PARTS[p], PARTS[q]))
    return found


def _bulk_tested(fit: MilkFit) -> bool:
    return bool((fit.rows["source"] == "bulk").any()) or len(fit.calendar.flocks) == 1


def _days_with_milk(fit: MilkFit) -> tuple[NDArray[np.int64], Array]:
    """Every fourth day on which there was milk, from the first to the last result, and the flocks' milk on them."""
    kg = np.stack([flock.kg for flock in fit.calendar.past], axis=1)
    if not len(fit.rows):
        return np.zeros(0, np.int64), kg[:0]
    number = fit.calendar.day_number(fit.rows["sampled_on"])
    span = np.arange(number.min(), number.max() + 1)
    days = span[kg[span].sum(1) > 0][::STEP_DAYS]
    return days, kg[days]


def _lab_variance(fit: MilkFit, coef: Array) -> Array:
    """Variance between results of what their laboratories read too high, shape (draws, 3)."""
    bias = np.zeros((len(coef), len(fit.rows), 3))
    for k, (lab, method) in enumerate(fit.features.labs):
        of_lab = np.asarray((fit.rows["lab"] == lab) & (fit.rows["method"] == method))
        bias[:, of_lab] = coef[:, fit.features.columns("lab")[k]][:, None, :]
    return np.asarray(bias.var(1))
