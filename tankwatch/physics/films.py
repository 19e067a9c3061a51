"""Film coefficients between a tank and its room, and the transmittance of its walls."""

import math

from tankwatch.physics.guard import between, finite, not_negative, positive
from tankwatch.physics.water import KELVIN_AT_0_C

INDOOR_FILM_W_PER_M2_K = 8.29
"""Convection and radiation at an indoor wall in still air (ASHRAE Fundamentals; R 0.68 in US units)."""
CEILING_FILM_W_PER_M2_K = 10.0
"""Surface with heat flowing up, 1 / 0.10 m²K/W (ISO 6946 table 7)."""
FLOOR_FILM_W_PER_M2_K = 1.0 / 0.17
"""Surface with heat flowing down, 1 / 0.17 m²K/W (ISO 6946 table 7)."""
WATER_FILM_W_PER_M2_K = 200.0
"""Inner film on a tank wall; the result hardly depends on it (estimate, no published source)."""
GLASS_W_PER_M_K = 1.0
"""Thermal conductivity of soda-lime glass (ISO 10456)."""
ACRYLIC_W_PER_M_K = 0.19
"""Thermal conductivity of acrylic sheet (generic polymer data)."""
GLASS_EMISSIVITY = 0.837
"""Emissivity of uncoated glass (EN 12898)."""
WATER_EMISSIVITY = 0.95
"""Emissivity of a water surface (common handbook value)."""

_STEFAN_BOLTZMANN_W_PER_M2_K4 = 5.670374419e-8


def radiation_w_per_m2_k(emissivity: float, mean_c: float) -> float:
    """Return the linear coefficient of radiation to a room of nearly the same temperature, 4 σ ε T³, W/m²K.

    Source: Stefan-Boltzmann law, CODATA 2018 constant.

    Raises:
        ValueError: the emissivity is not in 0..1, or the temperature is below -50 or above 100 °C.
    """
    between("emissivity", emissivity, 0.0, 1.0)
    t_k = between("mean temperature in °C", mean_c, -50.0, 100.0) + KELVIN_AT_0_C
    return 4.0 * _STEFAN_BOLTZMANN_W_PER_M2_K4 * emissivity * t_k**3


def surface_convection_w_per_m2_k(difference_k: float) -> float:
    """Return the convection above a still water surface, W/m²K.

    Source: h = 0.22 ΔT^(1/3) Btu/(h ft² °F) of indoor swimming pools (EnergyPlus Engineering Reference),
    that is 1.52 ΔT^(1/3) in SI units.

    Raises:
        ValueError: the difference is not a number.
    """
    btu_per_h_ft2_f = 5.678263
    difference_f = 1.8 * abs(finite("temperature difference in K", difference_k))
    return 0.22 * btu_per_h_ft2_f * math.cbrt(difference_f)


def wall_convection_w_per_m2_k(difference_k: float) -> float:
    """Return the convection at a vertical wall, turbulent: 1.31 ΔT^(1/3), W/m²K.

    Source: Walton 1983, Thermal Analysis Research Program reference manual.

    Raises:
        ValueError: the difference is not a number.
    """
    return 1.31 * math.cbrt(abs(finite("temperature difference in K", difference_k)))


def vertical_plate_nusselt(rayleigh: float, prandtl: float) -> float:
    """Return the mean Nusselt number of natural convection at a vertical plate.

    Source: Churchill and Chu 1975, Int. J. Heat Mass Transfer 18:1323-1329, valid for all Rayleigh numbers.

    Raises:
        ValueError: the Rayleigh number is negative, or the Prandtl number not above 0.
    """
    not_negative("Rayleigh number", rayleigh)
    positive("Prandtl number", prandtl)
    shape = (1.0 + (0.492 / prandtl) ** (9.0 / 16.0)) ** (8.0 / 27.0)
    return float((0.825 + 0.387 * rayleigh ** (1.0 / 6.0) / shape) ** 2)


def air_convection_w_per_m2_k(height_m: float, difference_k: float, mean_c: float = 22.0) -> float:
    """Return the natural convection of air at a tank wall of `height_m`, W/m²K, by Churchill and Chu.

    Properties of dry air at one atmosphere are straight lines good for 5..40 °C (values from memory,
    checked against a library's in the tests).

    Raises:
        ValueError: the height is not above 0, the difference is not a number, or the mean temperature is
            outside 0..60 °C.
    """
    positive("wall height in m", height_m)
    between("mean air temperature in °C", mean_c, 0.0, 60.0)
    conductivity_w_per_m_k = 0.02436 + 7.4e-5 * mean_c
    viscosity_m2_per_s = (13.30 + 0.0905 * mean_c) * 1e-6
    prandtl = 0.71
    rayleigh = (
        9.80665
        / (mean_c + KELVIN_AT_0_C)
        * abs(finite("temperature difference in K", difference_k))
        * height_m**3
        / (viscosity_m2_per_s * viscosity_m2_per_s / prandtl)
    )
    return vertical_plate_nusselt(rayleigh, prandtl) * conductivity_w_per_m_k / height_m


def wall_u_w_per_m2_k(
    thickness_mm: float,
    outer_film_w_per_m2_k: float = INDOOR_FILM_W_PER_M2_K,
    conductivity_w_per_m_k: float = GLASS_W_PER_M_K,
    inner_film_w_per_m2_k: float = WATER_FILM_W_PER_M2_K,
) -> float:
    """Return the transmittance of a tank wall: 1/U = 1/h_out + L/k + 1/h_in, W/m²K.

    A bare glass wall indoors comes to 6.3 to 7.7 W/m²K, ruled by the film of air outside; that range is an
    estimate made from the films, not a published value.

    Raises:
        ValueError: a value is not above 0.
    """
    resistance = (
        1.0 / positive("outer film in W/m²K", outer_film_w_per_m2_k)
        + positive("wall thickness in mm", thickness_mm)
        / 1000.0
        / positive("conductivity in W/mK", conductivity_w_per_m_k)
        + 1.0 / positive("inner film in W/m²K", inner_film_w_per_m2_k)
    )
    return 1.0 / resistance
