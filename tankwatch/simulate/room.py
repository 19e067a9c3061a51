"""The air of a simulated room: a daily wave, weather that wanders, and events such as an open window."""

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

_HOUR_S = 3600.0
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class AirEvent:
    """A lasting change of the room's air between two times, reached and left gradually."""

    start_s: float
    end_s: float
    change_k: float
    ramp_s: float = 1800.0

    def change_at(self, time_s: float) -> float:
        """Return the change that holds at `time_s`, K."""
        if time_s <= self.start_s:
            return 0.0
        rise = 1.0 - math.exp(-(min(time_s, self.end_s) - self.start_s) / self.ramp_s)
        fall = math.exp(-(time_s - self.end_s) / self.ramp_s) if time_s > self.end_s else 1.0
        return self.change_k * rise * fall


class RoomAir:
    """Air temperature of a room over time, °C; repeatable from its seed."""

    def __init__(
        self,
        *,
        mean_c: float = 20.0,
        daily_k: float = 1.0,
        weather_k: float = 0.6,
        trend_k_per_day: float = 0.0,
        start_s: float = 0.0,
        days: float = 10.0,
        seed: int = 1,
        events: Sequence[AirEvent] = (),
    ) -> None:
        """Make the air of `days` days from `start_s` on.

        `daily_k` is half the daily range, warmest at 16 h UTC; `weather_k` the standard deviation of a
        slow wandering with a memory of a day.
        """
        self._mean_c = mean_c
        self._daily_k = daily_k
        self._trend = trend_k_per_day / _DAY_S
        self._start_s = start_s
        self._events = tuple(events)
        rng = random.Random(seed)
        keep = math.exp(-1.0 / 24.0)
        kick = weather_k * math.sqrt(1.0 - keep * keep)
        level = rng.gauss(0.0, weather_k)
        self._hourly = [level]
        for _ in range(int(days * 24) + 2):
            level = keep * level + rng.gauss(0.0, kick)
            self._hourly.append(level)

    def temperature_c(self, time_s: float) -> float:
        """Return the air temperature at `time_s` (seconds since 1970 UTC), °C."""
        hours = (time_s - self._start_s) / _HOUR_S
        index = min(max(int(hours), 0), len(self._hourly) - 2)
        part = min(max(hours - index, 0.0), 1.0)
        weather = self._hourly[index] * (1.0 - part) + self._hourly[index + 1] * part
        daily = self._daily_k * math.cos(2.0 * math.pi * (time_s / _DAY_S - 16.0 / 24.0))
        temperature = self._mean_c + daily + weather + self._trend * (time_s - self._start_s)
        for event in self._events:
            temperature += event.change_at(time_s)
        return temperature
