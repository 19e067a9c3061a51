"""Oxygen that water holds at equilibrium with air, by temperature and altitude."""

import math

from tankwatch.physics.guard import between
from tankwatch.physics.water import KELVIN_AT_0_C

STANDARD_ATMOSPHERE_PA = 101_325.0

HUSBANDRY_MINIMUM_MG_PER_L = 6.0
"""Least dissolved oxygen of a husbandry table for zebrafish (Humane Endpoints / ZebraVis), mg/L."""


def air_pressure_pa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere, Pa, from -500 to 11 000 m.

    Source: US Standard Atmosphere 1976, p0 (1 - 2.25577e-5 z)^5.25588.

    Raises:
        ValueError: the altitude is outside -500..11000 m.
    """
    between("altitude in m", altitude_m, -500.0, 11_000.0)
    return float(STANDARD_ATMOSPHERE_PA * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)


def oxygen_saturation_mg_per_l(temperature_c: float, pressure_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
    """Return dissolved oxygen of fresh water in equilibrium with moist air, mg/L.

    Source: Benson and Krause 1984, Limnol. Oceanogr. 29:620-632, as in Standard Methods 4500-O, with its
    pressure formula C P [(1 - Pwv/P)(1 - θP)] / [(1 - Pwv)(1 - θ)], θ in its Celsius form.

    Raises:
        ValueError: the temperature is outside 0..40 °C, or the pressure outside 20..120 kPa.
    """
    t_c = between("water temperature in °C", temperature_c, 0.0, 40.0)
    p_atm = between("air pressure in Pa", pressure_pa, 20_000.0, 120_000.0) / STANDARD_ATMOSPHERE_PA
    t_k = t_c + KELVIN_AT_0_C
    at_one_atm = math.exp(
        -139.34411 + 1.575701e5 / t_k - 6.642308e7 / t_k**2 + 1.243800e10 / t_k**3 - 8.621949e11 / t_k**4
    )
    vapour_atm = math.exp(11.8571 - 3840.70 / t_k - 216_961.0 / t_k**2)
    theta = non_ideality_per_atm(t_c)
    return (
        at_one_atm
        * p_atm
        * ((1.0 - vapour_atm / p_atm) * (1.0 - theta * p_atm))
        / ((1.0 - vapour_atm) * (1.0 - theta))
    )


def non_ideality_per_atm(temperature_c: float) -> float:
    """Return θ of the pressure formula, 1/atm; its kelvin form is the same polynomial.

    Source: Benson and Krause 1984.

    Raises:
        ValueError: the temperature is outside 0..40 °C.
    """
    t_c = between("water temperature in °C", temperature_c, 0.0, 40.0)
    return 0.000975 - 1.426e-5 * t_c + 6.436e-8 * t_c**2
