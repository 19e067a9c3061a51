"""The contract of leases, over every place that keeps them; time is moved by hand."""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tankwatch.clock import ManualClock
from tankwatch.split.leases import Hold, Lease, Leases, LeasesError, Request, Rows, Standing, decide
from tankwatch.split.postgres_leases import PostgresLeases
from tankwatch.split.shares import preferred
from tankwatch.split.sqlite_leases import SqliteLeases
from tankwatch.store.postgres.connection import connect

LEASE_S = 15.0
TANKS = tuple(f"t{number:03}" for number in range(12))
A = Request("a", "run-a", LEASE_S, TANKS)
B = Request("b", "run-b", LEASE_S, TANKS)
C = Request("c", "run-c", LEASE_S, TANKS)

Rig = tuple[Callable[[], Leases], ManualClock]


@pytest.fixture(params=["sqlite", "postgres"])
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    """A way to open the same table again and again, and its clock."""
    if request.param == "sqlite":
        clock = ManualClock(monotonic=1000.0)
        yield lambda: SqliteLeases(tmp_path / "leases.db", clock), clock
        return
    url = request.getfixturevalue("postgres_shared_url")
    room = f"split-{tmp_path.name}"
    opened: list[Leases] = []
    with connect(url) as connection:
        connection.execute("CREATE TABLE IF NOT EXISTS public.hand (room text PRIMARY KEY, now_s float8)")

        class Clock(ManualClock):
            def advance(self, seconds: float) -> None:
                super().advance(seconds)
                self.show()

            def show(self) -> None:
                connection.execute(
                    "INSERT INTO public.hand VALUES (%s, %s) ON CONFLICT (room) DO UPDATE SET now_s = %s",
                    (room, self.monotonic, self.monotonic),
                )

        clock = Clock(monotonic=1000.0)
        clock.show()
        now_sql = f"(SELECT now_s FROM public.hand WHERE room = '{room}')"  # noqa: S608

        def make() -> Leases:
            opened.append(PostgresLeases(url, room, answer_within_s=5.0, now_sql=now_sql))
            return opened[-1]

        yield make, clock
        for leases in opened:
            leases.close()


def test_the_first_watch_takes_every_tank_and_renewing_changes_nothing(rig: Rig) -> None:
    make, clock = rig
    a = make()
    first = a.turn(A)
    assert set(first.mine) == set(TANKS)
    assert {hold.token for hold in first.mine.values()} == {1}
    clock.advance(5.0)
    assert not a.look(A)
    assert a.turn(A).mine == first.mine


def test_tanks_move_to_a_second_watch_when_it_has_lived_for_a_lease_and_they_are_let_go(rig: Rig) -> None:
    make, clock = rig
    a, b = make(), make()
    a.turn(A)
    assert b.turn(B).mine == {}, "what is held is not taken"
    assert a.turn(A).hand_over == frozenset(), "a watch that has just come may go again"
    for _ in range(3):
        clock.advance(5.0)
        a.turn(A)
        b.turn(B)
    standing = a.turn(A)
    wanted = {tank for tank in TANKS if preferred(tank, "ab", {}) == "b"}
    assert standing.hand_over == wanted
    assert wanted
    assert b.turn(B).mine == {}, "not before they are let go"
    a.turn(replace(A, release={tank: standing.mine[tank].token for tank in wanted}))
    taken = b.turn(B).mine
    assert set(taken) == wanted
    assert {(hold.before, hold.token) for hold in taken.values()} == {("a", 2)}
    assert a.turn(A).holders == {tank: "b" if tank in wanted else "a" for tank in TANKS}


