"""What the program knows of a tank, so that a plan need not be told: configuration and live picture."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from tankwatch.care.season import Season, season_of

if TYPE_CHECKING:
    from tankwatch.config import Config
    from tankwatch.snapshot import RoomSnapshot, TankSnapshot


@dataclass(frozen=True, slots=True)
class Known:
    """Facts of one tank; None where neither configuration nor watch tells."""

    volume_l: float | None = None
    setpoint_c: float | None = None
    low_c: float | None = None
    high_c: float | None = None
    limit_k: float | None = None
    """Largest change over one hour, K."""
    water_c: float | None = None
    """Live and fresh temperature."""
    room_c: float | None = None
    heater_w: float | None = None
    """Effective as fitted, else rated."""
    loss_w_per_k: float | None = None
    """As fitted."""
    loss_uncertainty_w_per_k: float | None = None
    season: Season | None = None
    length_cm: float | None = None
    """Inner length of the tank."""
    width_cm: float | None = None
    lift_cm: float | None = None
    """Height of one lift of a filling."""
    conditioner_ml_per_l: float | None = None
    """Dose by the label, mL for each litre of water."""
    conditioner_max_ml_per_l: float | None = None
    """Most by the label in a day, mL for each litre of the tank."""


def known_of(config: "Config", tank_id: str, picture: "RoomSnapshot | None", now_s: float) -> Known:
    """Return what is known of a tank at `now_s` (seconds since 1970 UTC).

    Values that the watch calls stale or retained are left out: a plan must not rest on an old temperature.

    Raises:
        ConfigError: there is no such tank.
    """
    tank = config.tank_by_id(tank_id)
    live = _live_tank(picture, tank_id)
    model = None if live is None else live.model
    loss = None if model is None else model.loss_w_per_k
    fitted_w = None if model is None or model.heater_w is None else model.heater_w.value
    room_c = _fresh(live, "air")
    if room_c is None and model is not None and model.room_c is not None:
        room_c = model.room_c.value
    local = datetime.fromtimestamp(now_s, config.room.zone)
    return Known(
        volume_l=tank.volume_l,
        setpoint_c=tank.setpoint_c,
        low_c=tank.band_low_c,
        high_c=tank.band_high_c,
        limit_k=tank.max_rate_c_per_h,
        water_c=_fresh(live, "temperature"),
        room_c=room_c,
        heater_w=tank.heater_w if fitted_w is None else fitted_w,
        loss_w_per_k=None if loss is None else loss.value,
        loss_uncertainty_w_per_k=None if loss is None else loss.uncertainty,
        season=season_of(local.month, config.room.hemisphere),
        length_cm=tank.care.length_cm,
        width_cm=tank.care.width_cm,
        lift_cm=tank.care.lift_cm,
        conditioner_ml_per_l=tank.care.conditioner_ml_per_l,
        conditioner_max_ml_per_l=tank.care.conditioner_max_ml_per_l,
    )


def look_at_watch(config: "Config", narrate: Callable[[str], None]) -> "RoomSnapshot | None":
    """Return the live picture of the watch over this configuration, or None, with the reason narrated."""
    from tankwatch.control.client import ControlClient
    from tankwatch.control.path import socket_path
    from tankwatch.control.protocol import Look
    from tankwatch.errors import ControlError

    try:
        return ControlClient(socket_path(config)).request(Look(), timeout_s=3.0)
    except ControlError as error:
        narrate(f"live values are not known: {error}")
        return None


def _live_tank(picture: "RoomSnapshot | None", tank_id: str) -> "TankSnapshot | None":
    if picture is None:
        return None
    return next((tank for tank in picture.tanks if tank.tank_id == tank_id), None)


def _fresh(tank: "TankSnapshot | None", channel: str) -> float | None:
    value = None if tank is None else tank.values.get(channel)
    return None if value is None or value.stale or value.retained else value.value
