"""Measured, not judged: the figures are printed (`pytest -m bench -s`)."""

import time
from pathlib import Path

import pytest
from store_data import T0, ask, stored_readings

from tankwatch.clock import SystemClock
from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history
from tankwatch.store.writer import StoreWriter

COUNT = 200_000


def room(count: int) -> list[Reading]:
    """Return readings of 100 tanks with 3 channels every 10 s, in order of arrival."""
    channels = (Channel.TEMPERATURE, Channel.HEATER, Channel.LIGHT)
    return [
        Reading(
            f"t{number // 3 % 100:02}", channels[number % 3], T0 + number // 300 * 10.0 + number % 7 / 8, 25.0
        )
        for number in range(count)
    ]


@pytest.mark.bench
def test_ingest_rate_of_the_writer(tmp_path: Path) -> None:
    readings = room(COUNT)
    writer = StoreWriter(tmp_path / "room.db", SystemClock())
    writer.start()
    begin_s = time.perf_counter()
    for start in range(0, COUNT, 300):
        writer.put_readings(readings[start : start + 300])
    assert writer.flush(60.0)
    took_s = time.perf_counter() - begin_s
    writer.stop(10.0)
    print(f"\nwriter: {COUNT / took_s:,.0f} readings/s")
    assert stored_readings(tmp_path / "room.db") == COUNT


@pytest.mark.bench
def test_rate_of_written_history(tmp_path: Path) -> None:
    readings = room(COUNT)
    begin_s = time.perf_counter()
    assert write_history(tmp_path / "room.db", readings) == COUNT
    took_s = time.perf_counter() - begin_s
    size = (tmp_path / "room.db").stat().st_size
    print(f"\nhistory: {COUNT / took_s:,.0f} readings/s, {size / COUNT:.1f} bytes each")
    assert ask(tmp_path / "room.db", "PRAGMA quick_check") == [("ok",)]
