"""A program for measuring: the screen on a feed of invented pictures, once a second.

Arguments: number of tanks, and what changes: `nothing`, `water` (a healthy room: slow cycles and the noise
of a probe), or `five` (five tanks in a hundred move by at least half a degree each second).
"""

import asyncio
import math
import random
import sys
from collections.abc import AsyncIterator
from dataclasses import replace

from screen_fakes import FakeFeed, FakeHistory, make_config, make_room, make_tank

from tankwatch.clock import SystemClock
from tankwatch.screen.app import TankwatchApp
from tankwatch.snapshot import RoomSnapshot, from_json, to_json


class MeasuredFeed(FakeFeed):
    """Sends a picture a second, through JSON as the socket does."""

    def __init__(self, count: int, mode: str) -> None:
        super().__init__()
        self._count = count
        self._mode = mode
        self._random = random.Random(1)
        self._water = [25.0] * count

    async def snapshots(self) -> AsyncIterator[RoomSnapshot]:
        """Send for ever."""
        second = 0
        while True:
            yield from_json(to_json(self._picture(second)))
            second += 1
            await asyncio.sleep(1)

    def _picture(self, second: int) -> RoomSnapshot:
        if self._mode == "water":
            self._water = [
                25 + 0.15 * math.sin(2 * math.pi * (second / 1500 + i * 0.37)) + self._random.gauss(0, 0.012)
                for i in range(self._count)
            ]
        elif self._mode == "five":
            for i in self._random.sample(range(self._count), max(1, self._count // 20)):
                self._water[i] = 24.0 + (self._water[i] - 24.0 + self._random.uniform(0.5, 1.5)) % 2.0
        tanks = [make_tank(i, water) for i, water in enumerate(self._water)]
        room = make_room(tanks=tanks)
        return replace(room, time_s=room.time_s + second)


if __name__ == "__main__":
    tanks = int(sys.argv[1])
    TankwatchApp(
        make_config(tanks), MeasuredFeed(tanks, sys.argv[2]), FakeHistory(), SystemClock(), who="keeper"
    ).run()
