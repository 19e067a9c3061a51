"""Sealing by the running writer, and what is dropped, noted and told; the figures are invented."""

import os
import sqlite3
import subprocess
import sys
import weakref
from collections.abc import Iterator
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest
from store_data import T0, MakeWriter, ask, heater, started_writers, step, temperature, wait_until

from tankwatch.clock import ManualClock
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, Reading
from tankwatch.store import codec, housekeeping, retention, schema
from tankwatch.store.block import HOUR_MS
from tankwatch.store.bulk import write_history
from tankwatch.store.chart import Parts, chart
from tankwatch.store.housekeeping import Housekeeper
from tankwatch.store.keeping import MIB, Keeping
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter

DAY_S = 86_400.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def make_writer(path: Path, clock: ManualClock) -> Iterator[MakeWriter]:
    yield from started_writers(path, clock)


def days(count: int, every_s: float = 60.0) -> list[Reading]:
    """Return readings of so many days that end at T0, of a probe and a heater in the same packs."""
    times = [n * every_s - count * DAY_S for n in range(int(count * DAY_S / every_s))]
    return [
        reading
        for n, second in enumerate(times)
        for reading in (temperature(second, 25.0 + n % 40 / 100), heater(second, float(n % 7 < 3)))
    ]


def clock_at(days_later: float) -> ManualClock:
    return ManualClock(wall=T0 + days_later * DAY_S)


class House:
    """A store and its housekeeper, without a thread."""

    def __init__(self, path: Path, clock: ManualClock, keeping: Keeping, free_mib: float = 10_000.0) -> None:
        self.free_mib = free_mib
        self.keeper = Housekeeper(
            path, clock, keeping, free_bytes=lambda _: int(self.free_mib * MIB), steady_s=0.0
        )
        self.connection = sqlite3.connect(path, isolation_level=None)
        weakref.finalize(self, self.connection.close)

    def clean(self) -> None:
        self.keeper.hurry()
        self.keeper.look_at_disk(self.connection)
        self.keeper.finish(self.connection, self._in_transaction, {})

    def _in_transaction(self, work: "object") -> None:
        self.connection.execute("BEGIN IMMEDIATE")
        work(self.connection)  # type: ignore[operator]
        self.connection.execute("COMMIT")


def test_the_running_writer_seals_and_every_answer_stays(
    make_writer: MakeWriter, path: Path, clock: ManualClock
) -> None:
    readings = days(8)
    write_history(path, readings)
    reader = StoreReader(path)
    before = reader.series("t01", Channel.TEMPERATURE, T0 - 9 * DAY_S, T0)
    on_before_s = reader.on_time_s("t01", Channel.HEATER, T0 - 7.7 * DAY_S, T0 - 0.3 * DAY_S)
    clock.wall = T0
    writer = make_writer()
    writer.housekeeper.hurry()
    writer.put_steps([step()])  # wakes the thread
    wait_until(lambda: ask(path, "SELECT count(*) FROM reading")[0][0] <= 2 * 120, 20.0)
    assert ask(path, "SELECT sum(count) FROM block")[0][0] > len(readings) / 2
    after = reader.series("t01", Channel.TEMPERATURE, T0 - 9 * DAY_S, T0)
    assert after.time_s.tolist() == before.time_s.tolist()
    assert after.mean.tolist() == before.mean.tolist()
    assert reader.on_time_s("t01", Channel.HEATER, T0 - 7.7 * DAY_S, T0 - 0.3 * DAY_S) == on_before_s
    # Probe and heater spoke in the same packs: their times are kept once.
    assert ask(path, "SELECT count(DISTINCT stamps_id) * 2 - count(*) FROM block") == [(0,)]
    late, twin = temperature(-5.25 * DAY_S + 0.5, 26.0), temperature(-5.25 * DAY_S, 19.0)
    writer.put_readings([late, twin])
    assert writer.flush(5.0)
    assert writer.health().written == 1  # the twin's stamp is in a block
    assert reader.series("t01", Channel.TEMPERATURE, twin.time_s, late.time_s).mean.tolist() == [25.0, 26.0]
    assert writer.health().state == "fine"


WRITE_AND_SEAL_UNTIL_KILLED = """
import os, sqlite3, sys
from pathlib import Path
from tankwatch.clock import ManualClock
from tankwatch.store import bulk
from tankwatch.store.schema import migrate
path, moment, wall_s = Path(sys.argv[1]), sys.argv[2], float(sys.argv[3])
connection = sqlite3.connect(path, isolation_level=None)
connection.execute("PRAGMA journal_mode = WAL")
count = 0
def kill(statement):
    global count
    count += statement.startswith(moment)
    if count == 2:
        os.kill(os.getpid(), 9)
connection.set_trace_callback(kill)
migrate(connection)
bulk._seal_all(path, connection, ManualClock(wall=wall_s))
"""


