"""The invented room: its tanks, what went wrong in it, and the configuration that describes it.

Names, sizes and faults are made up. Every time is worked out from the time the demo begins, so that the
bad night is always the last one.
"""

import os
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, TankSim, TankSpec, Work

HISTORY_DAYS = 3
HISTORY_INTERVAL_S = 60.0
LIVE_INTERVAL_S = 5.0

_NAMES = (
    "Window bench", "Long tank", "Corner cube", "Upper left", "Upper right", "Middle left",
    "Middle right", "Lower left", "Lower right", "Nursery", "Quarantine", "Door shelf",
)  # fmt: skip
_VOLUMES_L = (60.0, 180.0, 35.0, 96.0, 96.0, 112.0, 112.0, 128.0, 128.0, 45.0, 54.0, 72.0)
_SETPOINTS_C = (25.0, 25.0, 26.0, 24.5, 24.5, 25.5, 25.5, 24.0, 24.0, 27.0, 26.0, 25.0)
_HEATERS_W = (75.0, 200.0, 50.0, 100.0, 100.0, 125.0, 125.0, 150.0, 150.0, 75.0, 75.0, 75.0)
_LIGHT_FROM_H, _LIGHT_HOURS = 11, 8
_LIGHT_WINDOW = ("10:00", "20:00")


@dataclass(frozen=True, slots=True)
class DemoRoom:
    """The room as it is at `now_s`, with `HISTORY_DAYS` behind it."""

    now_s: float
    zone: str
    sims: tuple[TankSim, ...]
    """Standing at the beginning of the history; they are stepped by whoever plays them."""
    air: RoomAir

    @property
    def start_s(self) -> float:
        """Where the history begins, seconds since 1970 UTC."""
        return self.now_s - HISTORY_DAYS * 86_400.0


def make_room(tanks: int, now_s: float, zone: str | None = None) -> DemoRoom:
    """Return a room of `tanks` tanks at `now_s` (seconds since 1970 UTC); `zone` None: the machine's."""
    zone = zone or local_zone()
    now_s = float(round(now_s))
    start_s = now_s - HISTORY_DAYS * 86_400.0
    air = RoomAir(mean_c=20.5, daily_k=0.8, weather_k=0.4, start_s=start_s, days=HISTORY_DAYS + 30, seed=11)
    faults, works = _events(tanks, now_s, zone)
    sims = []
    for number in range(tanks):
        spec = _spec(number, now_s, zone)
        sims.append(
            TankSim(
                spec,
                air,
                start_s,
                seed=100 + number,
                faults=faults.get(number, ()),
                works=works.get(number, ()),
            )
        )
    return DemoRoom(now_s, zone, tuple(sims), air)


def _spec(number: int, now_s: float, zone: str) -> TankSpec:
    kind = number % len(_NAMES)
    volume_l = _VOLUMES_L[kind]
    # The lamps are switched by local time; the simulation counts its hours in UTC.
    offset = datetime.fromtimestamp(now_s, ZoneInfo(zone)).utcoffset() or timedelta()
    light_from_h = (_LIGHT_FROM_H - offset.total_seconds() / 3600.0) % 24.0
    return TankSpec(
        tank_id=f"t{number + 1:02}",
        volume_l=volume_l,
        heater_w=_HEATERS_W[kind] * (0.94 + 0.01 * (number % 7)),  # no element gives what is printed on it
        setpoint_c=_SETPOINTS_C[kind],
        # Loss goes with the surface; 7 W/K at 120 L is a covered glass tank.
        loss_w_per_k=7.0 * (volume_l / 120.0) ** (2.0 / 3.0),
        interval_s=HISTORY_INTERVAL_S,
        light_on_h=light_from_h,
        light_hours=_LIGHT_HOURS,
        light_gain_w=volume_l / 30.0,
    )


