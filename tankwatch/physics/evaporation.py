"""Water and heat lost from an open surface."""

from tankwatch.physics.guard import between, not_negative, positive
from tankwatch.physics.water import latent_heat_j_per_kg, vapour_pressure_pa

STILL_ACTIVITY = 0.5
"""Share of the equation that a still, unoccupied surface gives off (activity factor of the handbook)."""
MEASURED_STILL_SHARE = 0.74
"""The same as measured over an undisturbed pool (Smith, Löf and Jones, ASHRAE Transactions 104(1A), 1998)."""

_CALM_W_PER_M2_PA = 0.089
_WIND_W_PER_M2_PA_PER_M_PER_S = 0.0782


def vapour_deficit_pa(water_c: float, air_c: float, relative_humidity: float) -> float:
    """Return the vapour pressure at the water's surface less that of the room's air, Pa.

    Raises:
        ValueError: a temperature is outside 0..100 °C, or the humidity is not a share of 0..1.
    """
    between("relative humidity as a share", relative_humidity, 0.0, 1.0)
    return vapour_pressure_pa(water_c) - relative_humidity * vapour_pressure_pa(air_c)


def evaporation_w(
    surface_m2: float,
    water_c: float,
    air_c: float,
    relative_humidity: float,
    air_speed_m_per_s: float = 0.1,
    activity: float = 1.0,
) -> float:
    """Return the heat that evaporation takes from an open surface, W; 0 where vapour would condense on it.

    Source: ASHRAE Handbook, HVAC Applications, natatoriums: w = A (pw - pa)(0.089 + 0.0782 V) / Y with w
    in kg/s, A in m², p in kPa, V in m/s and the latent heat Y in kJ/kg, so the heat is w Y.

    Raises:
        ValueError: surface or activity is not above 0, the air speed is negative, the humidity is not a
            share of 0..1, or a temperature is outside 0..100 °C.
    """
    positive("water surface in m²", surface_m2)
    not_negative("air speed in m/s", air_speed_m_per_s)
    positive("activity factor", activity)
    deficit_pa = max(0.0, vapour_deficit_pa(water_c, air_c, relative_humidity))
    per_m2_pa = _CALM_W_PER_M2_PA + _WIND_W_PER_M2_PA_PER_M_PER_S * air_speed_m_per_s
    return surface_m2 * deficit_pa * per_m2_pa * activity


def evaporation_kg_per_day(
    surface_m2: float,
    water_c: float,
    air_c: float,
    relative_humidity: float,
    air_speed_m_per_s: float = 0.1,
    activity: float = 1.0,
) -> float:
    """Return the water that evaporates from an open surface, kg/day, which is nearly litres a day.

    Raises:
        ValueError: as `evaporation_w`; the water is outside 0..40 °C.
    """
    heat_w = evaporation_w(surface_m2, water_c, air_c, relative_humidity, air_speed_m_per_s, activity)
    return heat_w / latent_heat_j_per_kg(water_c) * 86_400.0
