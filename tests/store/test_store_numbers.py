"""Numbers of alarms over kills and stops: none is given twice."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from store_data import MakeWriter, started_writers, step

from tankwatch.clock import ManualClock
from tankwatch.store.numbers import AHEAD, SPARE
from tankwatch.store.reader import StoreReader


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


@pytest.fixture
def make_writer(path: Path) -> Iterator[MakeWriter]:
    yield from started_writers(path, ManualClock())


def test_what_a_killed_watch_may_have_shown_is_left_out(make_writer: MakeWriter, path: Path) -> None:
    writer = make_writer()
    writer.set_numbers_apart(1)
    writer.put_steps([step(3)])
    assert writer.flush(5.0)
    # The watch may have shown 4 and more without a step on the disk.
    assert StoreReader(path).next_alarm_id() == 1 + AHEAD


def test_more_are_set_apart_before_they_run_out(make_writer: MakeWriter, path: Path) -> None:
    writer = make_writer()
    writer.set_numbers_apart(1)
    for number in range(1, 3 * AHEAD):
        writer.put_steps([step(number, number)])
        assert writer.flush(5.0)
        assert StoreReader(path).next_alarm_id() > number + SPARE


def test_a_watch_that_is_stopped_leaves_none_out(make_writer: MakeWriter, path: Path) -> None:
    writer = make_writer()
    writer.set_numbers_apart(1)
    writer.put_steps([step(3)])
    writer.give_numbers_back()
    assert writer.flush(5.0)
    assert StoreReader(path).next_alarm_id() == 4
