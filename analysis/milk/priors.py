"""Prior knowledge of ewes' milk, with its sources.

Amounts are g per 100 g of milk; protein is nitrogen x 6.38. Every array is ordered fat, protein, lactose. Numbers marked
"judgement" were derived for this project from the publications named beside them; a dairy's own records move them.

Publications behind the derived numbers:

- level and flock to flock: FAO 2013 *Milk and dairy products in human nutrition*, table 3.1 (sheep: fat 6.4, 5.8-7.0; protein 5.6,
  5.4-6.0; lactose 5.1, 4.5-5.4); Oravcova et al. 2007 Czech J. Anim. Sci. 52:189 (121 000 test days); Sevi et al. 2004.
- movement through lactation: Fuertes et al. 1998 J. Dairy Sci. 81 (lowest at week 3, then rising); Othmane et al. 2002
  J. Dairy Res. 69:53; Scano et al. 2019 (126 000 bulk samples, lactose falling).
- spread between months: Komprej et al. 2011 and Oravcova 2016 (flock x test-month share of variance 0.24-0.45).
- feeding: Bocquier & Caja 2001; Nudda et al. 2020 (fat moves far more than true protein). Heat: Ramon et al. 2016 J. Dairy Sci.
- laboratories: Biggs 1978 J. AOAC 61:1015; ISO 9622|IDF 141.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

COMPONENTS: Final = ("fat_g_100g", "protein_g_100g", "lactose_g_100g")

# Level at day 100 of lactation, and how well it is known before any test (judgement from FAO 2013 table 3.1 and Oravcova 2007).
LEVEL: Final[Array] = np.array([6.7, 5.5, 4.8])
LEVEL_SD: Final[Array] = np.array([0.7, 0.40, 0.20])
FLOCK_SD: Final[Array] = np.array([0.40, 0.22, 0.10])
# The mixed vat against the mixture that the diary implies: yields are known only roughly (judgement).
BULK_SD: Final[Array] = np.array([0.10, 0.05, 0.03])

# Wood curve C(t) = C30 (t/30)^-b exp(c (t - 30)) of one ewe's concentration (judgement from Fuertes 1998 and Othmane 2002).
WOOD_C30: Final[Array] = np.array([6.0, 5.1])
WOOD_B: Final[Array] = np.array([0.070, 0.060])
WOOD_C: Final[Array] = np.array([0.0023, 0.0020])
LACTOSE_SLOPE_30D: Final = -0.08
# A flock's curve is flatter than an ewe's: lambing is spread over weeks, and the richest milk is dried off (judgement).
FLATTENING: Final = 0.85
LACTATION_SLOPE_SD: Final[Array] = np.array([0.12, 0.07, 0.04])  # per 30 days
LACTATION_SHAPE_SD: Final[Array] = np.array([0.22, 0.12, 0.06])
FLOCK_SLOPE_SD: Final[Array] = np.array([0.08, 0.05, 0.025])
FLOCK_SHAPE_SD: Final[Array] = np.array([0.12, 0.07, 0.03])
SLOPE_PER_DAYS: Final = 30.0
REFERENCE_DAY: Final = 100.0

# Half of peak to trough over the year with stage of lactation held: rich in winter, poor in early summer (judgement; Sevi 2004
# autumn against winter lambing; sign of lactose not known).
SEASON_MEAN: Final[Array] = np.array([0.30, 0.15, 0.0])
SEASON_SD: Final[Array] = np.array([0.20, 0.10, 0.06])
SEASON_PEAK_DAY_NORTH: Final = 15.0
SEASON_DECAY: Final = (1.0, 0.5, 0.3)
# Without lambing dates the season has to carry lactation as well (judgement: 1.5 g over a lactation of 200 days).
SEASON_SD_NO_DIARY: Final[Array] = np.array([0.60, 0.35, 0.15])

FORAGE_SD: Final[Array] = np.array([0.30, 0.15, 0.06])
FORAGE_DAYS: Final = 6.0  # a change shows after 3-10 days and is full by 14-21 (common practice)
SUPPLEMENT_MEAN: Final[Array] = np.array([-0.20, 0.05, 0.0])  # per kg and ewe a day (judgement; sign from memory)
SUPPLEMENT_SD: Final[Array] = np.array([0.40, 0.15, 0.06])

# Heat: degrees of the mean of three days above 22 C. The concentration hardly moves and the sign is not sure (Ramon 2016).
HEAT_ABOVE_C: Final = 22.0
HEAT_MEAN: Final[Array] = np.array([-0.010, -0.010, -0.003])
HEAT_SD: Final[Array] = np.array([0.030, 0.012, 0.005])
# One standard deviation of 60-day rain or 30-day warmth against the usual of that time of year (judgement).
DRYNESS_SD: Final[Array] = np.array([0.10, 0.05, 0.02])
WARMTH_SD: Final[Array] = np.array([0.08, 0.04, 0.02])

YEAR_SD: Final[Array] = np.array([0.20, 0.10, 0.04])
FLOCK_YEAR_SD: Final[Array] = np.array([0.25, 0.12, 0.05])

DRIFT_SD: Final[Array] = np.array([0.35, 0.15, 0.06])
DRIFT_LOG_SD: Final[Array] = np.array([0.4, 0.4, 0.4])
DRIFT_DAYS: Final = 30.0
DRIFT_DAYS_LOG_SD: Final = 0.6

DAY_SD: Final[Array] = np.array([0.15, 0.06, 0.03])  # true day to day of well mixed milk
RESULT_SD: Final[Array] = np.array([0.08, 0.05, 0.05])  # infrared within a laboratory, sampling included
NOISE_LOG_SD: Final[Array] = np.array([0.35, 0.35, 0.35])
LAB_SD: Final[Array] = np.array(
    [0.12, 0.08, 0.08]
)  # laboratory or calibration against another (Biggs 1978, scaled to ewes' milk)
OUTLIER_RATE: Final = 0.03  # unmixed, creamed or swapped samples: 1-8 % (judgement)
OUTLIER_SD: Final[Array] = np.array([1.0, 0.15, 0.10])

LEVEL_CORRELATION: Final[Array] = np.array([[1.0, 0.6, -0.4], [0.6, 1.0, -0.4], [-0.4, -0.4, 1.0]])
DRIFT_CORRELATION: Final[Array] = np.array([[1.0, 0.5, -0.4], [0.5, 1.0, -0.4], [-0.4, -0.4, 1.0]])
NOISE_CORRELATION: Final[Array] = np.array([[1.0, 0.2, -0.1], [0.2, 1.0, -0.1], [-0.1, -0.1, 1.0]])

# Yield a day t^b exp(-c t) of Wood's form for ewes (b 0.1-0.3, c 0.006-0.012, from memory; peak week 3-5, Fuertes 1998).
YIELD_B: Final = 0.2
YIELD_C: Final = 0.009
LACTATION_DAYS: Final = 200.0  # 150-220 by breed (from memory)
LACTATION_DAYS_SD: Final = 25.0
COLOSTRUM_DAYS: Final = 5.0  # not milk for the vat


def lactation_mean(days_in_milk: Array) -> Array:
    """Return the mean change of composition from day 100 of lactation.

    Parameters
    ----------
    days_in_milk : array, shape (n,)
        Days since lambing; values outside 4-300 are taken at the border.

    Returns
    -------
    array, shape (n, 3)
        g per 100 g, fat, protein, lactose; zero at day 100.
    """
    t = np.clip(np.asarray(days_in_milk, float), 4.0, 300.0)[:, None]

    def wood(at: Array) -> Array:
        return np.asarray(WOOD_C30 * (at / 30.0) ** -WOOD_B * np.exp(WOOD_C * (at - 30.0)))

    rich = FLATTENING * (wood(t) - wood(np.array([[REFERENCE_DAY]])))
    lactose = LACTOSE_SLOPE_30D * (t - REFERENCE_DAY) / SLOPE_PER_DAYS
    return np.concatenate([rich, lactose], axis=1)


def relative_yield(days_in_milk: Array) -> Array:
    """Return one ewe's yield relative to day 30 of lactation (Wood's form), shape as given."""
    t = np.clip(np.asarray(days_in_milk, float), 2.0, 330.0)
    return np.asarray((t / 30.0) ** YIELD_B * np.exp(-YIELD_C * (t - 30.0)))
