"""Oxygen that the water can hold, and what a warm night takes away."""

from dataclasses import dataclass

from tankwatch.care import cautions
from tankwatch.care.plan import Plan, Step, percent, sensible_input
from tankwatch.physics.guard import between
from tankwatch.physics.oxygen import HUSBANDRY_MINIMUM_MG_PER_L, air_pressure_pa, oxygen_saturation_mg_per_l
from tankwatch.physics.respiration import rate_at

OXYGEN_USE_Q10 = (2.39, 2.64)
"""Q10 of oxygen use, 10 to 30 °C (respiratory response of grass carp to temperature changes, abstract)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OxygenPlan(Plan):
    """Oxygen at saturation now and in a warmer night, mg/L."""

    pressure_pa: float
    saturation_mg_per_l: float
    warm_saturation_mg_per_l: float
    demand_factor: tuple[float, float]
    """How many times more oxygen the fish use in the warm night, low and high."""
    measured_share: float | None
    """The measured oxygen as a share of saturation; None where none was measured."""


@sensible_input()
def plan_oxygen(
    *,
    temperature_c: float,
    altitude_m: float = 0.0,
    warm_night_k: float = 3.0,
    measured_mg_per_l: float | None = None,
) -> OxygenPlan:
    """Tell what this water holds at this altitude, and how much less in a night warmer by `warm_night_k`.

    Raises:
        UsageError: temperature or warm night leaves 0..40 °C, the altitude -500..5000 m, or the oxygen 0..60.
    """
    between("water temperature in °C", temperature_c, 0.0, 40.0)
    between("altitude in m", altitude_m, -500.0, 5000.0)
    between("warming of the night in K", warm_night_k, 0.0, 20.0)
    warm_c = between("warm night in °C", temperature_c + warm_night_k, 0.0, 40.0)
    pressure = air_pressure_pa(altitude_m)
    now = oxygen_saturation_mg_per_l(temperature_c, pressure)
    warm = oxygen_saturation_mg_per_l(warm_c, pressure)
    low, high = (rate_at(1.0, temperature_c, warm_c, q10) for q10 in OXYGEN_USE_Q10)
    share = None
    if measured_mg_per_l is not None:
        share = between("measured oxygen in mg/L", measured_mg_per_l, 0.0, 60.0) / now
    warnings = []
    if warm < HUSBANDRY_MINIMUM_MG_PER_L:
        warnings.append(
            f"even saturated, a night at {warm_c:g} °C holds less than {HUSBANDRY_MINIMUM_MG_PER_L:g} mg/L"
        )
    if measured_mg_per_l is not None and measured_mg_per_l < HUSBANDRY_MINIMUM_MG_PER_L:
        warnings.append(f"{measured_mg_per_l:g} mg/L is below {HUSBANDRY_MINIMUM_MG_PER_L:g}: aerate now")
    return OxygenPlan(
        title=f"Oxygen at {temperature_c:g} °C and {altitude_m:g} m",
        advice=(
            f"saturated water holds {now:.2f} mg/L; at {warm_c:g} °C {warm:.2f} mg/L",
            f"fish use {low:.2f} to {high:.2f} times as much then: stir the surface at night",
        ),
        inputs=(
            ("water", f"{temperature_c:g} °C"),
            ("altitude", f"{altitude_m:g} m"),
            ("warm night", f"{warm_night_k:g} K more"),
            *(() if measured_mg_per_l is None else (("measured", f"{measured_mg_per_l:g} mg/L"),)),
        ),
        assumptions=(
            "fresh water in equilibrium with moist air; a tank at night holds less than saturation",
            "oxygen use grows as measured on grass carp; other species differ",
        ),
        working=(
            Step(f"{altitude_m:g} m", "US Standard Atmosphere 1976", f"{pressure / 1000:.1f} kPa"),
            Step(
                f"{temperature_c:g} °C, {pressure / 1000:.1f} kPa",
                "Benson and Krause 1984",
                f"{now:.2f} mg/L",
            ),
            Step(f"{warm_c:g} °C, {pressure / 1000:.1f} kPa", "Benson and Krause 1984", f"{warm:.2f} mg/L"),
            Step(f"{warm_night_k:g} K, Q10 2.39 to 2.64", "Q10^(K/10)", f"{low:.2f} to {high:.2f} times"),
            *(
                ()
                if share is None
                else (
                    Step(f"{measured_mg_per_l:g} of {now:.2f} mg/L", "share of saturation", percent(share)),
                )
            ),
        ),
        warnings=tuple(warnings),
        caution=(cautions.FISH, cautions.WATCH_ONLY),
        pressure_pa=pressure,
        saturation_mg_per_l=now,
        warm_saturation_mg_per_l=warm,
        demand_factor=(low, high),
        measured_share=share,
    )
