"""Un-ionised ammonia in fresh water, and the criteria that agencies publish for it.

TAN is total ammonia nitrogen: NH3 and NH4+ together, counted as nitrogen.
"""

import math

from tankwatch.physics.guard import between, not_negative
from tankwatch.physics.water import KELVIN_AT_0_C


def ammonium_pka(temperature_c: float) -> float:
    """Return the pKa of the ammonium ion in fresh water.

    Source: Emerson, Russo, Lund and Thurston 1975, J. Fish. Res. Board Can. 32:2379-2383,
    pKa = 0.09018 + 2729.92 / T. (2727.92, seen in reprints, is a misprint.)

    Raises:
        ValueError: the temperature is outside 0..50 °C.
    """
    t_k = between("water temperature in °C", temperature_c, 0.0, 50.0) + KELVIN_AT_0_C
    return 0.09018 + 2729.92 / t_k


def un_ionised_share(ph: float, temperature_c: float) -> float:
    """Return the share of TAN that is NH3, 0..1, at this pH and temperature.

    Source: Emerson et al. 1975, 1 / (1 + 10^(pKa - pH)).

    Raises:
        ValueError: the pH is outside 0..14 or the temperature outside 0..50 °C.
    """
    between("pH", ph, 0.0, 14.0)
    return 1.0 / (1.0 + math.pow(10.0, ammonium_pka(temperature_c) - ph))


def un_ionised_mg_n_per_l(tan_mg_n_per_l: float, ph: float, temperature_c: float) -> float:
    """Return NH3 counted as nitrogen, mg N/L, out of total ammonia nitrogen.

    Raises:
        ValueError: TAN is negative, the pH is outside 0..14 or the temperature outside 0..50 °C.
    """
    return not_negative("TAN in mg N/L", tan_mg_n_per_l) * un_ionised_share(ph, temperature_c)


def epa_acute_tan_mg_n_per_l(ph: float, temperature_c: float, salmonids: bool = False) -> float:
    """Return the criterion maximum concentration of TAN for one hour, mg N/L.

    Source: US EPA 2013, Aquatic Life Ambient Water Quality Criteria for Ammonia - Freshwater,
    EPA 822-R-13-001; `salmonids` is its branch with Oncorhynchus present.

    Raises:
        ValueError: the pH is outside 0..14 or the temperature outside 0..50 °C.
    """
    between("pH", ph, 0.0, 14.0)
    between("water temperature in °C", temperature_c, 0.0, 50.0)
    low = 1.0 + math.pow(10.0, 7.204 - ph)
    high = 1.0 + math.pow(10.0, ph - 7.204)
    warmth = 23.12 * math.pow(10.0, 0.036 * (20.0 - temperature_c))
    shape = 0.7249 * (0.0114 / low + 1.6181 / high)
    if salmonids:
        return min(0.275 / low + 39.0 / high, shape * warmth)
    return shape * min(51.93, warmth)


def epa_chronic_tan_mg_n_per_l(ph: float, temperature_c: float) -> float:
    """Return the criterion continuous concentration of TAN, a 30-day mean, mg N/L.

    The highest four-day mean may be 2.5 times this. Source: US EPA 2013, EPA 822-R-13-001; the term in
    the exponent is 20 - max(T, 7).

    Raises:
        ValueError: the pH is outside 0..14 or the temperature outside 0..50 °C.
    """
    between("pH", ph, 0.0, 14.0)
    between("water temperature in °C", temperature_c, 0.0, 50.0)
    low = 1.0 + math.pow(10.0, 7.688 - ph)
    high = 1.0 + math.pow(10.0, ph - 7.688)
    warmth = 2.126 * math.pow(10.0, 0.028 * (20.0 - max(temperature_c, 7.0)))
    return 0.8876 * (0.0278 / low + 1.1994 / high) * warmth


EPA_FOUR_DAY_FACTOR = 2.5
"""Highest four-day mean as a multiple of the chronic criterion (EPA 822-R-13-001)."""
HUSBANDRY_LIMIT_NH3_MG_PER_L = 0.02
"""NH3 limit of a husbandry table for zebrafish (Humane Endpoints / ZebraVis), as NH3, mg/L."""
EU_LIMIT_NH3_MG_PER_L = 0.025
"""Waters with fish, directive 2006/44/EC (repealed), as NH3, mg/L; value from memory."""
