"""Invented vats: two species grow, make acid, and the milk gels where its pH crosses a line.

Not the fitted model: set time is not a regression but the solution of a growth curve in steps of a few minutes, with
a square-root temperature response (Ratkowsky et al. 1983) that has an optimum, pots that warm or cool to the
incubator, buffering that grows with protein, and a culture that loses vigour by steps, stalls (phage, residues) and
is renewed when its maker has had enough of it. Constants aim at set times near 165 min at 43 C with 25 g/kg,
-0.12 to -0.18 in the log of set time per doubling of the dose, and a loss of 0.12 and 0.31 doublings a day of starter
age for the two species (judgement from published counts of cold yogurt over 29 days; the doubling rule is theory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tests.simulation.kinds import CulturePlan
from tests.simulation.weather import Array

STEP = 4.0
LAST = 640.0
# Fitted once by hand so that a fresh 25 g/kg at 43.5 C sets in about 165 minutes.
_ACID = 1.15e-10
_GROWTH = 0.0262


@dataclass(frozen=True)
class CulturePath:
    """Activity (log of growth rate), whether it stalls, and days on which it was renewed: all (n, day)."""

    activity: Array
    loss: Array
    quality: Array
    wobble: Array
    stall: Array
    renewed: np.ndarray


def run_culture(
    plan: CulturePlan, T: int, start: tuple[Array, Array, Array, Array], rng: np.random.Generator
) -> CulturePath:
    """Let the culture of `n` worlds live for `T` days; `start` is (loss, quality, wobble, days still stalled)."""
    loss, quality, wobble, stall = (x.copy() for x in start)
    n = loss.size
    out = {k: np.empty((n, T)) for k in ("activity", "loss", "quality", "wobble", "stall")}
    renewed = np.zeros((n, T), dtype=bool)
    chance = rng.random((T, 3, n))
    drop = rng.gamma(2.0, plan.step_size / 2, (T, n))
    shock = rng.standard_normal((T, 2, n))
    for t in range(T):
        loss = 0.998 * loss + plan.decline + np.where(chance[t, 0] < plan.step_chance, drop[t], 0.0)
        begins = (chance[t, 1] < plan.phage) & (stall <= 0)
        ends = stall == 1
        hazard = np.minimum(np.exp(6 * (loss - 0.18)) / plan.renew_days, 0.5)
        new = (chance[t, 2] < hazard) | ends
        loss = np.where(new, 0.0, loss)
        quality = np.where(new, 0.05 * shock[t, 0], quality)
        stall = np.where(begins, 5.0, np.maximum(stall - 1, 0.0))
        wobble = 0.93 * wobble + 0.016 * shock[t, 1]
        out["loss"][:, t], out["quality"][:, t], out["wobble"][:, t], out["stall"][:, t] = loss, quality, wobble, stall
        out["activity"][:, t] = plan.vigour + quality + wobble - loss
        renewed[:, t] = new
    return CulturePath(renewed=renewed, **out)


@lru_cache(maxsize=64)
def _shape(best: float, worst: float) -> tuple[float, float]:
    """Return the bend of the square-root response that puts its optimum at `best`, and its height there."""
    bends = np.linspace(0.05, 1.5, 400)
    temp = np.linspace(30, worst - 0.05, 800)
    rate = (temp - 8.0) * (1 - np.exp(bends[:, None] * (temp - worst)))
    at = temp[np.argmax(rate, axis=1)]
    bend = float(bends[np.argmin(np.abs(at - best))])
    return bend, float(((best - 8.0) * (1 - np.exp(bend * (best - worst)))) ** 2)


def growth_share(temp: Array, best: float, worst: float) -> Array:
    """Growth rate relative to the best, by temperature in C; zero above `worst`."""
    bend, top = _shape(round(best, 3), round(worst, 3))
    inside = np.clip(temp, 8.0, worst)
    return ((inside - 8.0) * (1 - np.exp(bend * (inside - worst)))) ** 2 / top


def acidify(
    plan: CulturePlan,
    activity: Array,
    starter_age: Array,
    dose: Array,
    warmth: Array,
    fill: Array,
    protein: Array,
    gel_ph: Array,
    stall: Array,
) -> tuple[Array, Array, Array]:
    """Run vats side by side.

    Returns
    -------
    minutes : (step,)
    ph : (vat, step)
    set_min : (vat,) minutes from inoculation to the gel; infinite where it never comes.
    """
    steps = int(LAST / STEP)
    minutes = np.arange(steps + 1) * STEP
    strept = 10 ** (8.55 - 0.036 * starter_age) * dose / 1000
    lacto = 10 ** (8.35 - 0.093 * starter_age) * dose / 1000
    ph = 6.62 - 0.003 * dose
    stop = np.where(stall > 0, 5.55, 0.0)
    room = 10**8.9
    out = np.empty((activity.size, steps + 1))
    out[:, 0] = ph
    quick = np.exp(activity)
    buffer = 1 + 0.09 * (protein - 5.5)
    for k in range(steps):
        temp = warmth + (fill - warmth) * np.exp(-minutes[k] / 75.0)
        ready = 1 / (1 + np.exp(-(minutes[k] - 18.0 - 0.5 * starter_age) / 7.0))
        full = np.clip(1 - (strept + lacto) / room, 0, 1)
        s_rate = _GROWTH * quick * growth_share(temp, plan.best_c, plan.worst_c)
        l_rate = 0.85 * _GROWTH * quick * growth_share(temp, plan.best_c + 1.2, plan.worst_c + 0.8)
        sour_s = np.clip((ph - 4.35) / 1.6, 0, 1)
        sour_l = np.clip((ph - 3.7) / 1.6, 0, 1)
        # Milk buffers most near pH 5.
        hold = buffer * (1 + 0.9 * np.exp(-(((ph - 5.0) / 0.45) ** 2)))
        acid = (s_rate * strept * sour_s + 1.3 * l_rate * lacto * sour_l) * ready
        fall = _ACID / _GROWTH * acid / hold * STEP
        ph = np.where(ph - fall < stop, np.minimum(ph, stop), ph - fall)
        strept = strept * np.exp(s_rate * full * sour_s**0.5 * ready * STEP)
        lacto = lacto * np.exp(l_rate * full * sour_l**0.5 * ready * STEP)
        out[:, k + 1] = ph
    line = gel_ph + 0.02 * (protein - 5.5)
    below = out <= line[:, None]
    reached = below.any(axis=1)
    at = np.maximum(below.argmax(axis=1), 1)
    row = np.arange(activity.size)
    high, low = out[row, at - 1], out[row, at]
    part = (high - line) / np.maximum(high - low, 1e-9)
    return minutes, out, np.where(reached, minutes[at - 1] + part * STEP, np.inf)


def usual_minutes(plan: CulturePlan) -> float:
    """Minutes after which the maker is used to moving the pots out: set at the usual settings, and a little."""
    one = np.ones(1)
    set_min = acidify(
        plan,
        one * (plan.vigour - 0.10),
        one * 3,
        one * plan.usual_dose,
        one * (plan.usual_c - 0.3),
        one * (plan.usual_c + 1.0),
        one * 5.7,
        one * plan.gel_ph,
        one * 0,
    )[2]
    return float(5 * np.round((set_min[0] + 15) / 5))


def run_vats(
    plan: CulturePlan,
    activity: Array,
    stall: Array,
    starter_age: Array,
    dose: Array,
    incubator: Array,
    protein: Array,
    rng: np.random.Generator,
) -> tuple[Array, Array, Array]:
    """Run vats with the luck of each: true warmth, fill, vigour and gel line; returns as `acidify`."""
    size = activity.size
    # A vat's own luck is lopsided: slow vats are slower than quick ones are quick.
    luck = rng.normal(0, plan.batch_sd, size) - plan.batch_sd * 0.6 * (rng.gamma(1.5, 1.0, size) - 1.5)
    return acidify(
        plan,
        activity + luck,
        starter_age,
        dose,
        incubator - 0.3 + rng.normal(0, plan.warmth_sd, size),
        incubator + rng.normal(1.0, 1.0, size),
        protein,
        plan.gel_ph + rng.normal(0, 0.04, size),
        stall,
    )
