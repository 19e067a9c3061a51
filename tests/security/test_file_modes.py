"""Who may read what is written: store and copies their owner alone, others what is handed on."""

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tankwatch.cli import run
from tankwatch.clock import SystemClock
from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history
from tankwatch.store.writer import StoreWriter
from tankwatch.transfer.backup import back_up

T0 = 1_790_000_000.0
CONFIG = """\
[room]
name = "Trial"
[store]
path = "room.db"
[[tank]]
id = "t01"
volume_l = 100.0
setpoint_c = 25.0
"""
READINGS = [Reading("t01", Channel.TEMPERATURE, T0 + 10.0 * n, 25.0) for n in range(20)]


@contextmanager
def _umask(mask: int) -> Iterator[None]:
    old = os.umask(mask)
    try:
        yield
    finally:
        os.umask(old)


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_store_log_and_backup_are_for_their_owner_alone_whatever_the_umask(tmp_path: Path) -> None:
    with _umask(0):
        writer = StoreWriter(tmp_path / "room.db", SystemClock())
        writer.start()
        writer.put_readings(READINGS)
        assert writer.flush(10.0)
        during = {path.name: _mode(path) for path in tmp_path.glob("room.db*") if path.suffix != ".lock"}
        writer.stop()
        back_up(tmp_path / "room.db", tmp_path / "copy.db")
        write_history(tmp_path / "taken-in.db", READINGS)
    assert during == {"room.db": 0o600, "room.db-wal": 0o600, "room.db-shm": 0o600}
    assert _mode(tmp_path / "copy.db") == 0o600
    assert _mode(tmp_path / "taken-in.db") == 0o600


def test_a_store_that_its_owner_opened_to_others_stays_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    write_history(path, READINGS[:10])
    path.chmod(0o640)
    write_history(path, READINGS[10:])
    assert _mode(path) == 0o640


@pytest.mark.parametrize(("mask", "mode"), [(0o022, 0o644), (0o027, 0o640), (0o077, 0o600)])
def test_what_is_asked_for_to_hand_on_follows_the_umask(tmp_path: Path, mask: int, mode: int) -> None:
    config = tmp_path / "room.toml"
    config.write_text(CONFIG)
    write_history(tmp_path / "room.db", READINGS)
    with _umask(mask):
        for name in ("out.csv", "out.jsonl"):
            assert run(["export", str(config), str(tmp_path / name)]) == 0
        page = tmp_path / "night.html"
        assert run(["review", str(config), "--from", "2026-09-21T12:00", "--html", str(page)]) in (0, 3)
    assert {name: _mode(tmp_path / name) for name in ("out.csv", "out.jsonl", "night.html")} == {
        "out.csv": mode, "out.jsonl": mode, "night.html": mode,
    }  # fmt: skip
