"""How long is left, and where it would end: the model's answers for one tank."""

import math
from typing import TYPE_CHECKING

from tankwatch.physics.thermal import time_to_reach_s
from tankwatch.snapshot import Estimate, ModelSnapshot

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_LONGEST_MIN = 7 * 24 * 60.0


def minutes_to_low(tank: "TankWatch", water_c: float) -> float | None:
    """Return the minutes until the low limit if no heat came from now on; None when unknown or never."""
    return _minutes(tank, water_c, tank.cooling_now_k_per_h(water_c), heated=False)


def minutes_to_high(tank: "TankWatch", water_c: float) -> float | None:
    """Return the minutes until the high limit if the heater stayed on; None when unknown or never."""
    return _minutes(tank, water_c, tank.cooling_now_k_per_h(water_c), heated=True)


def _minutes(
    tank: "TankWatch", water_c: float, cooling: tuple[float, float] | None, *, heated: bool
) -> float | None:
    """Return the minutes to the high limit if heated, else to the low one; None when unknown or never."""
    limit_c = tank.config.band_high_c if heated else tank.config.band_low_c
    if (water_c <= limit_c) if not heated else (water_c >= limit_c):
        return 0.0
    heating = tank.model.heating_k_per_h
    if cooling is None or (heated and heating is None):
        return None
    drive = -cooling[0] + (heating.value if heated and heating is not None else 0.0)
    # dT/dt = drive - k (T - now): the water heads for now + drive / k.
    loss_per_h = _loss_per_h(tank)
    steady_c = water_c + drive / loss_per_h
    seconds = time_to_reach_s(water_c, limit_c, steady_c, 3600.0 / loss_per_h)
    minutes = seconds / 60.0
    return round(minutes, 1) if math.isfinite(minutes) and minutes < _LONGEST_MIN else None


def _loss_per_h(tank: "TankWatch") -> float:
    found = tank.model.loss()
    return tank.model.guess_k_per_h if found is None else max(found[0].value, 1e-3)


def model_snapshot(tank: "TankWatch", water_c: float | None) -> ModelSnapshot:
    """Return what the model believes, each figure with its uncertainty."""
    model, cycles = tank.model, tank.cycles
    capacity_per_h = model.capacity_j_per_k / 3600.0  # W per K/h
    heating = model.heating_k_per_h
    found = model.loss()
    guess = model.guess_k_per_h
    loss = Estimate(guess, 0.5 * guess) if found is None else found[0]
    gain = Estimate(0.0, 0.3 * guess) if found is None else found[1]
    heater_w = loss_w = constant_h = room = duty = coldest = stuck = None
    if heating is not None and model.heating_is_measured:
        heater_w = Estimate(heating.value * capacity_per_h, heating.uncertainty * capacity_per_h)
    if model.blocks:
        loss_w = Estimate(loss.value * capacity_per_h, loss.uncertainty * capacity_per_h)
        constant_h = Estimate(1.0 / loss.value, loss.uncertainty / loss.value**2)
    cooling = None if water_c is None else tank.cooling_now_k_per_h(water_c)
    if water_c is not None and cooling is not None and heating is not None:
        relative = math.hypot(cooling[1] / max(abs(cooling[0]), 1e-6), heating.uncertainty / heating.value)
        share = cooling[0] / heating.value
        duty = Estimate(min(max(share, 0.0), 1.0), abs(share) * relative)
        air_c = tank.air_now_c()
        room_c = water_c - (cooling[0] + gain.value) / loss.value if air_c is None else air_c
        room_sigma = 0.3 if air_c is not None else abs(water_c - room_c) * loss.uncertainty / loss.value
        room = Estimate(room_c, room_sigma)
        lift = (heating.value + gain.value) / loss.value
        lift_sigma = lift * math.hypot(heating.uncertainty / heating.value, loss.uncertainty / loss.value)
        coldest = Estimate(tank.config.setpoint_c - lift, lift_sigma)
        stuck = Estimate(room_c + lift, math.hypot(lift_sigma, room_sigma))
    low_min = None if water_c is None else _minutes(tank, water_c, cooling, heated=False)
    high_min = None if water_c is None else _minutes(tank, water_c, cooling, heated=True)
    return ModelSnapshot(
        heater_w=heater_w,
        loss_w_per_k=loss_w,
        time_constant_h=constant_h,
        room_c=room,
        expected_duty=duty,
        coldest_room_c=coldest,
        stuck_on_c=stuck,
        minutes_to_low=_with_spread(low_min, cooling),
        minutes_to_high=_with_spread(high_min, cooling),
        cycle_top_c=cycles.top_c if cycles.is_known else None,
        cycle_bottom_c=cycles.bottom_c if cycles.is_known else None,
        cycles_seen=cycles.seen,
    )


def _with_spread(minutes: float | None, cooling: tuple[float, float] | None) -> Estimate | None:
    if minutes is None or cooling is None:
        return None
    relative = min(1.0, cooling[1] / max(abs(cooling[0]), 1e-3))
    return Estimate(minutes, minutes * max(relative, 0.05))
