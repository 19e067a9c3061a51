"""The weeks behind: days and weeks of each tank, its heat-loss signature, and what drifts."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from tankwatch.config import Config, TankConfig
from tankwatch.review.days import DayFacts, day_facts
from tankwatch.review.recording import record
from tankwatch.review.signature import Signature, find_signature
from tankwatch.review.span import Span, midnight_s
from tankwatch.review.usual import learn_usual
from tankwatch.snapshot import Estimate
from tankwatch.store.room_reader import RoomReader

MOST_WEEKS = 520
_FIT_S = 3 * 86_400.0
"""The last days of a week that the model is fitted to, beside the lead that any recording has."""
_FEWEST_WEEKS = 4
_NOTABLE_SHARE, _NOTABLE_SIGMAS = 0.10, 3.0
_LEAST_NOISE = 0.01
"""No figure of a week is surer than this share of it."""


@dataclass(frozen=True, slots=True)
class WeekFacts:
    """Seven local days; None where nothing of them is known."""

    first_day: date
    duty: float | None
    air_c: float | None
    water_c: float | None
    light_h: float | None
    """Per day."""
    swing_k: float | None
    """Mean of the days."""
    heater_w: Estimate | None
    """Effective power, fitted to the heating cycles of the week's last days."""
    loss_w_per_k: float | None
    """Heat given over the difference to the room, as though pump and lamp gave none."""


@dataclass(frozen=True, slots=True)
class Drift:
    """How a figure went over the weeks: the mean of their first third against that of the last."""

    start: float
    end: float
    sigma: float
    """Standard uncertainty of the change, from how neighbouring weeks differ."""

    @property
    def share(self) -> float:
        """Change over the start."""
        return (self.end - self.start) / self.start

    @property
    def is_notable(self) -> bool:
        """Tell whether it is more than chance, and enough to look at."""
        change = abs(self.end - self.start)
        return change > _NOTABLE_SIGMAS * self.sigma and abs(self.share) >= _NOTABLE_SHARE