def test_the_tanks_of_a_dead_watch_are_taken_when_its_lease_is_over_and_not_before(rig: Rig) -> None:
    make, clock = rig
    a, b = make(), make()
    a.turn(A)
    clock.advance(LEASE_S - 0.5)
    assert b.turn(B).mine == {}
    assert not b.look(B)
    clock.advance(0.5)
    assert b.look(B)
    taken = b.turn(B)
    assert set(taken.mine) == set(TANKS)
    assert {(h.before, h.token) for h in taken.mine.values()} == {("a", 2)}
    assert taken.last_taken == tuple(taken.mine.values())
    woken = a.turn(A)
    assert woken.mine == {}, "who wakes after its lease holds nothing that was taken"
    assert woken.live == ("a", "b")


def test_who_wakes_late_keeps_what_nobody_took(rig: Rig) -> None:
    make, clock = rig
    a = make()
    before = a.turn(A).mine
    clock.advance(10 * LEASE_S)
    assert a.turn(A).mine == before


def test_a_watch_that_leaves_lets_go_at_once(rig: Rig) -> None:
    make, _ = rig
    a, b = make(), make()
    a.turn(A)
    b.turn(B)
    a.turn(replace(A, leaves=True))
    assert set(b.turn(B).mine) == set(TANKS)
    assert b.turn(B).live == ("b",)


def test_a_second_process_of_one_name_waits_unless_the_first_is_known_dead(rig: Rig) -> None:
    make, _ = rig
    a, again = make(), make()
    a.turn(A)
    twin = replace(A, run="run-a2")
    assert again.turn(twin).mine == {}
    assert set(a.turn(A).mine) == set(TANKS), "and does the first no harm"
    taken = again.turn(replace(twin, replaces=True)).mine
    assert {(h.before, h.token) for h in taken.values()} == {("a", 2)}
    assert a.turn(A).mine == {}


def test_an_old_token_lets_nothing_go(rig: Rig) -> None:
    make, _ = rig
    a = make()
    a.turn(A)
    standing = a.turn(replace(A, release={"t000": 99}))
    assert "t000" in standing.mine


def test_listed_tanks_go_where_they_are_listed(rig: Rig) -> None:
    make, clock = rig
    listed = {tank: "ab"[number % 2] for number, tank in enumerate(TANKS)}
    a, b = make(), make()
    b.turn(replace(B, listed=listed))
    b.turn(replace(B, listed=listed, leaves=True))
    clock.advance(1.0)
    held_a = a.turn(replace(A, listed=listed)).mine
    assert set(held_a) == set(TANKS), "while b is gone"


