"""Damaged files, full disks, locks, pinned readers and power cuts: the watch goes on, and says so."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from store_data import (
    T0,
    MakeWriter,
    ask,
    started_writers,
    step,
    stored_readings,
    temperature,
    wait_until,
)

from tankwatch.alarms.model import AlarmState
from tankwatch.clock import ManualClock
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, ServiceMark
from tankwatch.store.bulk import write_history
from tankwatch.store.connection import wal_reset_bug
from tankwatch.store.entry import LogEntry
from tankwatch.store.reader import StoreReader
from tankwatch.store.schema import SCHEMA_VERSION


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "room.db"


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def make_writer(path: Path, clock: ManualClock) -> Iterator[MakeWriter]:
    yield from started_writers(path, clock)


def damage(path: Path) -> None:
    """Overwrite the middle of the file, as a dying card does."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        for offset in range(4096, size, 4096):
            file.seek(offset)
            file.write(b"\xa5" * 512)


# -- damaged and foreign files -------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["scribbled", "no database at all"])
def test_a_bad_file_is_set_aside_and_named_and_a_new_one_begun(
    how: str, make_writer: MakeWriter, path: Path
) -> None:
    if how == "scribbled":
        write_history(path, [temperature(second) for second in range(5000)])
        damage(path)
    else:
        path.write_bytes(b"no database at all" * 1000)
    bad_bytes = path.read_bytes()
    path.with_name("room.db-wal").write_bytes(b"left by a crash")
    writer = make_writer()
    # T0 is 2026-09-21T14:13:20Z, as `date -u -d @1790000000` says.
    aside = path.with_name("room.db.damaged-20260921T141320Z")
    assert writer.opening_note is not None
    assert str(path) in writer.opening_note
    assert str(aside) in writer.opening_note
    assert aside.read_bytes()[:100] == bad_bytes[:100]
    assert aside.with_name(aside.name + "-wal").exists()
    writer.put_readings([temperature(0)])
    assert writer.flush(5.0)
    assert stored_readings(path) == 1
    assert writer.health().state == "fine"


def test_two_bad_files_in_one_second_get_names_of_their_own(make_writer: MakeWriter, path: Path) -> None:
    for _ in range(2):
        path.write_bytes(b"no database at all" * 1000)
        make_writer().stop(5.0)
    assert len(list(path.parent.glob("room.db.damaged-*[0-9Z]"))) == 2


def test_a_file_damaged_while_the_watch_runs_is_set_aside(make_writer: MakeWriter, path: Path) -> None:
    write_history(path, [temperature(second, tank=f"t{second % 50:02}") for second in range(20_000)])
    writer = make_writer()
    assert writer.opening_note is None
    begun: list[str] = []
    writer.when_begun_anew(lambda: begun.append("anew"))
    damage(path)
    writer.put_readings([temperature(1e5 + second, tank=f"t{second % 50:02}") for second in range(500)])
    writer.put_steps([step()])
    assert writer.flush(15.0)
    assert writer.opening_note is not None
    assert stored_readings(path) == 500
    assert ask(path, "SELECT count(*) FROM step") == [(1,)]
    assert begun == ["anew"]


def test_a_file_taken_away_while_the_watch_runs_is_begun_anew(make_writer: MakeWriter, path: Path) -> None:
    writer = make_writer()
    begun: list[str] = []
    writer.when_begun_anew(lambda: begun.append("anew"))
    path.rename(path.with_name("taken.db"))
    writer.put_steps([step()])
    assert writer.flush(5.0)
    assert begun == ["anew"]
    assert ask(path, "SELECT count(*) FROM step") == [(1,)]
    assert len(StoreReader(path).runs()) == 1


def test_a_newer_file_is_refused_and_left_alone(make_writer: MakeWriter, path: Path) -> None:
    make_writer().stop(5.0)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    before = path.read_bytes()
    with pytest.raises(StoreError, match=r"written by a newer tankwatch \(schema 5, this one knows 4\)"):
        make_writer()
    with pytest.raises(StoreError, match="newer tankwatch"):
        StoreReader(path).span()
    assert path.read_bytes() == before