@dataclass(frozen=True, slots=True)
class TankWeeks:
    """One tank over the weeks."""

    tank: TankConfig
    days: tuple[DayFacts, ...]
    weeks: tuple[WeekFacts, ...]
    signature: Signature | None
    signature_from: date
    """First day that the signature may rest on: where something drifts, the newest third of the weeks."""
    heater_drift: Drift | None
    loss_drift: Drift | None

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why someone must look, in words; empty where nobody must."""
        found = []
        heater, loss = self.heater_drift, self.loss_drift
        if heater is not None and heater.is_notable and heater.share < 0:
            found.append(f"the heater gives {-heater.share:.0%} less than it did")
        if loss is not None and loss.is_notable and loss.share > 0:
            found.append(f"the tank loses {loss.share:.0%} more heat than it did")
        return tuple(found)


@dataclass(frozen=True, slots=True)
class RoomWeeks:
    """The whole room over the weeks."""

    room: str
    timezone: str
    span: Span
    made_s: float
    """Seconds since 1970 UTC."""
    tanks: tuple[TankWeeks, ...]

    @property
    def needs_attention(self) -> bool:
        """Tell whether someone must look."""
        return any(tank.reasons for tank in self.tanks)


def review_weeks(
    config: Config, reader: RoomReader, weeks: int, now_s: float, tanks: Sequence[str] | None = None
) -> RoomWeeks:
    """Return the last `weeks` times seven whole local days, for `tanks` or for all.

    Raises:
        ConfigError: the configuration has no such tank.
        StoreError: the store cannot be read.
    """
    zone = config.room.zone
    after = datetime.fromtimestamp(now_s, UTC).astimezone(zone).date()
    first = after - timedelta(days=7 * weeks)
    wanted = config.tank if tanks is None else tuple(config.tank_by_id(name) for name in tanks)
    title = f"{weeks} weeks to {after - timedelta(days=1)}" if weeks > 1 else f"Week from {first}"
    return RoomWeeks(
        room=config.room.name,
        timezone=config.room.timezone,
        span=Span(midnight_s(first, zone), midnight_s(after, zone), title),
        made_s=now_s,
        tanks=tuple(_tank_weeks(reader, tank, first, weeks, zone) for tank in wanted),
    )


def _tank_weeks(reader: RoomReader, tank: TankConfig, first: date, weeks: int, zone: ZoneInfo) -> TankWeeks:
    days = day_facts(reader, tank.id, first, 7 * weeks, zone)
    found = tuple(_week(reader, tank, days[7 * i : 7 * i + 7], zone) for i in range(weeks))
    heater = _drift([None if week.heater_w is None else week.heater_w.value for week in found])
    loss = _drift([week.loss_w_per_k for week in found])
    # A tank that changed has no one line: the newest weeks tell what it is like now.
    drifts = any(drift is not None and drift.is_notable for drift in (heater, loss))
    newest = max(1, weeks // 3) if drifts else weeks
    return TankWeeks(
        tank=tank,
        days=tuple(days),
        weeks=found,
        signature=find_signature(days[-7 * newest :], *_power(tank, found[-newest:])),
        signature_from=days[-7 * newest].day,
        heater_drift=heater,
        loss_drift=loss,
    )


def _power(tank: TankConfig, weeks: Sequence[WeekFacts]) -> tuple[float | None, float]:
    """Return the heater's power and its uncertainty, W: the middle one of the weeks, else the rated one."""
    powers = sorted((w.heater_w for w in weeks if w.heater_w is not None), key=lambda power: power.value)
    if not powers:
        return tank.heater_w, 0.0
    middle = powers[len(powers) // 2]
    return middle.value, middle.uncertainty


def _week(reader: RoomReader, tank: TankConfig, days: Sequence[DayFacts], zone: ZoneInfo) -> WeekFacts:
    heater_w = None
    if any(day.duty for day in days) and any(day.water_c is not None for day in days):
        end_s = midnight_s(days[-1].day + timedelta(days=1), zone)
        heater_w = _heater_power(reader, tank, end_s)
    watts = tank.heater_w if heater_w is None else heater_w.value
    whole = [
        (day.duty, day.water_c - day.air_c)
        for day in days
        if day.duty is not None and day.water_c is not None and day.air_c is not None
    ]
    difference_k = sum(k for _, k in whole)
    loss = None
    if watts is not None and whole and difference_k / len(whole) >= 1.0:
        loss = watts * sum(duty for duty, _ in whole) / difference_k
    return WeekFacts(
        first_day=days[0].day,
        duty=_mean([day.duty for day in days]),
        air_c=_mean([day.air_c for day in days]),
        water_c=_mean([day.water_c for day in days]),
        light_h=_mean([day.light_h for day in days]),
        swing_k=_mean([day.swing_k for day in days]),
        heater_w=heater_w,
        loss_w_per_k=loss,
    )


def _heater_power(reader: RoomReader, tank: TankConfig, end_s: float) -> Estimate | None:
    model = learn_usual(record(reader, tank, end_s - _FIT_S, end_s), end_s).model
    heating = model.heating_k_per_h
    if heating is None or not model.heating_is_measured:
        return None
    watts_per_rate = model.capacity_j_per_k / 3600.0
    return Estimate(heating.value * watts_per_rate, heating.uncertainty * watts_per_rate)


def _drift(values: Sequence[float | None]) -> Drift | None:
    known = np.array([value for value in values if value is not None])
    if len(known) < _FEWEST_WEEKS:
        return None
    third = max(1, len(known) // 3)
    start, end = float(known[:third].mean()), float(known[-third:].mean())
    if start <= 0.0:
        return None
    # Neighbours tell the noise of a week, whether the figure goes slowly or in one step.
    steps = np.diff(known)
    noise = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / math.sqrt(2.0)
    return Drift(start, end, max(noise, _LEAST_NOISE * start) * math.sqrt(2.0 / third))


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
