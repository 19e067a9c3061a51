"""Days of one tank as the store's figures tell them: duty, room, light, swing. Half a day is not told."""

from dataclasses import dataclass
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from tankwatch.decode.channel import FAULT_CODES_C
from tankwatch.reading import Channel
from tankwatch.review.recording import Floats
from tankwatch.review.span import midnight_s
from tankwatch.store.room_reader import RoomReader
from tankwatch.store.series import HOLD_S

KNOWN_H = 20.0
"""A day counts for a channel that is known for so many of its hours."""
_STATES_PER_HOUR = round(3600.0 / HOLD_S)
"""An hour of a heater or lamp is known when it holds so many states: each is believed for `HOLD_S`."""
_WATER_C = (-2.0, 60.0)


@dataclass(frozen=True, slots=True)
class DayFacts:
    """One local day; None where too little of it is known."""

    day: date
    water_c: float | None
    """Mean."""
    swing_k: float | None
    """Greatest less least temperature, the ripple of heating cycles included."""
    air_c: float | None
    """Mean of the room."""
    duty: float | None
    """Share of the day with the heater on, 0..1."""
    light_h: float | None
    """Hours with the lamp on."""


def day_facts(reader: RoomReader, tank: str, first: date, count: int, zone: ZoneInfo) -> list[DayFacts]:
    """Return `count` local days of `tank` from `first` on.

    Raises:
        StoreError: the store cannot be read.
    """
    starts_s = [midnight_s(first + timedelta(days=i), zone) for i in range(count + 1)]
    hours = max(1, round((starts_s[-1] - starts_s[0]) / 3600.0))

    def by_hour(channel: Channel) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        found = reader.series(tank, channel, starts_s[0], starts_s[-1] - 0.001, hours)
        return found.time_s, found.low, found.high, found.mean, found.count.astype(np.float64)

    water, air = by_hour(Channel.TEMPERATURE), by_hour(Channel.AIR)
    heater, lamp = by_hour(Channel.HEATER), by_hour(Channel.LIGHT)
    codes = list(FAULT_CODES_C)
    time_s, low, high, mean, _ = water
    sound = (low > _WATER_C[0]) & (high < _WATER_C[1]) & ~np.isin(low, codes) & ~np.isin(high, codes)
    time_s, low, high, mean = time_s[sound], low[sound], high[sound], mean[sound]
    days = []
    for i in range(count):
        begin_s, end_s = starts_s[i], starts_s[i + 1]
        part = (time_s >= begin_s) & (time_s < end_s)
        known = bool(part.sum() >= KNOWN_H)
        days.append(
            DayFacts(
                day=first + timedelta(days=i),
                water_c=float(mean[part].mean()) if known else None,
                swing_k=float(high[part].max() - low[part].min()) if known else None,
                air_c=_mean(air, begin_s, end_s),
                duty=_share_on(reader, tank, Channel.HEATER, heater, begin_s, end_s),
                light_h=_hours_on(reader, tank, lamp, begin_s, end_s),
            )
        )
    return days


def _mean(series: tuple[Floats, ...], begin_s: float, end_s: float) -> float | None:
    time_s, mean = series[0], series[3]
    part = (time_s >= begin_s) & (time_s < end_s)
    return float(mean[part].mean()) if part.sum() >= KNOWN_H else None


def _known_hours(series: tuple[Floats, ...], begin_s: float, end_s: float) -> float:
    time_s, count = series[0], series[4]
    return float(((time_s >= begin_s) & (time_s < end_s) & (count >= _STATES_PER_HOUR)).sum())


def _share_on(
    reader: RoomReader, tank: str, channel: Channel, series: tuple[Floats, ...], begin_s: float, end_s: float
) -> float | None:
    known_h = _known_hours(series, begin_s, end_s)
    if known_h < KNOWN_H:
        return None
    return min(1.0, reader.on_time_s(tank, channel, begin_s, end_s) / 3600.0 / known_h)


def _hours_on(
    reader: RoomReader, tank: str, series: tuple[Floats, ...], begin_s: float, end_s: float
) -> float | None:
    share = _share_on(reader, tank, Channel.LIGHT, series, begin_s, end_s)
    return None if share is None else share * (end_s - begin_s) / 3600.0
