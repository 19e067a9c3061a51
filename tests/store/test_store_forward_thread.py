"""Forwarding beside a writer that goes on while the server is killed and started again."""

from pathlib import Path

import pytest
from conftest import PostgresServer, wait_until
from store_data import T0, temperature

from tankwatch.clock import SystemClock
from tankwatch.config import load
from tankwatch.errors import ConfigError
from tankwatch.reading import Channel
from tankwatch.store.postgres import forward_thread
from tankwatch.store.postgres.forward_thread import ForwardThread
from tankwatch.store.postgres.reader import PostgresReader
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter


@pytest.mark.parametrize("kills", [2, pytest.param(15, marks=pytest.mark.slow)])
def test_a_server_killed_again_and_again_ends_with_every_row(
    postgres_server: PostgresServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kills: int
) -> None:
    monkeypatch.setattr(forward_thread, "RETRY_S", 0.05)
    path, clock, url = tmp_path / "room.db", SystemClock(), postgres_server.new_database()
    writer = StoreWriter(path, clock, batch_s=0.02)
    writer.start()
    thread = ForwardThread(path, url, "edge", clock, rows_per_s=50_000, every_s=0.02)
    thread.start()
    try:
        for kill in range(kills):
            writer.put_readings([temperature(kill * 2000 + t, 25.0) for t in range(2000)])
            assert writer.flush(10)
            postgres_server.stop("immediate")
            wait_until(lambda: thread.health().error, "the loss is noticed")
            writer.put_readings([temperature(100_000 + kill, 26.0)])
            assert writer.flush(10)
            postgres_server.start()
            wait_until(lambda: not thread.health().error, "it works again", 30)
        wait_until(
            lambda: (
                PostgresReader(url, "edge").series("t01", Channel.TEMPERATURE, T0, T0 + 1e6, 1).count.tolist()
                == [2001 * kills]
            ),
            "all rows arrive",
            30,
        )
    finally:
        thread.stop(10)
        writer.stop()
    ours, theirs = (
        store.series("t01", Channel.TEMPERATURE, T0, T0 + 1e6)
        for store in (PostgresReader(url, "edge"), StoreReader(path))
    )
    assert ours.time_s.tolist() == theirs.time_s.tolist()
    assert ours.mean.tolist() == theirs.mean.tolist()


@pytest.mark.parametrize(
    "url", ["postgresql://a:b@host/c", "mysql://host/c", "postgresql://host/c?password=d"]
)
def test_an_address_with_a_password_or_of_another_kind_is_refused(tmp_path: Path, url: str) -> None:
    file = tmp_path / "room.toml"
    file.write_text(f'[room]\nname = "Back room"\n[forward]\nurl = "{url}"\n')
    with pytest.raises(ConfigError, match=r"forward.*expected"):
        load(file)


def test_files_of_the_forwarding_lie_beside_the_configuration(tmp_path: Path) -> None:
    file = tmp_path / "room.toml"
    file.write_text(
        '[room]\nname = "Back room"\n[forward]\nurl = "postgresql://a@host/c"\npassword_file = "pass"\n'
    )
    forward = load(file).forward
    assert forward is not None
    assert forward.password_file == tmp_path / "pass"
