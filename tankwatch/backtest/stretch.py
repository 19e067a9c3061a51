"""A stretch of readings of many tanks as four arrays, and putting stretches in order."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tankwatch.reading import Channel, ServiceMark

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

CHANNELS: tuple[Channel, ...] = (
    *sorted((channel for channel in Channel if channel is not Channel.SERVICE), key=lambda c: c.value),
    Channel.SERVICE,
)
"""Channels in the order in which those of one tank and time are judged: by name, service marks last."""
CHANNEL_NUMBERS = {channel: number for number, channel in enumerate(CHANNELS)}
MARKS: tuple[str, ...] = tuple(mark.value for mark in ServiceMark)
"""Service words; a service reading has the number of its word as value."""


@dataclass(slots=True)
class TankNames:
    """Numbers for the names of tanks, in the order in which they are met."""

    names: list[str] = field(default_factory=list)
    _numbers: dict[str, int] = field(default_factory=dict)

    def number(self, name: str) -> int:
        """Return the number of a tank; a new name gets the next one."""
        number = self._numbers.setdefault(name, len(self.names))
        if number == len(self.names):
            self.names.append(name)
        return number

    def ranks(self) -> Ints:
        """Return for each number its place among the names in alphabetical order."""
        rank = np.empty(len(self.names), np.int64)
        rank[sorted(range(len(self.names)), key=self.names.__getitem__)] = np.arange(len(self.names))
        return rank


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings; four arrays of equal length."""

    time_us: Ints
    """Microseconds since 1970 UTC."""
    tank: Ints
    """Numbers of `TankNames`."""
    channel: Ints
    """Numbers of `CHANNELS`."""
    value: Floats
    """In the unit of the channel; the number of the word in `MARKS` for the service channel."""

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.time_us)

    def part(self, which: "slice | NDArray[np.bool_] | Ints") -> "Stretch":
        """Return some of the readings."""
        return Stretch(self.time_us[which], self.tank[which], self.channel[which], self.value[which])


def joined(stretches: Sequence[Stretch]) -> Stretch:
    """Return stretches one after the other as one."""
    if len(stretches) == 1:
        return stretches[0]
    ints = np.empty(0, np.int64)
    return Stretch(
        np.concatenate([ints, *(s.time_us for s in stretches)]),
        np.concatenate([ints, *(s.tank for s in stretches)]),
        np.concatenate([ints, *(s.channel for s in stretches)]),
        np.concatenate([np.empty(0), *(s.value for s in stretches)]),
    )


def in_order(stretch: Stretch, tanks: TankNames) -> Stretch:
    """Return the readings by time, then tank, then channel; equals keep their order."""
    return stretch.part(np.lexsort((stretch.channel, tanks.ranks()[stretch.tank], stretch.time_us)))
