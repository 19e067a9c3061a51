"""Density, specific heat, vapour pressure and latent heat of fresh water at one atmosphere."""

import math

from tankwatch.physics.guard import between

KELVIN_AT_0_C = 273.15
"""0 °C on the kelvin scale (definition of the degree Celsius)."""

_R_KJ_PER_KG_K = 0.46151805
_TR_K = 10.0

# IAPWS SR6-08(2011), table 1: (coefficient, exponent) of alpha = 10/(593 - T) and of beta = 10/(T - 232).
_CP_C3 = -8.983025854
_CP_ALPHA = ((-1.661470539e5, 4), (2.708781640e6, 5), (-1.557191544e8, 7))
_CP_BETA = ((-8.237426256e-1, 2), (1.908956353, 3), (-2.017597384, 4), (8.546361348e-1, 5))
_V_A5 = 1.93763157e-2
_V_ALPHA = (
    (6.74458446e3, 4),
    (-2.22521604e5, 5),
    (1.00231247e8, 7),
    (-1.63552118e9, 8),
    (8.32299658e9, 9),
)
_V_BETA = (
    (5.78545292e-3, 1),
    (-1.53195665e-2, 2),
    (3.11337859e-2, 3),
    (-4.23546241e-2, 4),
    (3.38713507e-2, 5),
    (-1.19946761e-2, 6),
)

# IAPWS R7-97(2012), table 34: the saturation line.
_SAT = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def density_kg_per_m3(temperature_c: float) -> float:
    """Return the density of fresh water, kg/m³, from 0 to 100 °C.

    Source: IAPWS SR6-08(2011), properties of liquid water at 0.1 MPa, specific volume.

    Raises:
        ValueError: the temperature is outside 0..100 °C.
    """
    t_k = between("water temperature in °C", temperature_c, 0.0, 100.0) + KELVIN_AT_0_C
    alpha = _TR_K / (593.0 - t_k)
    beta = _TR_K / (t_k - 232.0)
    terms = _V_A5 + sum(a * alpha**n for a, n in _V_ALPHA) + sum(b * beta**m for b, m in _V_BETA)
    return 0.1e6 / (_R_KJ_PER_KG_K * 1000.0 * _TR_K * terms)


def specific_heat_j_per_kg_k(temperature_c: float) -> float:
    """Return the isobaric specific heat of fresh water, J/(kg K), from 0 to 100 °C.

    Source: IAPWS SR6-08(2011), properties of liquid water at 0.1 MPa.

    Raises:
        ValueError: the temperature is outside 0..100 °C.
    """
    t_k = between("water temperature in °C", temperature_c, 0.0, 100.0) + KELVIN_AT_0_C
    tau = t_k / _TR_K
    alpha = _TR_K / (593.0 - t_k)
    beta = _TR_K / (t_k - 232.0)
    terms = sum(n * (n + 1) * a * alpha ** (n + 2) for a, n in _CP_ALPHA) + sum(
        m * (m + 1) * b * beta ** (m + 2) for b, m in _CP_BETA
    )
    return -_R_KJ_PER_KG_K * 1000.0 * (_CP_C3 + tau * terms)


def vapour_pressure_pa(temperature_c: float) -> float:
    """Return the saturation vapour pressure over water, Pa, from 0 to 100 °C.

    Source: IAPWS R7-97(2012), region 4. The Magnus equation of the WMO runs 0.2 to 0.3 % lower.

    Raises:
        ValueError: the temperature is outside 0..100 °C.
    """
    t_k = between("temperature in °C", temperature_c, 0.0, 100.0) + KELVIN_AT_0_C
    theta = t_k + _SAT[8] / (t_k - _SAT[9])
    a = theta * theta + _SAT[0] * theta + _SAT[1]
    b = _SAT[2] * theta * theta + _SAT[3] * theta + _SAT[4]
    c = _SAT[5] * theta * theta + _SAT[6] * theta + _SAT[7]
    return 1e6 * (2.0 * c / (-b + math.sqrt(b * b - 4.0 * a * c))) ** 4


def latent_heat_j_per_kg(temperature_c: float) -> float:
    """Return the latent heat of vaporisation of water, J/kg, from 0 to 40 °C.

    A straight line through the values of IAPWS R7-97(2012), within 0.6 kJ/kg of them.

    Raises:
        ValueError: the temperature is outside 0..40 °C.
    """
    t_c = between("water temperature in °C", temperature_c, 0.0, 40.0)
    return 2_500_900.0 - 2_366.7 * t_c