def write_schema_2(path: Path, readings: list[Reading]) -> None:
    """Write a store as the second schema had it."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        known = schema.migrations()
        from sqlite_utils import Database

        known.apply(Database(connection, execute_plugins=False), stop_before="0003_blocks_and_rollups")
        assert connection.execute("PRAGMA user_version").fetchone() == (2,)
        for number, channel in ((1, Channel.TEMPERATURE), (2, Channel.HEATER)):
            connection.execute("INSERT INTO series VALUES (?, 't01', ?)", (number, str(channel)))
            rows = [(number, round(r.time_s * 1000), r.value) for r in readings if r.channel is channel]
            connection.execute("BEGIN")
            connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
            connection.execute("COMMIT")


@pytest.mark.parametrize(
    "moment",
    [
        "ALTER TABLE series ADD COLUMN hours",
        "CREATE TABLE",
        "INSERT INTO block_values",
        "INSERT INTO block (",
        "DELETE FROM reading",
        "INSERT OR REPLACE INTO rollup",
        "COMMIT",
    ],
)
def test_an_earlier_store_is_brought_up_to_date_and_sealed_through_a_kill_at_any_point(
    moment: str, path: Path
) -> None:
    readings = days(6)
    write_schema_2(path, readings)
    with pytest.raises(StoreError, match="older tankwatch"):
        StoreReader(path).span()
    killed = subprocess.run(
        [sys.executable, "-c", WRITE_AND_SEAL_UNTIL_KILLED, str(path), moment, str(T0 + DAY_S)],
        check=False,
        env=os.environ,
    )
    if moment != "ALTER TABLE series ADD COLUMN hours":  # it comes once: nothing is cut short
        assert killed.returncode == -9
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        schema.migrate(connection)
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        sealed, rows = connection.execute(
            "SELECT (SELECT coalesce(sum(count), 0) FROM block), count(*) FROM reading"
        ).fetchone()
        assert sealed + rows == len(readings)
        hours = connection.execute("SELECT coalesce(sum(count), 0) FROM rollup WHERE step = 1").fetchone()
        assert hours == (sealed,)
    series = StoreReader(path).series("t01", Channel.TEMPERATURE, T0 - 9 * DAY_S, T0)
    water = [r for r in readings if r.channel is Channel.TEMPERATURE]
    assert series.time_s.tolist() == [r.time_s for r in water]
    assert series.mean.tolist() == [r.value for r in water]


def test_readings_are_dropped_by_age_and_their_figures_stay(path: Path) -> None:
    write_history(path, days(20), clock=clock_at(0.2), sealed=True)
    reader = StoreReader(path)
    whole = reader.series("t01", Channel.TEMPERATURE, T0 - 20 * DAY_S, T0, 20)
    on_s = reader.on_time_s("t01", Channel.HEATER, T0 - 16 * DAY_S, T0 - 10 * DAY_S)
    house = House(path, clock_at(1.0), Keeping(readings_days=8.0))
    house.clean()
    first_s, _ = reader.span() or (0.0, 0.0)
    assert T0 - 10 * DAY_S <= first_s <= T0 - 7 * DAY_S + 60.0  # only whole blocks, of three days each, go
    (note,) = reader.dropped()
    assert (note.what, note.why, note.from_s) == ("readings", "older than readings_days = 8", T0 - 20 * DAY_S)
    kept = len(reader.series("t01", Channel.TEMPERATURE, T0 - 20 * DAY_S, T0))
    assert note.count == 2 * (20 * 1440 - kept)
    assert len(reader.series("t01", Channel.TEMPERATURE, T0 - 20 * DAY_S, first_s - 1.0)) == 0
    chart = reader.series("t01", Channel.TEMPERATURE, T0 - 20 * DAY_S, T0, 20)
    assert (chart.low.min(), chart.high.max()) == (whole.low.min(), whole.high.max())
    assert abs(int(chart.count.sum()) - int(whole.count.sum())) <= 120  # an hour at each end lies across
    assert chart.mean == pytest.approx(whole.mean, abs=0.01)
    assert reader.on_time_s("t01", Channel.HEATER, T0 - 16 * DAY_S, T0 - 10 * DAY_S) == pytest.approx(
        on_s, abs=2 * 3600.0
    )
    house.clean()
    assert len(reader.dropped()) == 1
    # Then the hours go as well, and the figures of days answer.
    House(path, clock_at(2.0), Keeping(readings_days=8.0, hours_days=9.0)).clean()
    assert {note.what for note in reader.dropped()} == {"readings", "hours"}
    (first_h,) = ask(path, "SELECT min(cell) FROM rollup WHERE step = 1")[0]
    assert first_h * 3600.0 >= T0 - 8 * DAY_S  # nine days before two days after T0, from a day's start
    chart = reader.series("t01", Channel.TEMPERATURE, T0 - 25 * DAY_S, T0, 5)
    assert (chart.low.min(), chart.high.max()) == (whole.low.min(), whole.high.max())


def test_readings_are_dropped_by_size_oldest_first(path: Path) -> None:
    write_history(path, days(30), clock=clock_at(0.2), sealed=True)
    (size,) = ask(path, "SELECT sum(bytes) FROM block")[0]
    limit_mb = size / MIB / 2
    House(path, clock_at(0.5), Keeping(readings_mb=limit_mb)).clean()
    (after,) = ask(path, "SELECT sum(bytes) FROM block")[0]
    assert size / 3 < after <= size / 2
    (note,) = StoreReader(path).dropped()
    assert note.why.startswith("more than readings_mb = ")
    assert note.from_s == T0 - 30 * DAY_S
    first_s, last_s = StoreReader(path).span() or (0.0, 0.0)
    assert first_s > note.to_s
    assert last_s == T0 - 60.0


def test_a_disk_nearly_full_is_told_first_and_then_eased_in_the_order_told(path: Path) -> None:
    write_history(path, days(40), [step()], clock=clock_at(0.2), sealed=True)
    house = House(path, clock_at(0.5), Keeping(min_free_mb=100.0), free_mib=150.0)
    house.clean()
    assert house.keeper.note is not None
    assert "150 MiB are free" in house.keeper.note
    assert StoreReader(path).dropped() == []
    house.free_mib = 0.5
    house.clean()
    dropped = StoreReader(path).dropped()
    assert {(note.what, note.why) for note in dropped} == {
        ("readings", "the disk is nearly full"),
        ("hours", "the disk is nearly full"),
    }
    first_s, _ = StoreReader(path).span() or (0.0, 0.0)
    assert first_s <= T0 - 6 * DAY_S  # the newest week stays, whatever happens
    (first_h,) = ask(path, "SELECT min(cell) FROM rollup WHERE step = 1")[0]
    assert first_h * 3600.0 <= T0 - 30 * DAY_S
    assert ask(path, "SELECT count(*) FROM step") == [(1,)]
    assert ask(path, "SELECT sum(count) FROM rollup WHERE step = 24") == [
        (80 * 1440 - ask(path, "SELECT count(*) FROM reading")[0][0],)
    ]
    house.free_mib = 10_000.0
    house.clean()
    assert house.keeper.note is None


def test_the_health_of_the_store_tells_of_a_disk_nearly_full(
    path: Path, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(housekeeping, "DISK_EVERY_S", 0.0)
    free = [300 * MIB]
    writer = StoreWriter(path, clock, batch_s=0.02, keeping=Keeping(min_free_mb=200.0))
    monkeypatch.setattr(writer.housekeeper, "_free_bytes", lambda _: free[0])
    writer.start()
    writer.put_steps([step()])
    wait_until(lambda: writer.health().state == "behind")
    assert "the disk is nearly full: 300 MiB are free; below 200 MiB" in writer.health().detail
    free[0] = 900 * MIB
    writer.put_steps([step(2)])
    wait_until(lambda: writer.health().state == "fine")
    writer.stop(5.0)


def test_a_wrong_clock_drops_nothing_by_age(path: Path) -> None:
    write_history(path, days(10), clock=clock_at(0.2), sealed=True)
    clock = ManualClock(wall=T0 + 9999 * DAY_S)
    keeper = Housekeeper(path, clock, Keeping(), free_bytes=lambda _: 10**12)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:

        def in_transaction(work: "object") -> None:
            connection.execute("BEGIN")
            work(connection)  # type: ignore[operator]
            connection.execute("COMMIT")

        keeper.finish(connection, in_transaction, {})
        assert StoreReader(path).dropped() == []
        clock.advance(housekeeping.STEADY_S)
        clock.step_wall(T0)
        keeper.finish(connection, in_transaction, {})
    assert StoreReader(path).dropped() == []


def test_a_damaged_block_is_told_and_hides_nothing_else(path: Path) -> None:
    write_history(path, days(10), clock=clock_at(0.2), sealed=True)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "UPDATE block_values SET data = cast(substr(data, 1, 20) || x'00ff' || substr(data, 23) AS BLOB) "
            "WHERE values_id = (SELECT min(values_id) FROM block_values)"
        )
    reader = StoreReader(path)
    block_s, whole = 3 * DAY_S, 10 * 1440
    series = reader.series("t01", Channel.TEMPERATURE, T0 - 20 * DAY_S, T0)
    ((first_s, last_s),) = series.damaged
    assert first_s == T0 - 10 * DAY_S
    assert block_s - 5 * 3600 < last_s - first_s < block_s
    assert len(series) == whole - round((last_s - first_s) / 60 + 1)
    assert series.time_s[0] == last_s + 60.0
    # A chart shows the figures of hours instead, and says so.
    chart = reader.series("t01", Channel.TEMPERATURE, T0 - 20 * DAY_S, T0, 480)
    assert chart.damaged == ((first_s, last_s),)
    assert int(chart.count.sum()) == whole
    assert reader.series("t01", Channel.TEMPERATURE, T0 - 2 * DAY_S, T0).damaged == ()
    assert len(reader.series("t01", Channel.TEMPERATURE, T0 - 2 * DAY_S, T0)) == 2 * 1440
    assert len(reader.series("t01", Channel.HEATER, T0 - 20 * DAY_S, T0)) == 10 * 1440
    # A late reading beside it is kept as it is, and the rest goes on being sealed.
    write_history(path, [temperature(-9.9 * DAY_S + 0.25, 26.0)], clock=clock_at(2.0), sealed=True)
    assert ask(path, "SELECT count(*) FROM reading WHERE value = 26.0") == [(1,)]


def test_the_running_writer_finds_damage_and_tells_which_readings(
    path: Path, make_writer: MakeWriter, clock: ManualClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(housekeeping, "BLOCKS_CHECKED_AT_ONCE", 3)
    write_history(path, days(10), clock=clock_at(0.2), sealed=True)
    with closing(sqlite3.connect(path)) as connection, connection:
        (last,) = connection.execute("SELECT max(values_id) FROM block_values").fetchone()
        spoil = "SET data = cast(substr(data, 1, 20) || x'00ff' || substr(data, 23) AS BLOB)"
        connection.execute(f"UPDATE block_values {spoil} WHERE values_id = {last}")
    clock.wall = T0
    writer = make_writer()

    def looked() -> bool:
        writer.housekeeper.hurry()
        writer.put_memory("wake", {})
        return "damage" in writer.health().detail or "cannot be read" in writer.health().detail

    wait_until(looked, 10.0)
    assert writer.health().state == "fine"  # the watch goes on as it did
    assert "reading(s) of t01 heater from 2026-09-" in writer.health().detail


def test_without_pcodec_packed_readings_name_what_is_missing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_history(path, days(6), clock=clock_at(0.2), sealed=True)
    monkeypatch.setattr(codec, "standalone", None)
    with pytest.raises(StoreError, match=r"pip install 'tankwatch\[compact\]'"):
        StoreReader(path).series("t01", Channel.TEMPERATURE, T0 - 20 * DAY_S, T0)
    other = path.with_name("other.db")
    write_history(other, days(6), clock=clock_at(0.2), sealed=True)
    assert ask(other, "SELECT count(*) FROM block")[0][0] > 2
    assert len(StoreReader(other).series("t01", Channel.TEMPERATURE, T0 - 20 * DAY_S, T0)) == 6 * 1440


def _count(count: list[int]) -> None:
    count[0] += 1


def test_a_chart_of_any_length_reads_a_bounded_number_of_rows(path: Path) -> None:
    write_history(path, days(120, every_s=120.0), clock=clock_at(0.2), sealed=True)
    with closing(sqlite3.connect(path)) as connection:
        steps: dict[int, int] = {}
        for length in (30, 120):
            count = [0]
            connection.set_progress_handler(partial(_count, count), 100)
            begin_ms = round((T0 - length * DAY_S) * 1000)
            assert len(chart(connection, 1, Parts(begin_ms, round(T0 * 1000), 7))) == 7
            steps[length] = count[0]
        connection.set_progress_handler(None, 0)
    # Four times the readings, but hardly more work: the middle is answered by figures of days.
    assert steps[120] < 2 * steps[30] + 20


def test_rows_at_the_edge_of_an_hour_belong_to_the_next(path: Path) -> None:
    edge_ms = round(T0 * 1000) // HOUR_MS * HOUR_MS
    readings = [Reading("t01", Channel.HEATER, (edge_ms + ms) / 1000.0, 1.0) for ms in (-1, 0, 1)]
    write_history(path, readings, clock=clock_at(3.0), sealed=True)
    assert ask(path, "SELECT cell, count FROM rollup WHERE step = 1 ORDER BY cell") == [
        (edge_ms // HOUR_MS - 1, 1),
        (edge_ms // HOUR_MS, 2),
    ]
    assert retention.READINGS_KEPT_DAYS == 7