def test_a_file_of_another_program_is_refused_and_left_alone(make_writer: MakeWriter, path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE recipes (name)")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="SQLite file of another program"):
        make_writer()
    with pytest.raises(StoreError, match="holds no tankwatch store"):
        StoreReader(path).last_values()
    assert path.read_bytes() == before


def test_a_place_where_no_file_can_be_is_told(make_writer: MakeWriter, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="No store can be written at"):
        make_writer(tmp_path / "file" / "room.db")
    (tmp_path / "folder.db").mkdir()
    with pytest.raises(StoreError, match="is a folder"):
        make_writer(tmp_path / "folder.db")


# -- a disk that refuses -------------------------------------------------------------------------------


def run_as_nobody(body: str, *args: object, limit: str = "") -> subprocess.CompletedProcess[str]:
    """Run `body` in a process of its own, which root's powers do not follow."""
    head = """
        import os, sys
        from pathlib import Path
        from tankwatch.clock import ManualClock
        from tankwatch.errors import StoreError
        from tankwatch.store.reader import StoreReader
        from tankwatch.store.writer import StoreWriter
        from tankwatch.store import schema
        import numpy, sqlite_utils, store_data as data
        path = Path(sys.argv[1])
    """
    drop = "if os.geteuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)"
    code = "\n".join([textwrap.dedent(head), limit or drop, textwrap.dedent(body)])
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parent)}
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, args)],
        capture_output=True,
        text=True,
        timeout=60,
        env=environment,
        check=False,
    )


def open_to_all(folder: Path) -> None:
    """Let any user look into the test's folder."""
    for part in (folder, *folder.parents):
        if part.stat().st_uid != os.geteuid() or part == Path(tempfile.gettempdir()):
            break
        part.chmod(part.stat().st_mode | 0o055)


def test_a_read_only_folder_is_refused_for_writing_and_can_be_read(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    folder.mkdir()
    write_history(folder / "room.db", [temperature(0, 25.5)])
    (folder / "room.db.lock").unlink()
    (folder / "room.db").chmod(0o444)
    open_to_all(tmp_path)
    folder.chmod(0o555)
    result = run_as_nobody(
        """
        for name in ("room.db", "new.db"):
            try:
                StoreWriter(path / name, ManualClock()).start()
            except StoreError as error:
                print(error)
        print(StoreReader(path / "room.db").last_values())
        """,
        folder,
    )
    folder.chmod(0o755)
    assert result.stderr == ""
    refused = [line for line in result.stdout.splitlines() if line.startswith("No store can be written at")]
    assert len(refused) == 2
    assert "25.5" in result.stdout


def test_a_read_only_file_is_tried_until_it_may_be_written(tmp_path: Path) -> None:
    folder = tmp_path / "home"
    folder.mkdir()
    write_history(folder / "room.db", [temperature(0)])
    (folder / "room.db.lock").unlink()
    open_to_all(tmp_path)
    for part in (folder, folder / "room.db"):
        os.chown(part, 65534, 65534) if os.geteuid() == 0 else None
    (folder / "room.db").chmod(0o444)
    result = run_as_nobody(
        """
        writer = StoreWriter(path, ManualClock(), batch_s=0.02)
        writer.start()
        print(writer.opening_note)
        writer.put_readings([data.temperature(1)])
        writer.put_steps([data.step()])
        print(writer.health().state, writer.health().waiting, writer.flush(0.2))
        path.chmod(0o644)
        print(writer.flush(10.0))
        data.wait_until(lambda: writer.health().state == "fine")
        writer.stop(5.0)
        print(len(StoreReader(path).series("t01", "temperature", 0, 1e10)), StoreReader(path).next_alarm_id())
        """,
        folder / "room.db",
    )
    note, *rest = result.stdout.splitlines()
    assert "cannot be written" in note
    assert rest == ["failed 1 False", "True", "2 2"], result.stderr


def test_a_full_disk_keeps_the_steps_drops_the_oldest_readings_and_recovers(tmp_path: Path) -> None:
    # The limit on the size of a file stands in for a full disk: SQLite meets it in the same place.
    limit = """
import random, resource, signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
"""
    result = run_as_nobody(
        """
        chance = random.Random(1)  # values that no codec makes smaller
        writer = StoreWriter(path, ManualClock(), batch_s=0.02, queue_limit=30_000)
        writer.start()
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        sizes = [file.stat().st_size for file in path.parent.glob("room.db*")]
        resource.setrlimit(resource.RLIMIT_FSIZE, (max(sizes), hard))
        for block in range(10):
            values = [chance.random() for _ in range(10_000)]
            writer.put_readings([data.temperature(block * 10_000 + n, v) for n, v in enumerate(values)])
            writer.put_steps([data.step(block + 1, block)])
            data.wait_until(lambda: writer.health().waiting <= 30_000)
        data.wait_until(lambda: writer.health().state == "failed")
        full = writer.health()
        print(full.state, full.waiting <= 30_000, full.dropped > 0, "wait, none is dropped" in full.detail)
        resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
        print(writer.flush(20.0))
        writer.stop(5.0)
        last = writer.health()
        reader = StoreReader(path)
        series = reader.series("t01", "temperature", 0, 1e11)
        print(len(series) == last.written, last.written + last.dropped, series.time_s[-1] == data.T0 + 99_999)
        print([step.alarm.alarm_id for step in reader.steps(0, 1e11)] == list(range(1, 11)))
        """,
        tmp_path / "room.db",
        limit=limit,
    )
    assert result.stdout.splitlines() == [
        "failed True True True",
        "True",
        "True 100000 True",
        "True",
    ], result.stderr


@pytest.mark.skipif(os.geteuid() != 0 or sys.platform != "linux", reason="mounting a tiny disk takes root")
def test_a_tiny_disk_that_fills_and_is_cleared(tmp_path: Path, make_writer: MakeWriter) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "none", disk], check=False)
    if mounted.returncode != 0:
        pytest.skip("this system lets nobody mount")
    try:
        (disk / "ballast").write_bytes(bytes(2_500_000))
        writer = make_writer(disk / "room.db")
        chance = random.Random(1)  # values that no codec makes smaller
        writer.put_readings([temperature(second, 25.0 + chance.random()) for second in range(100_000)])
        writer.put_steps([step()])
        wait_until(lambda: writer.health().state == "failed")
        assert "full" in writer.health().detail
        (disk / "ballast").unlink()
        writer.stop(10.0)
        sound = ask(disk / "room.db", "PRAGMA quick_check")
        stored = (ask(disk / "room.db", "SELECT count(*) FROM step"), stored_readings(disk / "room.db"))
    finally:
        subprocess.run(["umount", disk], check=True)
    assert sound == [("ok",)]
    assert stored == ([(1,)], 100_000)


