"""What the reader answers, against sums done by hand and by numpy on the same readings."""

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from store_data import T0, heater, step, temperature

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history
from tankwatch.store.postgres.reader import PostgresReader
from tankwatch.store.postgres.write import write_history as write_central
from tankwatch.store.reader import StoreReader
from tankwatch.store.runs import WatchRun, blind_times
from tankwatch.store.series import seconds_on


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


@dataclass(frozen=True)
class History:
    """A store of either kind: what is written, and who answers."""

    write: Callable[..., int]
    reader: StoreReader | PostgresReader


@pytest.fixture(params=["sqlite", "postgres"])
def history(request: pytest.FixtureRequest, path: Path) -> History:
    if request.param == "sqlite":
        return History(partial(write_history, path), StoreReader(path))
    url = request.getfixturevalue("postgres_shared_url")
    room = uuid.uuid4().hex
    write_central(url, room, [])
    return History(partial(write_central, url, room), PostgresReader(url, room))


def test_a_missing_file_is_told_in_a_sentence(path: Path) -> None:
    with pytest.raises(StoreError, match=r"There is no store at .*room\.db: nothing was recorded yet"):
        StoreReader(path).last_values()


def test_an_empty_store_answers_with_nothing(history: History) -> None:
    history.write([])
    reader = history.reader
    assert len(reader.series("t01", Channel.TEMPERATURE, 0, 1e10)) == 0
    assert len(reader.series("t01", Channel.TEMPERATURE, 0, 1e10, 100)) == 0
    assert reader.on_time_s("t01", Channel.HEATER, 0, 1e10) == 0.0
    assert reader.last_values() == {}
    assert reader.span() is None
    assert reader.next_alarm_id() == 1
    assert (reader.steps(0, 1e10), reader.standing_alarms(), reader.marks(), reader.log(), reader.runs()) == (
        [],
        [],
        [],
        [],
        [],
    )


