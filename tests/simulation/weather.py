"""Invented weather and grass, by laws that the fitted model does not know.

Temperature anomalies follow an AR(2), rain a three-regime Markov chain with gamma amounts, droughts come by
chance in summer. Grass grows from soil moisture and warmth, so that pasture carries rain and heat of weeks ago.
Every function works on `n` worlds side by side: one for the truth, hundreds for the oracle's futures.
Climate figures are invented (judgement), roughly those of temperate and warm-dry hill country.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Days = NDArray[np.datetime64]

# Share of days with rain after a dry and after a wet day, by regime (dry, mixed, wet): invented.
_RAIN_AFTER_DRY = np.array([0.05, 0.22, 0.40])
_RAIN_AFTER_WET = np.array([0.25, 0.50, 0.72])
_REGIME_STAY = 1 - 1 / 35.0


@dataclass(frozen=True)
class Climate:
    """Where the dairy lies: degrees, mm and chances."""

    latitude: float
    mean_c: float
    swing_c: float
    rain_mm: float
    drought_chance: float


@dataclass(frozen=True)
class WeatherPath:
    """Weather and grass of `n` worlds; all arrays are (n, day)."""

    t_mean: Array
    t_max: Array
    rain: Array
    leaf: Array
    grass: Array
    anomaly: Array
    regime: NDArray[np.int64]
    soil: Array


@dataclass(frozen=True)
class WeatherState:
    """What goes on from one day to the next; arrays of length n."""

    anomaly: Array
    anomaly_before: Array
    regime: NDArray[np.int64]
    wet: NDArray[np.bool_]
    soil: Array
    leaf: Array
    grass: Array


def day_of_year(days: Days) -> Array:
    """Day of the year, 0 on 1 January."""
    return (days - days.astype("datetime64[Y]").astype("datetime64[D]")).astype(float)


def season_day(days: Days, southern: bool) -> Array:
    """Day of the year as the northern half of the world would count it."""
    return np.mod(day_of_year(days) + (182.5 if southern else 0.0), 365.25)


def day_length(days: Days, latitude: float) -> Array:
    """Hours of daylight (sunrise equation with Cooper's 1969 declination)."""
    tilt = np.deg2rad(23.45) * np.sin(2 * np.pi * (284 + day_of_year(days) + 1) / 365.0)
    cosine = -np.tan(np.deg2rad(np.clip(latitude, -60, 60))) * np.tan(tilt)
    return 24 / np.pi * np.arccos(np.clip(cosine, -1, 1))


def first_state(n: int) -> WeatherState:
    """Start a mild, moist spring."""
    zero = np.zeros(n)
    return WeatherState(
        zero, zero, np.ones(n, dtype=np.int64), np.zeros(n, dtype=bool), zero + 0.6, zero + 0.5, zero + 0.5
    )


def draw_droughts(climate: Climate, years: NDArray[np.int64], n: int, rng: np.random.Generator) -> Array:
    """Start (season day) and length of each summer's drought: (n, year, 2); NaN start where none comes."""
    start = rng.uniform(135, 195, (n, years.size))
    length = rng.uniform(50, 110, (n, years.size))
    comes = rng.random((n, years.size)) < climate.drought_chance
    return np.stack([np.where(comes, start, np.nan), length], axis=-1)


def run_weather(
    climate: Climate, days: Days, droughts: Array, first_year: int, state: WeatherState, rng: np.random.Generator
) -> WeatherPath:
    """Run the weather of `n` worlds over `days` from `state`.

    `droughts` is (n, year, 2), the first row being the season year `first_year`.
    """
    n, T = droughts.shape[0], days.size
    southern = climate.latitude < 0
    season = season_day(days, southern)
    # A season year starts in (northern) January, so a southern summer lies within one of them.
    half = np.timedelta64(182, "D") if southern else np.timedelta64(0, "D")
    year = (days + half).astype("datetime64[Y]").astype(int) + 1970 - first_year
    # A skewed yearly course: long warm shoulders in autumn, unlike one harmonic.
    phase = 2 * np.pi * (season - 205) / 365.25
    normal = climate.mean_c + climate.swing_c * np.cos(phase + 0.25 * np.sin(phase))
    out = {k: np.empty((T, n)) for k in ("t_mean", "t_max", "rain", "leaf", "grass", "anomaly", "soil")}
    regimes = np.empty((T, n), dtype=np.int64)
    a1, a2 = state.anomaly.copy(), state.anomaly_before.copy()
    regime, wet = state.regime.copy(), state.wet.copy()
    soil, leaf, grass = state.soil.copy(), state.leaf.copy(), state.grass.copy()
    shock = rng.standard_normal((T, n))
    chance = rng.random((T, 4, n))
    amount = rng.gamma(0.7, 1.0, (T, n))
    for t in range(T):
        begin, length = droughts[:, year[t], 0], droughts[:, year[t], 1]
        dry = (season[t] >= begin) & (season[t] < begin + length)
        new = 0.98 * a1 - 0.18 * a2 + 1.7 * shock[t]
        a2, a1 = a1, new
        move = chance[t, 0] > _REGIME_STAY
        regime = np.where(move, np.minimum((chance[t, 1] * 3).astype(np.int64), 2), regime)
        p = np.where(wet, _RAIN_AFTER_WET[regime], _RAIN_AFTER_DRY[regime]) * np.where(dry, 0.15, 1.0)
        wet = chance[t, 2] < p
        rain = np.where(wet, amount[t] * climate.rain_mm * 4.0, 0.0)
        temp = normal[t] + a1 + np.where(dry, 2.2, 0.0) - np.where(wet, 0.8, 0.0)
        warm = np.maximum(temp, 0.0)
        soil = np.clip(soil + rain / 55.0 - (0.004 + 0.0014 * warm) * soil, 0.0, 1.0)
        # Grass wants 4 to 26 degrees and moisture; leafiness is the growth of the last fortnight.
        growth = np.clip((temp - 4) / 11, 0, 1) * np.clip((30 - temp) / 8, 0, 1) * soil / (soil + 0.25)
        leaf = leaf + (growth - leaf) / 14.0
        grass = np.clip(grass + 0.10 * growth * grass * (1.15 - grass) - 0.022 * grass + 0.0008, 0.03, 1.0)
        out["t_mean"][t], out["rain"][t] = temp, rain
        out["t_max"][t] = temp + 3.0 + 3.5 * chance[t, 3] + np.where(wet, 0.0, 1.5)
        out["leaf"][t], out["grass"][t], out["soil"][t], out["anomaly"][t] = leaf, grass, soil, a1
        regimes[t] = regime
    return WeatherPath(regime=regimes.T, **{k: values.T for k, values in out.items()})


def state_after(path: WeatherPath, t: int, n: int) -> WeatherState:
    """Return the state after day number `t` of the first world, repeated for `n` worlds."""

    def one(values: NDArray, at: int = t) -> NDArray:
        return np.repeat(values[:1, at], n)

    return WeatherState(
        anomaly=one(path.anomaly),
        anomaly_before=one(path.anomaly, max(t - 1, 0)),
        regime=one(path.regime),
        wet=one(path.rain) > 0,
        soil=one(path.soil),
        leaf=one(path.leaf),
        grass=one(path.grass),
    )