def test_another_programs_lock_is_waited_for(make_writer: MakeWriter, path: Path) -> None:
    writer = make_writer()
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        writer.put_steps([step()])
        writer.put_log(LogEntry(T0, "t01", "seen", "Ane"))
        writer.put_mark("t01", ServiceMark.WORK, T0, "Ane")
        writer.put_readings([temperature(0)])
        wait_until(lambda: writer.health().state == "behind")
        assert "locked" in writer.health().detail
        assert not writer.flush(0.05)
        other.execute("ROLLBACK")
    assert writer.flush(10.0)
    counts = "SELECT (SELECT count(*) FROM step), (SELECT count(*) FROM log), (SELECT count(*) FROM mark)"
    assert ask(path, counts) == [(1, 1, 1)]


def test_a_file_locked_at_the_start_does_not_stop_the_watch(
    make_writer: MakeWriter, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tankwatch.store.writer_thread.OPEN_BUSY_S", 0.05)
    make_writer().stop(5.0)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        writer = make_writer()
        assert writer.opening_note is not None
        writer.put_steps([step()])
        assert writer.health().state == "behind"
    assert writer.flush(15.0)
    assert ask(path, "SELECT count(*) FROM step") == [(1,)]


def test_slow_writing_shows_as_behind(path: Path, clock: ManualClock, make_writer: MakeWriter) -> None:
    writer = make_writer(batch_s=3600.0)
    writer.put_readings([temperature(0)])
    assert writer.flush(5.0)
    writer.put_readings([temperature(1)])
    assert writer.health().state == "fine"
    clock.advance(36_001.0)
    health = writer.health()
    assert (health.state, health.waiting, health.behind_s) == ("behind", 1, 36_001.0)
    assert writer.flush(5.0)
    assert writer.health().behind_s == 0.0


# -- the write-ahead log -------------------------------------------------------------------------------


def test_the_log_stays_small_beside_short_readers(make_writer: MakeWriter, path: Path) -> None:
    writer = make_writer()
    writer.checkpointer.fold_bytes = 256 * 1024
    reader = StoreReader(path)
    largest = 0
    for block in range(60):
        writer.put_readings([temperature(block * 1000 + second) for second in range(1000)])
        assert writer.flush(5.0)
        reader.series("t01", Channel.TEMPERATURE, T0, T0 + 1e6, 100)
        largest = max(largest, writer.health().wal_bytes)
    assert largest < 512 * 1024
    assert len(reader.series("t01", Channel.TEMPERATURE, T0, T0 + 1e6)) == 60_000


def test_the_log_is_bounded_while_a_reader_is_pinned(make_writer: MakeWriter, path: Path) -> None:
    write_history(path, [temperature(-1.0, tank=f"t{tank:03}") for tank in range(200)])
    writer = make_writer(batch_s=0.005)
    writer.checkpointer.fold_bytes = 128 * 1024
    writer.checkpointer.hold_bytes = 512 * 1024
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)) as pinned:
        pinned.execute("BEGIN")
        pinned.execute("SELECT * FROM reading LIMIT 1").fetchone()
        for second in range(400):
            writer.put_readings([temperature(second, tank=f"t{tank:03}") for tank in range(200)])
            if second % 40 == 0:
                writer.put_steps([step(second + 1, second)])
            if writer.health().state == "behind":
                break
            assert writer.flush(5.0)
        assert second < 399
        for later in range(second + 1, 400):
            writer.put_readings([temperature(later, tank=f"t{tank:03}") for tank in range(200)])
        writer.put_steps([step(1000, 1000)])
        wait_until(lambda: StoreReader(path).next_alarm_id() == 1001)
        health = writer.health()
        assert "keeps the file open for reading" in health.detail
        assert health.waiting > 0
        assert health.wal_bytes < 1024 * 1024
        pinned.execute("ROLLBACK")
    wait_until(lambda: writer.health().waiting == 0 and writer.health().state == "fine", 10.0)
    wait_until(lambda: writer.health().wal_bytes < 256 * 1024)
    assert stored_readings(path) == 200 * 401