def test_buckets_keep_every_extreme_and_leave_gaps(history: History) -> None:
    rng = np.random.default_rng(7)
    offsets = np.sort(rng.choice(864_000, 8000, replace=False)) / 10.0
    offsets = offsets[(offsets < 20_000) | (offsets > 40_000)]
    values = 25.0 + rng.normal(0, 0.3, len(offsets))
    history.write([temperature(t, v) for t, v in zip(offsets.tolist(), values.tolist(), strict=True)])
    series = history.reader.series("t01", Channel.TEMPERATURE, T0, T0 + 86_400, 96)
    width_s = 900.0
    bucket = np.minimum((offsets // width_s).astype(int), 95)
    filled = np.unique(bucket)
    assert len(series) == len(filled) < 96
    assert series.time_s.tolist() == (T0 + (filled + 0.5) * width_s).tolist()
    assert series.low.tolist() == [values[bucket == b].min() for b in filled]
    assert series.high.tolist() == [values[bucket == b].max() for b in filled]
    assert series.count.tolist() == [int((bucket == b).sum()) for b in filled]
    np.testing.assert_allclose(series.mean, [values[bucket == b].mean() for b in filled], rtol=1e-12)


def test_both_ends_of_a_stretch_belong_to_it(history: History) -> None:
    history.write([temperature(t, float(t)) for t in range(11)])
    reader = history.reader
    assert reader.series("t01", Channel.TEMPERATURE, T0 + 2, T0 + 4).mean.tolist() == [2.0, 3.0, 4.0]
    series = reader.series("t01", Channel.TEMPERATURE, T0, T0 + 10, 2)
    assert (series.low.tolist(), series.high.tolist()) == ([0.0, 5.0], [4.0, 10.0])
    assert reader.series("t01", Channel.TEMPERATURE, T0 + 3, T0 + 3, 5).mean.tolist() == [3.0]
    with pytest.raises(StoreError, match="ask for 1 or more"):
        reader.series("t01", Channel.TEMPERATURE, T0, T0 + 10, 0)


def test_last_values_and_span_are_of_every_channel_of_every_tank(history: History) -> None:
    readings = [temperature(t, 20.0 + t) for t in (3, 1, 2)] + [heater(9, 1.0, tank="t02"), heater(8, 0.0)]
    history.write(readings)
    reader = history.reader
    assert reader.last_values() == {
        ("t01", Channel.TEMPERATURE): (T0 + 3, 23.0),
        ("t01", Channel.HEATER): (T0 + 8, 0.0),
        ("t02", Channel.HEATER): (T0 + 9, 1.0),
    }
    assert reader.span() == (T0 + 1, T0 + 9)


@pytest.mark.parametrize(
    ("begin", "end", "seconds"),
    [
        (0, 100, 100.0),  # on from the start
        (0, 1000, 600.0),  # off at 600
        (-500, 700, 600.0),
        (300, 400, 100.0),  # the state before the stretch counts
        (2000, 4000, 900.0),  # on at 2000 and then silence: believed for 900 s
        (2899, 2901, 1.0),
        (5000, 5100, 50.0),  # on at 5050, still on at the end
        (700, 1900, 0.0),
    ],
)
def test_on_time_by_hand(history: History, begin: float, end: float, seconds: float) -> None:
    states = [(0, 1.0), (600, 0.0), (2000, 1.0), (5050, 1.0)]
    history.write([heater(t, state) for t, state in states])
    assert history.reader.on_time_s("t01", Channel.HEATER, T0 + begin, T0 + end) == pytest.approx(seconds)


def test_on_time_against_a_count_of_seconds() -> None:
    rng = np.random.default_rng(11)
    for _ in range(20):
        times = np.sort(rng.choice(3000, 40, replace=False)).astype(float)
        states = rng.integers(0, 2, 40).astype(float)
        begin, end, hold = 400, 2600, 50.0
        on = 0
        for second in range(begin, end):  # the state in force during [second, second + 1)
            before = np.flatnonzero(times <= second)
            if len(before) and second - times[before[-1]] < hold:
                on += int(states[before[-1]])
        assert seconds_on(times, states, begin, end, hold) == pytest.approx(on)


def test_steps_come_back_as_they_were_and_alarms_stand_by_their_latest(history: History) -> None:
    book = AlarmBook()
    book.begin("t01", Condition.TOO_COLD, Priority.HIGH, T0, "cold", value=22.0, evidence={"low_c": 23.0})
    book.begin("t02", Condition.PROBE_SILENT, Priority.MEDIUM, T0 + 1, "silent", margin_min=3.5)
    book.begin(None, Condition.SOURCE_LOST, Priority.HIGH, T0 + 2, "lost", subject="broker")
    book.acknowledge(1, "Ane", T0 + 3.25)
    book.end("t02", Condition.PROBE_SILENT, T0 + 4)
    book.end("t01", Condition.TOO_COLD, T0 + 5)
    standing = book.standing
    steps = book.take_steps()
    history.write([], steps)
    reader = history.reader
    assert reader.steps(T0, T0 + 10) == steps
    assert reader.steps(T0 + 3, T0 + 4, tank="t01") == [steps[3]]
    assert reader.standing_alarms() == sorted(standing, key=lambda alarm: alarm.alarm_id)
    assert [alarm.state for alarm in reader.standing_alarms()] == [
        AlarmState.RETURNED,
        AlarmState.UNACKNOWLEDGED,
    ]
    assert reader.next_alarm_id() == 4
    after = AlarmBook(reader.standing_alarms(), reader.next_alarm_id())
    assert after.standing == standing


def test_blind_times_are_what_no_run_covers() -> None:
    def run(start_s: float, end_s: float) -> WatchRun:
        return WatchRun(1, start_s, end_s, "", True)

    runs = [run(10, 20), run(15, 30), run(50, 60), run(55, 58), run(90, 120)]
    assert blind_times(runs, 0, 100) == [(0, 10), (30, 50), (60, 90)]
    assert blind_times(runs, 12, 18) == []
    assert blind_times(runs, 25, 55) == [(30, 50)]
    assert blind_times([], 3, 4) == [(3, 4)]
    assert blind_times(runs, 65, 70) == [(65, 70)]


def test_history_is_added_to_and_an_iterable_that_fails_leaves_no_new_file(path: Path) -> None:
    seen: list[int] = []
    assert write_history(path, [temperature(t) for t in range(10)], progress=seen.append) == 10
    assert write_history(path, [temperature(t) for t in range(5, 15)], [step()], progress=seen.append) == 5
    assert seen == [10, 10]
    assert [(run.start_s, run.end_s) for run in StoreReader(path).runs()] == [(T0, T0 + 9), (T0 + 5, T0 + 14)]

    def failing() -> "list[Reading]":
        raise RuntimeError("the simulation ended early")

    other = path.with_name("other.db")
    with pytest.raises(RuntimeError, match="ended early"):
        write_history(other, (reading for _ in range(1) for reading in failing()))
    assert [p.name for p in path.parent.glob("other*")] == ["other.db.lock"]
