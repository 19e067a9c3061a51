"""The thread that keeps a lease, step by step, and what a lease that is over holds back."""

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from conftest import wait_until

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority, Transition
from tankwatch.clock import ManualClock
from tankwatch.config import Config, load
from tankwatch.config_split import seen_by
from tankwatch.control.protocol import Mark
from tankwatch.errors import UsageError
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.snapshot import RoomSnapshot, SourceSnapshot, StoreSnapshot
from tankwatch.split.leases import LeasesError, Request, Standing
from tankwatch.split.patience import Patience
from tankwatch.split.portion import Change, Moved, Portion
from tankwatch.split.sqlite_leases import SqliteLeases
from tankwatch.split.tenant import ALL_AFTER_LEASES, Tenant
from tankwatch.store.entry import LogEntry
from tankwatch.watch.judge import LEASES, MEMORY_KEY, Judge
from tankwatch.watchdog.watchdog import Watchdog

LEASE_S = 15.0
TANKS = ("t1", "t2", "t3", "t4", "t5", "t6")


def _config(folder: Path, name: str, more: str = "") -> Config:
    text = f'[room]\nname = "x"\n[split]\nwatches = ["a", "b"]\n{more}\n'
    text += "".join(f'[[tank]]\nid = "{tank}"\nvolume_l = 100.0\nsetpoint_c = 25.0\n' for tank in TANKS)
    path = folder / "room.toml"
    path.write_text(text)
    return seen_by(load(path), name)


@dataclass
class _Store:
    readings: list[Reading] = field(default_factory=list)
    steps: list[Transition] = field(default_factory=list)
    memory: dict[str, Any] = field(default_factory=dict)
    waiting: list[Reading] = field(default_factory=list)

    def take(self, timeout_s: float) -> list[Reading]:
        taken, self.waiting = self.waiting, []
        return taken

    def put_readings(self, readings: list[Reading]) -> None:
        self.readings += readings

    def put_steps(self, steps: list[Transition]) -> None:
        self.steps += steps

    def put_mark(self, tank: str, mark: ServiceMark, time_s: float, who: str) -> None:
        raise AssertionError("no mark was asked for")

    def put_log(self, entry: LogEntry) -> None:
        raise AssertionError("no entry was asked for")

    def put_memory(self, key: str, value: dict[str, Any]) -> None:
        self.memory[key] = value

    def health(self) -> StoreSnapshot:
        return StoreSnapshot()


class _NoSources:
    def health(self) -> tuple[SourceSnapshot, ...]:
        return ()


class _AtOnce(Portion):
    """Has its changes made at once, as a judge that is quick does."""

    made: Callable[[], None]

    def ask(self, change: Change) -> "Future[None]":
        future = super().ask(change)
        self.made()
        return future


class _Link:
    """Leases that can be made unreachable, and take some time to answer."""

    def __init__(self, leases: SqliteLeases, clock: ManualClock) -> None:
        self.leases = leases
        self.clock = clock
        self.away = False
        self.takes_s = 0.0
        self.turns = 0

    def turn(self, request: Request) -> Standing:
        self._answer()
        self.turns += 1
        return self.leases.turn(request)

    def look(self, request: Request) -> bool:
        self._answer()
        return self.leases.look(request)

    def close(self) -> None:
        self.leases.close()

    def _answer(self) -> None:
        if self.away:
            raise LeasesError("pulled out")
        self.clock.advance(self.takes_s)


class _Rig:
    """One watch without its process: a judge, a portion and a tenant on one clock."""

    def __init__(self, folder: Path, name: str, clock: ManualClock, *, replaces: bool = True) -> None:
        self.config = _config(folder, name)
        self.clock = clock
        self.store = _Store()
        self.pictures: list[RoomSnapshot] = []
        self.portion = _AtOnce(name, clock, MEMORY_KEY)
        self.watchdog = Watchdog(self.config, holds=())
        self.judge = Judge(
            self.config,
            self.watchdog,
            inbox=self.store,
            sources=_NoSources(),
            store=self.store,
            clock=clock,
            publish=self.pictures.append,
            portion=self.portion,
        )
        self.portion.made = lambda: self.portion.settle(self.watchdog, self.store, clock.wall_s())
        self.link = _Link(SqliteLeases(folder / "leases.db", clock), clock)
        self.tenant = Tenant(
            self.config,
            self.link,
            self.portion,
            clock,
            read=self._read,
            judge_beat=lambda: self.judge.heartbeat_s,
            flush=lambda _: True,
            replaces=replaces,
        )

    def _read(self, taken: Mapping[str, tuple[int, str | None]]) -> dict[str, Moved]:
        return {tank: Moved(token, before) for tank, (token, before) in taken.items()}

    def live(self, seconds: float) -> None:
        """Take turns and steps as the threads do, for so many seconds."""
        for _ in range(int(seconds)):
            self.clock.advance(1.0)
            self.step()

    def step(self) -> None:
        """One turn of the judge, one step of the tenant."""
        self.judge.turn(0.0)
        self.tenant.step()

    @property
    def judges(self) -> set[str]:
        """The tanks of which a reading that comes now is stored."""
        before = len(self.store.readings)
        stamp_s = self.clock.wall_s()
        self.store.waiting = [Reading(t, Channel.TEMPERATURE, stamp_s, 25.0, source="x") for t in TANKS]
        self.judge.turn(0.0)
        return {reading.tank for reading in self.store.readings[before:]}


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(monotonic=1000.0)