# -- a power cut ---------------------------------------------------------------------------------------

WRITE_UNTIL_KILLED = """
import sys
from pathlib import Path
import store_data as data
from tankwatch.clock import SystemClock
from tankwatch.store.writer import StoreWriter
writer = StoreWriter(Path(sys.argv[1]), SystemClock(), batch_s=0.01)
writer.start()
for number in range(1, 100_000):
    writer.put_readings([data.temperature(number, tank=f"t{tank}") for tank in range(20)])
    writer.put_steps([data.step(number, number)])
    if number % 10 == 0:
        assert writer.flush(20.0)
        print(number, flush=True)
"""


@pytest.mark.parametrize("attempt", range(3))
def test_a_killed_watch_leaves_a_sound_file_with_all_it_had_written_once(
    attempt: int, path: Path, make_writer: MakeWriter
) -> None:
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parent)}
    with subprocess.Popen(
        [sys.executable, "-c", WRITE_UNTIL_KILLED, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    ) as process:
        assert process.stdout is not None
        told = 0
        for line in process.stdout:
            told = int(line)
            if told >= 50 + 30 * attempt:
                break
        process.send_signal(signal.SIGKILL)
        rest = process.stdout.read().split()
        told = int(rest[-1]) if rest else told
        process.wait(timeout=10)
    writer = make_writer()
    assert writer.opening_note is None
    assert ask(path, "PRAGMA integrity_check") == [("ok",)]
    series = StoreReader(path).series("t7", Channel.TEMPERATURE, T0, T0 + 1e6)
    assert len(series) >= told
    assert series.time_s.tolist() == [T0 + number for number in range(1, len(series) + 1)]
    numbers = [row[0] for row in ask(path, "SELECT alarm_id FROM step ORDER BY step_id")]
    assert len(numbers) >= told
    assert numbers == list(range(1, len(numbers) + 1))
    assert [run.clean for run in StoreReader(path).runs()] == [False, False]
    assert StoreReader(path).standing_alarms()[0].state is AlarmState.UNACKNOWLEDGED


@pytest.mark.parametrize(
    ("version", "affected"),
    [
        ((3, 40, 1), True),
        ((3, 44, 5), True),
        ((3, 44, 6), False),
        ((3, 50, 6), True),
        ((3, 50, 7), False),
        ((3, 51, 2), True),
        ((3, 51, 3), False),
        ((3, 52, 0), False),
    ],
)
def test_versions_of_sqlite_with_the_log_reset_fault_are_known(
    version: tuple[int, int, int], affected: bool
) -> None:
    # Fixed in 3.51.3, and in 3.44.6 and 3.50.7 of the older lines, as SQLite's release notes have it.
    assert wal_reset_bug(version) is affected