def _events(
    tanks: int, now_s: float, zone: str
) -> tuple[dict[int, tuple[Fault, ...]], dict[int, tuple[Work, ...]]]:
    """Return what happened, by number of the tank."""
    heater, light, work = min(2, tanks - 1), min(6, tanks - 1), min(8, tanks - 1)
    night_s = _last(now_s - 5 * 3600.0, zone, hour=1, minute=40)
    stuck = Fault(FaultKind.STUCK_ON, night_s, night_s + 4.5 * 3600.0)
    left_on = Fault(FaultKind.LIGHT_ON, _last(now_s - 12 * 3600.0, zone, hour=16, minute=20))
    faults: dict[int, tuple[Fault, ...]] = {heater: (stuck,)}
    faults[light] = (*faults.get(light, ()), left_on)
    change = Work(
        _last(now_s - 12 * 3600.0, zone, hour=18, minute=10), water_out_s=1500.0, share=0.25, new_water_c=23.5
    )
    return faults, {work: (change,)}


def _last(before_s: float, zone: str, *, hour: int, minute: int) -> float:
    """Return the last time before `before_s` at which local clocks showed this."""
    local = datetime.fromtimestamp(before_s, ZoneInfo(zone))
    then = local.replace(hour=hour, minute=minute, second=0, microsecond=0)
    if then > local:
        then -= timedelta(days=1)
    return then.timestamp()


def local_zone() -> str:
    """Return the IANA name of the machine's time zone, or Etc/UTC where it cannot be told."""
    candidates = [os.environ.get("TZ", "").lstrip(":")]
    try:
        candidates.append(os.readlink("/etc/localtime").partition("zoneinfo/")[2])
    except OSError:
        candidates.append("")
    for name in candidates:
        try:
            if name and ZoneInfo(name):
                return name
        except (ZoneInfoNotFoundError, ValueError, OSError):
            continue
    return "Etc/UTC"


def live(sims: tuple[TankSim, ...]) -> None:
    """Let the probes of `sims` send as often as live ones do, from now on."""
    for sim in sims:
        sim.spec = replace(sim.spec, interval_s=LIVE_INTERVAL_S)


def config_text(room: DemoRoom, folder: Path, port: int) -> str:
    """Return the configuration file of `room`: the store in `folder`, the broker on loopback at `port`."""
    parts = [
        f"""\
# The invented room of the demo. The same keys describe a real one.

[room]
name = "Demo room"
timezone = "{room.zone}"

[store]
path = "{folder / "room.db"}"

[[source]]
id = "broker"
kind = "mqtt"
host = "127.0.0.1"
port = {port}
protocol = 311
"""
    ]
    for number, sim in enumerate(room.sims):
        parts.append(_tank_text(number, sim.spec))
    return "\n".join(parts)


def _tank_text(number: int, spec: TankSpec) -> str:
    kind = number % len(_NAMES)
    rack = number // len(_NAMES)
    name = _NAMES[kind] if rack == 0 else f"{_NAMES[kind]} {rack + 1}"
    head = f"""\
[[tank]]
id = "{spec.tank_id}"
name = "{name}"
volume_l = {spec.volume_l}
setpoint_c = {spec.setpoint_c}
heater_w = {_HEATERS_W[kind]}
light_hours_max = 9.0
light_window = ["{_LIGHT_WINDOW[0]}", "{_LIGHT_WINDOW[1]}"]
probe_interval_s = {LIVE_INTERVAL_S:g}
"""
    channels = [
        f'[[tank.channel]]\nkind = "{channel}"\nsource = "broker"\ntopic = "{topic}"\n'
        for channel, topic in (
            *((kind, topic_of(spec.tank_id)) for kind in ("temperature", "heater", "light", "service")),
            ("air", AIR_TOPIC),
        )
    ]
    return "\n".join((head, *channels))


AIR_TOPIC = "demo/air"


def topic_of(tank_id: str) -> str:
    """Return the MQTT topic that a tank's probe publishes to."""
    return f"demo/{tank_id}/state"