@pytest.fixture
def a(tmp_path: Path, clock: ManualClock) -> _Rig:
    return _Rig(tmp_path, "a", clock)


@pytest.fixture
def b(tmp_path: Path, clock: ManualClock) -> _Rig:
    return _Rig(tmp_path, "b", clock)


def _both(a: _Rig, b: _Rig, seconds: float) -> None:
    """Let both live on their common clock, and see that no tank is judged by both."""
    for _ in range(int(seconds)):
        a.clock.advance(1.0)
        a.step()
        b.step()
        assert not a.judges & b.judges


def test_a_tank_is_judged_from_when_it_is_taken_and_by_one_watch_only(a: _Rig, b: _Rig) -> None:
    assert a.judges == set()
    a.step()
    assert a.judges == set(TANKS)
    b.step()
    _both(a, b, LEASE_S + 2)
    assert a.judges
    assert b.judges
    assert a.judges | b.judges == set(TANKS)


def test_a_lease_is_renewed_each_third_of_it(a: _Rig) -> None:
    a.step()
    a.live(60)
    assert a.link.turns == 1 + 60 / (LEASE_S / 3)


def test_a_watch_that_was_held_up_judges_nothing_when_it_wakes(a: _Rig, b: _Rig) -> None:
    a.step()
    b.step()
    _both(a, b, LEASE_S + 2)
    held = a.judges
    for _ in range(int(LEASE_S) + 2):  # only b lives
        b.live(1)
    assert b.judges == set(TANKS)
    assert a.judges == set(), "woken, it has asked nobody yet"
    a.step()
    assert a.judges == set(), "and now knows"
    assert held


def test_the_lease_of_its_holder_ends_before_that_of_its_keeper(a: _Rig, b: _Rig) -> None:
    a.link.takes_s = 1.0  # the keeper counts from when it answers
    a.step()
    b.clock.advance(0.9 * LEASE_S - 1.0)
    assert a.judges == set()
    b.step()
    assert b.judges == set(), "not yet over for its keeper"
    b.clock.advance(0.1 * LEASE_S + 1.0)
    b.step()
    assert b.judges == set(TANKS)


def _warm(rig: _Rig, minutes: int) -> None:
    """Have the water of t1 judged too warm."""
    for minute in range(minutes):
        stamp_s = rig.clock.wall_s() + 60.0 * minute
        rig.store.waiting.append(Reading("t1", Channel.TEMPERATURE, stamp_s, 31.0, source="x"))


def test_a_step_that_was_not_handed_on_when_the_lease_ended_waits_for_the_next(a: _Rig) -> None:
    a.step()
    _warm(a, 8)
    readings = a.store.take(0.0)
    for reading in readings:
        a.watchdog.feed(reading)  # judged, and then held up before it was told
    a.clock.advance(LEASE_S + 1.0)
    a.judge.turn(0.0)
    assert not [s for s in a.store.steps if s.alarm.tank == "t1"]
    a.tenant.step()  # nobody has taken the tank: it is this watch's still
    a.judge.turn(0.0)
    assert [s.alarm.condition for s in a.store.steps if s.alarm.tank == "t1"] == [Condition.TOO_WARM]


def test_a_step_of_a_tank_that_was_taken_meanwhile_is_never_told(a: _Rig, b: _Rig) -> None:
    a.step()
    _warm(a, 8)
    for reading in a.store.take(0.0):
        a.watchdog.feed(reading)
    a.clock.advance(LEASE_S + 1.0)
    b.judge.turn(0.0)
    b.step()
    for _ in range(3):
        a.step()
    assert not [s for s in a.store.steps if s.alarm.tank == "t1"]
    assert not [alarm for alarm in a.watchdog.book.standing if alarm.tank == "t1"]


def test_a_judge_that_stands_still_loses_its_tanks(a: _Rig, b: _Rig) -> None:
    a.step()
    for _ in range(int(LEASE_S) + 8):
        b.live(1)
        a.tenant.step()  # its judge takes no turn
    assert b.judges == set(TANKS)


def test_cut_off_from_the_leases_a_watch_goes_on_without_a_gap_and_in_time_takes_all(
    a: _Rig, b: _Rig
) -> None:
    a.step()
    b.step()
    _both(a, b, LEASE_S + 2)
    held = a.judges
    a.link.away = b.link.away = True
    for _ in range(int(ALL_AFTER_LEASES * LEASE_S) - 1):
        a.live(1)
        assert a.judges == held, "never without"
    a.live(8)
    assert a.judges == set(TANKS), "for all it knows nobody else lives"
    assert [
        x for x in a.watchdog.book.standing if x.condition is Condition.SOURCE_LOST and x.subject == LEASES
    ]
    a.link.away = b.link.away = False
    b.judge.turn(0.0)
    b.live(2)
    a.live(2)
    assert not a.judges & b.judges
    assert a.judges | b.judges == set(TANKS)
    a.live(2)
    assert not [x for x in a.watchdog.book.standing if x.subject == LEASES and x.holds]


