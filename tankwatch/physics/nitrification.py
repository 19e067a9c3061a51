"""Ammonia from feed, and what nitrifying bacteria on filter media do with it."""

import math

from tankwatch.physics.guard import between, not_negative, positive
from tankwatch.physics.nitrogen import N_G_PER_MOL, O_G_PER_MOL

_O2_G_PER_MOL = 2 * O_G_PER_MOL
_CACO3_G_PER_EQUIVALENT = 100.09 / 2

OXYGEN_G_PER_G_N = 2.0 * _O2_G_PER_MOL / N_G_PER_MOL
"""Oxygen used from ammonium to nitrate, 2 mol O2 per mol N: 4.57 g/g, growth of bacteria left out."""
OXYGEN_TO_NITRITE_G_PER_G_N = 1.5 * _O2_G_PER_MOL / N_G_PER_MOL
"""First step, 1.5 mol O2 per mol N."""
OXYGEN_TO_NITRATE_G_PER_G_N = 0.5 * _O2_G_PER_MOL / N_G_PER_MOL
"""Second step, 0.5 mol O2 per mol N."""
ALKALINITY_G_CACO3_PER_G_N = 2.0 * _CACO3_G_PER_EQUIVALENT / N_G_PER_MOL
"""Alkalinity used, 2 equivalents per mol N: 7.14 g CaCO3/g N."""

TAN_SHARE_OF_PROTEIN = 0.16 * 0.80 * 0.80 * 0.90
"""N in protein x assimilated x excreted x as TAN = 0.092 (Timmons and Ebeling, Recirculating Aquaculture)."""

TESTED_AREAL_RATE_G_PER_M2_DAY = 0.36
"""Largest load of a fluidised-bed test (Sandu, "Nitrification rates in fluidized-bed filters")."""

# g TAN/m² day at the ends of the two published ranges; between them a straight line.
_RATE_COOL_C, _RATE_WARM_C = 20.0, 25.0
_RATE_COOL = (0.2, 1.0)
_RATE_WARM = (1.0, 2.0)


def tan_g_per_day(feed_g_per_day: float, protein_share: float) -> float:
    """Return the ammonia nitrogen that fish give off for their feed, g TAN/day.

    Source: Timmons and Ebeling, Recirculating Aquaculture: P = F PC 0.092 / t.

    Raises:
        ValueError: the feed is negative, or the protein is not a share of 0..1.
    """
    return (
        not_negative("feed in g/day", feed_g_per_day)
        * between("protein as a share", protein_share, 0.0, 1.0)
        * TAN_SHARE_OF_PROTEIN
    )


def areal_rate_range_g_per_m2_day(temperature_c: float) -> tuple[float, float]:
    """Return the low and high design rate of ripe filter media, g TAN/(m² day).

    Source: Timmons and Ebeling 2010, biofilter chapter (trickling and rotating media): 0.2 to 1.0 at
    15..20 °C, 1.0 to 2.0 at 25..30 °C (values from memory); a straight line between, and below 15 °C the
    growth law exp(0.098 (t - 15)) of the US EPA 1975 nitrogen manual (from memory).

    Raises:
        ValueError: the temperature is outside 0..35 °C.
    """
    t_c = between("water temperature in °C", temperature_c, 0.0, 35.0)
    if t_c < 15.0:
        slower = math.exp(0.098 * (t_c - 15.0))
        return _RATE_COOL[0] * slower, _RATE_COOL[1] * slower
    weight = min(1.0, max(0.0, (t_c - _RATE_COOL_C) / (_RATE_WARM_C - _RATE_COOL_C)))
    return (
        _RATE_COOL[0] + weight * (_RATE_WARM[0] - _RATE_COOL[0]),
        _RATE_COOL[1] + weight * (_RATE_WARM[1] - _RATE_COOL[1]),
    )


def careful_rate_g_per_m2_day(temperature_c: float) -> float:
    """Return a rate that ripe media surely reach, g TAN/(m² day).

    The low design rate, but never above the largest load that a printed test applied: the design rates of
    warm water were measured on strongly loaded media.

    Raises:
        ValueError: the temperature is outside 0..35 °C.
    """
    return min(areal_rate_range_g_per_m2_day(temperature_c)[0], TESTED_AREAL_RATE_G_PER_M2_DAY)


def media_area_m2(tan_g_per_day: float, rate_g_per_m2_day: float) -> float:
    """Return the media surface that turns over a daily load, m²: load / rate.

    Raises:
        ValueError: the load is negative or the rate not above 0.
    """
    return not_negative("TAN in g/day", tan_g_per_day) / positive("areal rate in g/m² day", rate_g_per_m2_day)
