"""An edge store and the central one compared row by row: cut links, late readings, a killed server."""

import random
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import pytest
from psycopg import Connection
from store_data import T0, heater, step, temperature

from tankwatch.clock import ManualClock
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.store.bulk import write_history
from tankwatch.store.entry import LogEntry, OutboxEntry
from tankwatch.store.postgres.connection import connect
from tankwatch.store.postgres.forward import COMPARE_ALL_S, Forwarder
from tankwatch.store.postgres.reader import PostgresReader
from tankwatch.store.postgres.schema import migrate
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter

Link = Connection[tuple[Any, ...]]
DAY_S = 86_400.0
FOREVER = (-1e10, 1e11)


def drain(forwarder: Forwarder, url: str) -> int:
    total = 0
    with connect(url) as connection:
        migrate(connection)
        while rows := forwarder.forward_once(connection):
            total += rows
    return total


def assert_alike(path: Path, url: str) -> None:
    edge, central = StoreReader(path), PostgresReader(url, "edge")
    assert central.last_values() == edge.last_values()
    for tank, channel in edge.last_values():
        ours, theirs = (store.series(tank, channel, *FOREVER) for store in (central, edge))
        assert ours.time_s.tolist() == theirs.time_s.tolist()
        assert ours.mean.tolist() == theirs.mean.tolist()
    assert central.steps(*FOREVER) == edge.steps(*FOREVER)
    assert (central.log(), central.marks(), central.runs(), central.outbox()) == (
        edge.log(),
        edge.marks(),
        edge.runs(),
        edge.outbox(),
    )


def test_all_kinds_of_rows_arrive_once_and_changes_follow(postgres_url: str, tmp_path: Path) -> None:
    path, clock = tmp_path / "room.db", ManualClock(wall=T0 + DAY_S)
    writer = StoreWriter(path, clock, batch_s=0.02)
    writer.start()
    forwarder = Forwarder(path, "edge", clock)
    try:
        writer.put_readings([temperature(t, 25.0 + t % 7 / 8) for t in range(0, 9000, 10)])
        writer.put_steps([step(1), step(2, seconds=5, tank=None)])
        writer.put_mark("t01", ServiceMark.WORK, T0 + 3, "Ane")
        writer.put_log(LogEntry(T0 + 4, "t01", "note", "Ane", "a\x00b fed", {"food_g": 2.0}, ()))
        message = OutboxEntry("m1", "mail", "Ane", T0, "alarm", "high", {"text": "cold"})
        writer.put_outbox([message], "told", {"last": 1})
        assert writer.flush(10)
        assert drain(forwarder, postgres_url) > 900
        assert PostgresReader(postgres_url, "edge").log()[0].text == "a\ufffdb fed"
        assert PostgresReader(postgres_url, "edge").memory("told") == {"last": 1}
        assert drain(forwarder, postgres_url) == 0
        writer.settle_outbox("m1", "mail", "sent", 1)
        writer.put_readings([temperature(9010, 26.0), temperature(15, 21.0), heater(-40 * DAY_S, 1.0)])
        writer.put_steps([step(3, seconds=9)])
        assert writer.flush(10)
        clock.advance(COMPARE_ALL_S)
        drain(forwarder, postgres_url)
        drain(Forwarder(path, "edge", clock), postgres_url)  # one that remembers nothing doubles nothing
    finally:
        writer.stop()
    drain(forwarder, postgres_url)
    edge, central = StoreReader(path), PostgresReader(postgres_url, "edge")
    for channel in (Channel.TEMPERATURE, Channel.HEATER):
        ours, theirs = (s.series("t01", channel, *FOREVER) for s in (central, edge))
        assert ours.time_s.tolist() == theirs.time_s.tolist()
        assert ours.mean.tolist() == theirs.mean.tolist()
    assert central.steps(*FOREVER) == edge.steps(*FOREVER)
    assert (central.marks(), central.runs(), central.outbox()) == (edge.marks(), edge.runs(), edge.outbox())


@pytest.mark.parametrize("rounds", [3, pytest.param(40, marks=pytest.mark.slow)])
def test_a_link_that_breaks_at_any_moment_neither_loses_nor_doubles(
    postgres_url: str, tmp_path: Path, rounds: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, clock, rng = tmp_path / "room.db", ManualClock(wall=T0 + 3 * DAY_S), random.Random(rounds)
    monkeypatch.setattr("tankwatch.store.postgres.forward.ROWS_AT_ONCE", 800)

    def some(count: int) -> list[Reading]:
        times = [rng.randrange(0, 3 * 86_400_000) / 1000.0 for _ in range(count)]
        return [temperature(t, rng.uniform(20, 30), f"t{rng.randrange(3):02}") for t in times]

    with connect(postgres_url) as connection:
        migrate(connection)
    for number in range(rounds):
        write_history(
            path, some(1500), [step(number + 1, seconds=number)], sealed=number % 2 == 0, clock=clock
        )
        forwarder = Forwarder(path, "edge", clock)  # as after kill -9: nothing is remembered
        with connect(postgres_url) as connection, connect(postgres_url) as other:
            cut_after = rng.randrange(1, 12)
            calls = counted(connection, cut_after, other)
            monkeypatch.setattr(connection, "transaction", calls)
            with pytest.raises(StoreError):
                forward_for_ever(forwarder, connection)
    drain(Forwarder(path, "edge", clock), postgres_url)
    assert_alike(path, postgres_url)


def forward_for_ever(forwarder: Forwarder, connection: Link) -> None:
    while True:
        forwarder.forward_once(connection)


def counted(connection: Link, cut_after: int, other: Link) -> Callable[[], AbstractContextManager[None]]:
    """Return what opens transactions until the server ends the connection, before one or at its end."""
    begin, left = connection.transaction, [cut_after]

    def cut() -> None:
        other.execute("SELECT pg_terminate_backend(%s, 5000)", (connection.info.backend_pid,))

    @contextmanager
    def transaction() -> Iterator[None]:
        left[0] -= 1
        if left[0] < 0 and cut_after % 2:
            cut()
        with begin():
            yield
            if left[0] < 0 and not cut_after % 2:
                cut()  # the rows are there, their commit never comes

    return transaction