def test_many_watches_at_once_never_hold_one_tank_together(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    make, _ = rig

    def decide_slowly(rows: Rows, request: Request) -> tuple[Lease | None, list[Hold], Standing]:
        time.sleep(0.03)  # between reading and writing, where another could come in between
        return decide(rows, request)

    monkeypatch.setattr("tankwatch.split.sqlite_leases.decide", decide_slowly)
    monkeypatch.setattr("tankwatch.split.postgres_leases.decide", decide_slowly)
    make().turn(replace(A, leaves=True))  # makes the tables
    held: dict[str, set[str]] = {}
    start = threading.Barrier(4)

    def live(name: str) -> None:
        leases = make()
        request = Request(name, name, LEASE_S, TANKS)
        leases.look(request)  # connects
        start.wait(10)
        held[name] = set(leases.turn(request).mine)
        leases.close()

    threads = [threading.Thread(target=live, args=(name,)) for name in "bcde"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert len(held) == 4
    assert sum(map(len, held.values())) == len(TANKS)
    assert set().union(*held.values()) == set(TANKS)


def test_after_a_restart_of_the_machine_no_lease_stands_but_who_held_what_is_known(tmp_path: Path) -> None:
    clock = ManualClock(monotonic=50_000.0)
    SqliteLeases(tmp_path / "l.db", clock, boot=lambda: "first").turn(A)
    later = SqliteLeases(tmp_path / "l.db", ManualClock(monotonic=20.0), boot=lambda: "second")
    assert later.look(B)
    assert {(h.before, h.token) for h in later.turn(B).mine.values()} == {("a", 2)}


def test_a_file_that_cannot_be_used_is_told(tmp_path: Path) -> None:
    (tmp_path / "l.db").write_bytes(b"no database at all, and longer than a header of one hundred bytes" * 9)
    with pytest.raises(LeasesError, match="not a database; move it away"):
        SqliteLeases(tmp_path / "l.db", ManualClock()).turn(A)
    with pytest.raises(LeasesError, match="unable to open"):
        SqliteLeases(tmp_path / "none" / "l.db", ManualClock()).look(A)


def test_a_file_that_someone_keeps_locked_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tankwatch.split.sqlite_leases.BUSY_S", 0.05)
    leases = SqliteLeases(tmp_path / "l.db", ManualClock())
    leases.turn(A)
    other = sqlite3.connect(tmp_path / "l.db", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(LeasesError, match="locked"):
        leases.turn(A)
    other.close()
    assert set(leases.turn(A).mine) == set(TANKS)


def test_a_server_that_is_away_is_told_and_reached_again(postgres_url: str) -> None:
    away = PostgresLeases("postgresql://owner@127.0.0.1:1/none", "r", answer_within_s=1.0)
    with pytest.raises(LeasesError, match="cannot be reached"):
        away.turn(A)
    leases = PostgresLeases(postgres_url, "r", answer_within_s=5.0)
    leases.turn(A)
    with connect(postgres_url) as connection:
        connection.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE datname = current_database() AND pid <> pg_backend_pid()"
        )
    with pytest.raises(LeasesError):
        leases.turn(A)
    assert set(leases.turn(A).mine) == set(TANKS)
    leases.close()


STEP = st.tuples(
    st.sampled_from("abc"), st.sampled_from(["turn", "tidy", "leave", "again"]), st.floats(0.0, 9.0)
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(STEP, max_size=40))
def test_whatever_happens_a_tank_has_one_holder_and_is_taken_when_free(
    steps: list[tuple[str, str, float]],
) -> None:
    """Each watch believes what it was last told, until its lease less nothing: never two of them at once."""
    now_s = 0.0
    leases: dict[str, Lease] = {}
    holds: dict[str, Hold] = {}
    runs = dict.fromkeys("abc", 0)
    believed: dict[str, tuple[float, dict[str, Hold]]] = {}
    for name, what, pause_s in steps:
        now_s += pause_s
        if what == "again":
            runs[name] += 1
            believed.pop(name, None)  # that process is gone
        release: dict[str, int] = {}
        if what == "tidy" and name in believed and now_s < believed[name][0]:
            until_s, mine = believed[name]
            _, _, standing = decide(
                Rows(now_s, leases, holds), Request(name, f"{name}{runs[name]}", LEASE_S, TANKS)
            )
            release = {t: mine[t].token for t in standing.hand_over if t in mine}
            believed[name] = until_s, {t: h for t, h in mine.items() if t not in release}
        if what == "leave":
            believed.pop(name, None)
        request = Request(
            name,
            f"{name}{runs[name]}",
            LEASE_S,
            TANKS,
            release=release,
            leaves=what == "leave",
            replaces=True,
        )
        lease, changed, standing = decide(Rows(now_s, leases, holds), request)
        assert lease is not None
        leases[name] = lease
        for hold in changed:
            old = holds.get(hold.tank)
            assert old is None or hold.holder is None or hold.token == old.token + 1
            holds[hold.tank] = hold
        if what != "leave":
            believed[name] = lease.until_s, dict(standing.mine)
            live = [n for n, other in leases.items() if other.until_s > now_s]
            mine_by_right = {t for t in TANKS if preferred(t, live, {}) == name}
            assert mine_by_right <= set(standing.holders), "what is mine by right is held by someone now"
        holding = [tank for until_s, mine in believed.values() if now_s < until_s for tank in mine]
        assert len(holding) == len(set(holding))
