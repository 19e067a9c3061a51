"""Readings like the demo's, much of them: simulated tanks, repeated, with times that jitter. All invented."""

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import TankSim, TankSpec

T0_S = 1_760_000_000
INTERVAL_S = 10.0
JITTER_S = 0.1
"""Standard deviation of one stamp: a network and a busy small processor."""
_PATTERN_DAYS = 4

Floats = NDArray[np.float64]


@cache
def pattern() -> dict[str, Floats]:
    """Return some days of one simulated tank, a value each interval, by channel."""
    air = RoomAir(mean_c=20.5, daily_k=0.8, weather_k=0.4, start_s=T0_S, days=_PATTERN_DAYS + 1)
    sim = TankSim(TankSpec(tank_id="t01", interval_s=INTERVAL_S), air, T0_S, seed=7)
    columns: dict[str, list[float]] = {"temperature": [], "heater": [], "light": []}
    for step in range(int(_PATTERN_DAYS * 86_400 / INTERVAL_S)):
        sim.advance(T0_S + (step + 1) * INTERVAL_S)
        columns["temperature"].append(round(sim.probe_c() or 0.0, 4))
        columns["heater"].append(float(sim.heater_on))
        columns["light"].append(float(sim.light_on))
    return {name: np.array(column) for name, column in columns.items()}


def days_of(days: float, seed: int = 1) -> tuple[NDArray[np.int64], dict[str, Floats]]:
    """Return times (ms, jittered) and the values of each channel over so many days."""
    rng = np.random.default_rng(seed)
    count = int(days * 86_400 / INTERVAL_S)
    even = T0_S + np.arange(1, count + 1) * INTERVAL_S
    time_ms = np.rint((even + rng.normal(0.0, JITTER_S, count)) * 1000.0).astype(np.int64)
    return time_ms, {name: np.resize(column, count) for name, column in pattern().items()}


def packs(tanks: int, times: int) -> list[tuple[str, bytes]]:
    """Return topic and SenML pack of `times` rounds of so many tanks, three records each."""
    import json

    columns = pattern()
    made: list[tuple[str, bytes]] = []
    for number in range(times):
        for tank in range(tanks):
            at = (number + 997 * tank) % len(columns["heater"])
            name = f"t{tank:04}"
            pack: list[dict[str, Any]] = [
                {"bn": f"{name}/", "n": "temperature", "u": "Cel", "v": float(columns["temperature"][at])},
                {"n": "heater", "vb": bool(columns["heater"][at])},
                {"n": "light", "vb": bool(columns["light"][at])},
            ]
            made.append((f"fish/{name}/state", json.dumps(pack).encode()))
    return made


def config_text(tanks: int, port: int, store: str) -> str:
    """Return a configuration of so many tanks behind a broker on loopback."""
    head = (
        f'[room]\nname = "Bench"\n[store]\npath = "{store}"\n'
        f'[[source]]\nid = "broker"\nkind = "mqtt"\nport = {port}\n'
    )
    tank = (
        '[[tank]]\nid = "{0}"\nvolume_l = 120.0\nsetpoint_c = 25.0\nheater_w = 150.0\nprobe_interval_s = 5\n'
    )
    channel = (
        '[[tank.channel]]\nkind = "{1}"\nsource = "broker"\ntopic = "fish/{0}/state"\ndecode = "senml"\n'
    )
    parts = [head]
    for number in range(tanks):
        name = f"t{number:04}"
        parts.append(tank.format(name))
        parts.extend(channel.format(name, kind) for kind in ("temperature", "heater", "light"))
    return "".join(parts)