def test_one_that_wakes_cut_off_does_not_go_on_at_once(a: _Rig) -> None:
    a.step()
    a.clock.advance(10 * LEASE_S)
    a.link.away = True
    a.step()
    assert a.judges == set()
    a.live(LEASE_S / 3 + 1)
    assert a.judges == set(TANKS), "but soon: better twice than not at all"


def test_a_lock_that_is_held_for_a_moment_is_no_alarm(a: _Rig) -> None:
    a.step()
    a.link.away = True
    a.live(2)
    a.link.away = False
    a.live(10)
    assert not [s for s in a.store.steps if s.alarm.subject == LEASES]
    assert a.judges == set(TANKS)


def test_a_tank_does_not_wait_for_long_for_what_it_brings_along(
    a: _Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    never = threading.Event()

    def read(taken: Mapping[str, tuple[int, str | None]]) -> dict[str, Moved]:
        never.wait(30)
        return {}

    monkeypatch.setattr(a.tenant, "_read", read)
    monkeypatch.setattr(a.tenant, "_reading", Patience(0.05))
    a.step()
    assert a.judges == set(TANKS)
    never.set()


def test_a_second_watch_of_one_name_says_so_and_judges_nothing(
    a: _Rig, tmp_path: Path, clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    second = _Rig(tmp_path, "a", clock, replaces=False)
    a.step()
    second.step()
    assert second.judges == set()
    assert a.judges == set(TANKS)
    assert "another watch named a runs" in caplog.text


def test_a_request_about_a_tank_elsewhere_names_the_watch_that_has_it(a: _Rig, b: _Rig) -> None:
    a.step()
    b.step()
    _both(a, b, LEASE_S + 2)
    (tank, *_) = sorted(b.judges)
    a.live(6)
    future = a.judge.carry(Mark(tank=tank, mark=ServiceMark.WORK, who="Ada"))
    a.judge.turn(0.0)
    with pytest.raises(UsageError, match="watched by 'b' now: ask that watch, with --as b"):
        future.result(0)


def test_the_picture_shows_the_tanks_of_this_watch_and_who_has_the_others(a: _Rig, b: _Rig) -> None:
    a.step()
    b.step()
    _both(a, b, LEASE_S + 8)
    picture = a.pictures[-1]
    assert {tank.tank_id for tank in picture.tanks} == a.judges
    assert picture.split is not None
    assert {tank for tank, name in picture.split.holders.items() if name == "b"} == b.judges
    assert picture.split.live == ("a", "b")
    assert picture.split.watches == ("a", "b")
    assert picture.split.last == f"{len(b.judges)} from a to b"
    assert 0.0 <= picture.time_s - picture.split.last_s < 12.0


def test_leaving_lets_others_take_over_at_once(a: _Rig, b: _Rig) -> None:
    a.step()
    b.step()
    a.judge.finish()
    a.tenant.leave()
    assert a.judges == set()
    b.live(1)
    assert b.judges == set(TANKS)


def test_a_tank_that_comes_keeps_its_alarm_and_one_that_ended_elsewhere_is_over_here(a: _Rig) -> None:
    alarm = Alarm(
        7, "t1", Condition.TOO_WARM, AlarmState.ACKNOWLEDGED, Priority.CRITICAL, 1.0, 2.0, "warm", who="Ada"
    )
    old = Alarm(9, "t1", Condition.TOO_COLD, AlarmState.UNACKNOWLEDGED, Priority.HIGH, 1.0, 2.0, "cold")
    moved = Moved(5, "b", None, (alarm,), True, (old,))
    a.portion.ask(Change(frozenset(), {"t1": moved}, a.clock.monotonic_s() + 9.0)).result(0)
    assert a.watchdog.book.standing == (alarm,)
    assert [(s.alarm.alarm_id, s.alarm.state, s.why) for s in a.store.steps] == [
        (9, AlarmState.NORMAL, "it went on with another watch"),
        (7, AlarmState.ACKNOWLEDGED, "taken over from watch b"),
    ]


def test_what_was_learned_of_a_tank_that_went_stays_in_the_store_for_whoever_reads_it_late(a: _Rig) -> None:
    a.step()
    a.portion.ask(Change(frozenset({"t1"}), {}, a.clock.monotonic_s() + 9.0)).result(0)
    assert set(a.store.memory[MEMORY_KEY]) == set(TANKS)
    assert set(a.watchdog.remember()) == set(TANKS)


def test_what_never_answers_is_not_waited_for() -> None:
    release = threading.Event()
    patience = Patience(0.05)
    with pytest.raises(LeasesError, match="no answer within"):
        patience.ask(release.wait)
    with pytest.raises(LeasesError, match="no answer yet"):
        patience.ask(lambda: 1)
    release.set()
    wait_until(lambda: not patience.is_waiting, "the late answer")
    assert patience.ask(lambda: 2) == 2
