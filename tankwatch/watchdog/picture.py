"""The picture of one tank that the screen draws, made of what the watchdog holds in memory."""

from typing import TYPE_CHECKING

from tankwatch.reading import Channel, ServiceMark
from tankwatch.snapshot import LiveValue, TankSnapshot
from tankwatch.watchdog.forecast import model_snapshot

if TYPE_CHECKING:
    from tankwatch.watchdog.tank import TankWatch

_STALE_S = 180.0
_STALE_INTERVALS = 3.5


def tank_snapshot(tank: "TankWatch", room_s: float) -> TankSnapshot:
    """Return a picture of `tank` at the room's time `room_s`."""
    config = tank.config
    stale_s = max(_STALE_S, _STALE_INTERVALS * tank.interval_s)
    values = {}
    for channel, (value, stamp_s, retained, arrived_s) in tank.newest.items():
        age_s = max(0.0, room_s - arrived_s)
        is_mark = channel is Channel.SERVICE
        values[channel.value] = LiveValue(
            value=value,
            time_s=stamp_s,
            age_s=age_s,
            stale=not is_mark and (retained or age_s > stale_s),
            retained=retained,
        )
    now_s = tank.timeline.last_s
    has_temperature = len(tank.track) > 0
    water = values.get(Channel.TEMPERATURE.value)
    water_c = tank.track.newest_c() if has_temperature else None
    if water is not None and water.stale:
        water_c = None
    in_service = tank.service is not ServiceMark.END
    return TankSnapshot(
        tank_id=tank.tank_id,
        name=config.label,
        setpoint_c=config.setpoint_c,
        low_c=config.band_low_c,
        high_c=config.band_high_c,
        values=values,
        rate_c_per_h=tank.temperature_rules.rate_k_per_h,
        swing_24h_c=tank.temperature_rules.swing_k,
        duty_1h=tank.duty_rules.duty(now_s, 1.0),
        duty_6h=tank.duty_rules.duty(now_s, 6.0),
        duty_24h=tank.duty_rules.duty(now_s, 24.0),
        light_hours_today=tank.light.on_s / 3600.0 if tank.light.is_measured else None,
        light_hours_max=config.light_hours_max,
        service=tank.service.value if in_service else None,
        service_since_s=tank.stamp(tank.service_since_s) if in_service else None,
        model=model_snapshot(tank, water_c),
    )
