"""A room of made-up tanks fed by hand: readings in, the steps of alarms out. All its data is invented."""

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Transition
from tankwatch.config import Config, RoomConfig, TankConfig
from tankwatch.reading import Channel, Reading
from tankwatch.watchdog.roomclock import RoomClock
from tankwatch.watchdog.watchdog import Watchdog

MIDNIGHT_S = 1_789_948_800.0
"""2026-09-21T00:00:00Z."""
HOUR_S = 3600.0
DAY_S = 86_400.0

Course = float | Callable[[float], float]
"""A value that stays, or one that follows the time in seconds."""


def tank_config(tank_id: str = "t01", **settings: Any) -> TankConfig:
    """Return a tank of 120 L at 25 °C with a heater of 150 W, read twice a minute, unless told otherwise."""
    usual: dict[str, Any] = {
        "id": tank_id,
        "volume_l": 120.0,
        "setpoint_c": 25.0,
        "heater_w": 150.0,
        "low_c": 23.0,
        "high_c": 27.5,
        "probe_interval_s": 30.0,
    }
    return TankConfig(**{**usual, **settings})


@dataclass
class Bench:
    """A watchdog, the clock of its room, and everything that it has said."""

    tanks: tuple[TankConfig, ...] = field(default_factory=lambda: (tank_config(),))
    timezone: str = "Etc/UTC"
    memory: dict[str, Any] | None = None
    standing: tuple[Alarm, ...] = ()
    expects_all: bool = False
    sources: tuple[dict[str, Any], ...] = ()
    now_s: float = MIDNIGHT_S
    steps: list[Transition] = field(default_factory=list)
    dog: Watchdog = field(init=False)
    clock: RoomClock = field(init=False)

    def __post_init__(self) -> None:
        config = Config(
            room=RoomConfig(name="Trial", timezone=self.timezone),
            source=self.sources,  # type: ignore[arg-type]  # pydantic makes models of them
            tank=self.tanks,
        )
        self.dog = Watchdog(config, memory=self.memory, standing=self.standing, expects_all=self.expects_all)
        self.clock = RoomClock()

    def send(
        self,
        channel: Channel,
        value: float | str,
        time_s: float | None = None,
        tank: str = "t01",
        retained: bool = False,
    ) -> None:
        """Let one reading arrive, stamped `time_s` or now."""
        stamp_s = self.now_s if time_s is None else time_s
        text = value if isinstance(value, str) else None
        number = 0.0 if isinstance(value, str) else value
        self.dog.advance(self.clock.see(tank, stamp_s))
        self.dog.feed(Reading(tank, channel, stamp_s, number, text, retained))
        self.steps += self.dog.take_steps()

    def live(
        self,
        hours: float,
        water: Course,
        *,
        heater: Course | None = None,
        light: Course | None = None,
        air: Course | None = None,
        step_s: float = 30.0,
        tank: str = "t01",
    ) -> None:
        """Let time go on for `hours`, with one reading of each channel given every `step_s`."""
        until_s = self.now_s + hours * HOUR_S
        channels: dict[Channel, Course | None] = {
            Channel.TEMPERATURE: water,
            Channel.HEATER: heater,
            Channel.LIGHT: light,
            Channel.AIR: air,
        }
        while self.now_s < until_s - 1e-6:
            self.now_s += step_s
            for channel, course in channels.items():
                if course is not None:
                    self.send(channel, course(self.now_s) if callable(course) else course, tank=tank)

    def wait(self, seconds: float) -> None:
        """Let time pass without any reading."""
        until_s = self.now_s + seconds
        while self.now_s < until_s:
            self.now_s = min(self.now_s + 30.0, until_s)
            self.dog.advance(self.now_s)
        self.clock.now_s = max(self.clock.now_s, self.now_s)
        self.steps += self.dog.take_steps()

    def raised(self, condition: Condition | None = None) -> list[Transition]:
        """Return the steps in which an alarm began, of one condition or of all."""
        return [
            step
            for step in self.steps
            if step.alarm.state is AlarmState.UNACKNOWLEDGED and condition in (None, step.alarm.condition)
        ]

    def names(self) -> list[str]:
        """Return what was told, by name, in order."""
        return [step.alarm.condition.value for step in self.raised()]

    def ended(self, condition: Condition) -> list[Transition]:
        """Return the steps in which an alarm of this condition returned to normal."""
        return [
            step
            for step in self.steps
            if step.alarm.state is AlarmState.RETURNED and step.alarm.condition is condition
        ]

    def restarted(self) -> "Bench":
        """Return the bench of a new process that was handed the memory of this one, through JSON."""
        memory = json.loads(json.dumps(self.dog.remember()))
        return Bench(
            self.tanks,
            self.timezone,
            memory,
            self.dog.book.standing,
            self.expects_all,
            self.sources,
            self.now_s,
        )


@dataclass
class Thermostat:
    """A heated tank reduced to straight lines: up while the heater is on, down while it is off.

    `p` and `r` are the heater's and the loss's share in the change of temperature, K/h.
    """

    bench: Bench
    tank: str = "t01"
    water_c: float = 25.0
    heating_k_per_h: float = 1.0
    cooling_k_per_h: float = 0.4
    low_c: float = 24.75
    high_c: float = 25.25
    on: bool = False
    quantum_c: float = 0.01

    def live(
        self,
        hours: float,
        *,
        step_s: float = 30.0,
        heats: bool = True,
        held: bool | None = None,
        shown: bool | None = None,
        light: Course | None = None,
        air: Course | None = None,
    ) -> None:
        """Let the tank live on.

        `heats`: warmth arrives; `held`: the contacts stay so; `shown`: what the sensor tells of them.
        """
        until_s = self.bench.now_s + hours * HOUR_S
        while self.bench.now_s < until_s - 1e-6:
            self.step(step_s, heats=heats, held=held)
            self.bench.now_s += step_s
            self.tell(shown=shown, light=light, air=air)

    def step(self, step_s: float, *, heats: bool = True, held: bool | None = None) -> None:
        """Change the water by `step_s` seconds and let the thermostat decide."""
        if self.water_c >= self.high_c:
            self.on = False
        elif self.water_c <= self.low_c:
            self.on = True
        if held is not None:
            self.on = held
        rate = (self.heating_k_per_h if self.on and heats else 0.0) - self.cooling_k_per_h
        self.water_c += rate * step_s / HOUR_S

    def tell(
        self, *, shown: bool | None = None, light: Course | None = None, air: Course | None = None
    ) -> None:
        """Send what the probe sees now."""
        bench = self.bench
        value = round(self.water_c / self.quantum_c) * self.quantum_c
        bench.send(Channel.TEMPERATURE, value, tank=self.tank)
        bench.send(Channel.HEATER, float(self.on if shown is None else shown), tank=self.tank)
        for channel, course in ((Channel.LIGHT, light), (Channel.AIR, air)):
            if course is not None:
                bench.send(channel, course(bench.now_s) if callable(course) else course, tank=self.tank)


def lamp(on_h: float, off_h: float) -> Callable[[float], float]:
    """Return a lamp that burns between two hours of the UTC day."""
    length = (off_h - on_h) % 24.0

    def course(time_s: float) -> float:
        return float((time_s / HOUR_S - on_h) % 24.0 < length)

    return course


def wave(mean_c: float, half_k: float, period_s: float) -> Callable[[float], float]:
    """Return a temperature that swings like a sine."""

    def course(time_s: float) -> float:
        return mean_c + half_k * math.sin(2 * math.pi * (time_s - MIDNIGHT_S) / period_s)

    return course
