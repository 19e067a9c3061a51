"""The heat of one well-mixed tank: `C dT/dt = P h(t) - K (T - T_room) + g(t)`.

C is the heat capacity of the water in J/K, P the heater's power in W, h its state, K the loss to the
room in W/K and g other gains (pumps, light) in W. Everything here is that equation solved for one
unknown: Newton's law of cooling for a lumped mass, in any textbook of heat transfer (for example Incropera,
DeWitt, Bergman and Lavine, chapter 5).
"""

import math
from collections.abc import Sequence

from tankwatch.physics.guard import between, finite, not_negative, positive
from tankwatch.physics.water import density_kg_per_m3, specific_heat_j_per_kg_k


def heat_capacity_j_per_k(volume_l: float, temperature_c: float = 25.0) -> float:
    """Return the heat that warms `volume_l` of fresh water by 1 K, J/K: volume x density x specific heat.

    Raises:
        ValueError: the volume is not above 0, or the temperature is outside 0..100 °C.
    """
    positive("volume in litres", volume_l)
    return volume_l / 1000.0 * density_kg_per_m3(temperature_c) * specific_heat_j_per_kg_k(temperature_c)


def time_constant_s(heat_capacity_j_per_k: float, loss_w_per_k: float) -> float:
    """Return the time in which a free tank goes 63.2 % of the way to its room, s: C / K.

    Raises:
        ValueError: either is not above 0.
    """
    return positive("heat capacity in J/K", heat_capacity_j_per_k) / positive(
        "heat loss in W/K", loss_w_per_k
    )


def steady_temperature_c(power_w: float, loss_w_per_k: float, room_c: float) -> float:
    """Return where the water settles under a constant `power_w` (heater and other gains), °C.

    Raises:
        ValueError: the loss is not above 0, or another value is not a number.
    """
    return finite("room temperature in °C", room_c) + finite("power in W", power_w) / positive(
        "heat loss in W/K", loss_w_per_k
    )


def temperature_after(t_s: float, start_c: float, steady_c: float, time_constant_s: float) -> float:
    """Return the water's temperature `t_s` after it was `start_c`, on its way to `steady_c`, °C.

    Raises:
        ValueError: the time is negative, the time constant not above 0, or a value is not a number.
    """
    not_negative("time in s", t_s)
    positive("time constant in s", time_constant_s)
    gap_k = finite("start in °C", start_c) - finite("steady temperature in °C", steady_c)
    return steady_c + gap_k * math.exp(-t_s / time_constant_s)


def time_to_reach_s(start_c: float, target_c: float, steady_c: float, time_constant_s: float) -> float:
    """Return the time until the water is at `target_c`, s; `inf` where it never gets there.

    It never gets there when the target lies behind the start, or at or beyond the steady temperature.

    Raises:
        ValueError: the time constant is not above 0, or a value is not a number.
    """
    positive("time constant in s", time_constant_s)
    finite("start in °C", start_c)
    finite("target in °C", target_c)
    finite("steady temperature in °C", steady_c)
    if target_c == start_c:
        return 0.0
    whole_k = steady_c - start_c
    left_k = steady_c - target_c
    if left_k == 0.0 or whole_k / left_k < 1.0:
        return math.inf
    return time_constant_s * math.log(whole_k / left_k)


def duty_needed(
    loss_w_per_k: float, water_c: float, room_c: float, heater_w: float, gain_w: float = 0.0
) -> float:
    """Return the share of time that the heater would have to be on to hold `water_c`.

    Above 1.0 the heater is too weak for this room; below 0.0 the room and the gains alone are too warm.
    Source: the balance of heat over a whole cycle, duty = (loss - gain) / power.

    Raises:
        ValueError: loss or heater power is not above 0, or another value is not a number.
    """
    positive("heat loss in W/K", loss_w_per_k)
    positive("heater power in W", heater_w)
    difference_k = finite("water temperature in °C", water_c) - finite("room temperature in °C", room_c)
    return (loss_w_per_k * difference_k - finite("gain in W", gain_w)) / heater_w


