"""Three days of the invented room, judged by the same watchdog as live readings and written to its store."""

import heapq
import sys
import time
from collections.abc import Callable, Iterator

from tankwatch.clock import ManualClock
from tankwatch.config import Config
from tankwatch.demo.room import HISTORY_INTERVAL_S, DemoRoom
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, Reading
from tankwatch.simulate.tank import run
from tankwatch.store.writer import StoreWriter
from tankwatch.watch.judge import MEMORY_KEY
from tankwatch.watchdog.watchdog import Watchdog

_CHUNK = 5_000


def write_history(room: DemoRoom, config: Config, report: Callable[[float], None]) -> int:
    """Play the history of `room` up to its `now_s`; return the number of readings kept.

    `report` is called with the share done, 0..1.

    Raises:
        StoreError: the store cannot be written.
    """
    # The history comes at a wider interval than live readings: the watchdog must know it.
    spaced = config.model_copy(
        update={
            "tank": tuple(
                tank.model_copy(update={"probe_interval_s": HISTORY_INTERVAL_S}) for tank in config.tank
            )
        }
    )
    watchdog = Watchdog(spaced)
    clock = ManualClock(wall=room.start_s)
    store = StoreWriter(config.store.path, clock)
    store.start()
    count = 0
    try:
        waiting: list[Reading] = []
        for reading in _readings(room):
            watchdog.advance(reading.time_s)
            watchdog.feed(reading)
            waiting.append(reading)
            if len(waiting) >= _CHUNK:
                clock.advance(reading.time_s - clock.wall)
                count += len(waiting)
                store.put_readings(waiting)
                waiting = []
                store.put_steps(watchdog.take_steps())
                report((reading.time_s - room.start_s) / (room.now_s - room.start_s))
        clock.advance(room.now_s - clock.wall)
        store.put_readings(waiting)
        store.put_steps(watchdog.take_steps())
        store.put_memory(MEMORY_KEY, watchdog.remember())
        if not store.flush(60.0):
            raise StoreError(f"{config.store.path}: the history could not be written")
    finally:
        store.stop()
    report(1.0)
    return count + len(waiting)


def _readings(room: DemoRoom) -> Iterator[Reading]:
    """Yield the readings of all tanks up to `now_s` in order of time."""
    return heapq.merge(*(_of_tank(room, number) for number in range(len(room.sims))), key=lambda r: r.time_s)


def _of_tank(room: DemoRoom, number: int) -> Iterator[Reading]:
    sim = room.sims[number]
    tank = sim.spec.tank_id
    for name, time_s, value in run(sim, room.now_s - HISTORY_INTERVAL_S, air=True):
        word = value if isinstance(value, str) else None
        number_value = 0.0 if isinstance(value, str) else value
        yield Reading(tank, Channel(name), time_s, number_value, text=word, source="broker")


class ProgressBar:
    """A bar on stderr; on anything but a terminal, one line at the end."""

    def __init__(self, text: str) -> None:
        """Show `text` beside the bar."""
        self._text = text
        self._begun_s = time.monotonic()
        self._shown = -1

    def show(self, share: float) -> None:
        """Show that `share` (0..1) is done."""
        percent = int(100 * share)
        if percent == self._shown:
            return
        self._shown = percent
        if sys.stderr.isatty():
            filled = percent * 30 // 100
            print(
                f"\r{self._text} [{'#' * filled}{'.' * (30 - filled)}] {percent:3} %",
                end="\n" if percent == 100 else "",
                file=sys.stderr,
                flush=True,
            )
        elif percent == 100:
            print(f"{self._text}: done in {time.monotonic() - self._begun_s:.1f} s", file=sys.stderr)
