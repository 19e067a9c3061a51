"""Readings and steps for the tests of the store; the figures are invented."""

import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority, Transition
from tankwatch.clock import ManualClock
from tankwatch.reading import Channel, Reading
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter

MakeWriter = Callable[..., StoreWriter]
T0 = 1_790_000_000.0


def temperature(seconds: float, value: float = 25.0, tank: str = "t01") -> Reading:
    return Reading(tank, Channel.TEMPERATURE, T0 + seconds, value)


def heater(seconds: float, value: float, tank: str = "t01") -> Reading:
    return Reading(tank, Channel.HEATER, T0 + seconds, value)


def step(
    alarm_id: int = 1,
    seconds: float = 0.0,
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    from_state: AlarmState = AlarmState.NORMAL,
    tank: str | None = "t01",
) -> Transition:
    alarm = Alarm(
        alarm_id=alarm_id,
        tank=tank,
        condition=Condition.TOO_COLD,
        state=state,
        priority=Priority.HIGH,
        since_s=T0 + seconds - 61.25,
        changed_s=T0 + seconds,
        message="22.4 °C, below the low limit of 23.0 °C",
        value=22.4,
        margin_min=12.5,
        evidence={"low_c": 23.0, "readings": [22.5, 22.4], "heater": None, "words": "Ærø °C"},
        subject=None,
        who="Ane" if state is AlarmState.ACKNOWLEDGED else None,
    )
    return Transition(alarm=alarm, from_state=from_state, time_s=T0 + seconds, who=alarm.who, why=None)


def ask(path: Path, question: str) -> list[Any]:
    """Ask over a connection of the test's own."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as connection:
        return connection.execute(question).fetchall()


def stored_readings(path: Path) -> int:
    """Return how many readings the store holds, wherever it keeps them."""
    reader = StoreReader(path)
    return sum(
        len(reader.series(tank, channel, -1e11, 1e11)) for tank, channel in sorted(reader.last_values())
    )


def wait_until(true: Callable[[], bool], timeout_s: float = 5.0) -> float:
    """Poll real input and output; return the seconds it took."""
    begin_s = time.monotonic()
    while not true():
        assert time.monotonic() - begin_s < timeout_s, "it did not come true in time"
        time.sleep(0.002)
    return time.monotonic() - begin_s


def started_writers(path: Path, clock: ManualClock) -> Iterator[MakeWriter]:
    """Yield a maker of started writers, and stop them all; the body of a fixture."""
    writers: list[StoreWriter] = []

    def make(at: Path = path, *, batch_s: float = 0.02, queue_limit: int = 1_000_000) -> StoreWriter:
        writer = StoreWriter(at, clock, batch_s=batch_s, queue_limit=queue_limit)
        writers.append(writer)
        writer.start()
        return writer

    yield make
    for writer in writers:
        writer.stop(0.5)