def duty_expected(
    loss_w_per_k: float, water_c: float, room_c: float, heater_w: float, gain_w: float = 0.0
) -> float:
    """Return the share of time that the heater is on: `duty_needed`, held to 0..1.

    Raises:
        ValueError: as `duty_needed`.
    """
    return min(1.0, max(0.0, duty_needed(loss_w_per_k, water_c, room_c, heater_w, gain_w)))


def coldest_room_c(loss_w_per_k: float, setpoint_c: float, heater_w: float, gain_w: float = 0.0) -> float:
    """Return the coldest room in which the heater, always on, still holds the setpoint, °C.

    Raises:
        ValueError: loss is not above 0, the heater's power is negative, or a value is not a number.
    """
    power_w = not_negative("heater power in W", heater_w) + finite("gain in W", gain_w)
    return finite("setpoint in °C", setpoint_c) - power_w / positive("heat loss in W/K", loss_w_per_k)


def heater_needed_w(
    loss_w_per_k: float, setpoint_c: float, coldest_room_c: float, gain_w: float = 0.0
) -> float:
    """Return the effective power that just holds the setpoint in the coldest room, W; 0 where none is needed.

    Raises:
        ValueError: loss is not above 0, or a value is not a number.
    """
    difference_k = finite("setpoint in °C", setpoint_c) - finite("coldest room in °C", coldest_room_c)
    return max(0.0, positive("heat loss in W/K", loss_w_per_k) * difference_k - finite("gain in W", gain_w))


def cycle_times_s(
    heat_capacity_j_per_k: float, band_k: float, heater_w: float, loss_w: float
) -> tuple[float, float]:
    """Return how long the heater is on and off in one cycle of its thermostat, s.

    `loss_w` is the heat lost at the setpoint; the thermostat's `band_k` is taken as small against the
    difference to the room. A heater that cannot outdo the loss is on for ever, a tank without loss off
    for ever: `inf`.

    Raises:
        ValueError: capacity, band or power is not above 0, or the loss is negative.
    """
    heat_j = positive("heat capacity in J/K", heat_capacity_j_per_k) * positive("band in K", band_k)
    positive("heater power in W", heater_w)
    not_negative("loss in W", loss_w)
    on_s = heat_j / (heater_w - loss_w) if heater_w > loss_w else math.inf
    off_s = heat_j / loss_w if loss_w > 0.0 else math.inf
    return on_s, off_s


def mixed_temperature_c(volumes_l: Sequence[float], temperatures_c: Sequence[float]) -> float:
    """Return the temperature of waters poured together, °C: the mean weighted by mass.

    The specific heat is taken as constant: between 10 and 30 °C the result is within 0.01 K of the balance
    of enthalpy.

    Raises:
        ValueError: the lists differ in length or are empty, a volume is negative, all are 0, or a
            temperature is outside 0..100 °C.
    """
    if len(volumes_l) != len(temperatures_c) or not volumes_l:
        raise ValueError(
            f"expected one temperature for each volume, got {len(volumes_l)} and {len(temperatures_c)}"
        )
    masses_kg = [
        not_negative("volume in litres", volume) / 1000.0 * density_kg_per_m3(temperature)
        for volume, temperature in zip(volumes_l, temperatures_c, strict=True)
    ]
    total_kg = positive("total mass in kg", sum(masses_kg))
    return sum(m * t for m, t in zip(masses_kg, temperatures_c, strict=True)) / total_kg


def hot_share(hot_c: float, cold_c: float, target_c: float) -> float:
    """Return the share of hot water that makes `target_c` of two taps, 0..1, by the mixing rule.

    Raises:
        ValueError: the target does not lie between the taps, or they are equal.
    """
    if not finite("hot tap in °C", hot_c) > finite("cold tap in °C", cold_c):
        raise ValueError(f"the hot tap must be warmer than the cold tap, got {hot_c:g} and {cold_c:g} °C")
    between("target in °C", target_c, cold_c, hot_c)
    return (target_c - cold_c) / (hot_c - cold_c)
