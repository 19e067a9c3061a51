"""Supervision: restarts with growing pauses, hanging and dying threads, and health by the clock."""

import threading
from collections.abc import Callable
from typing import ClassVar

import pytest
from conftest import wait_until

from tankwatch.clock import ManualClock
from tankwatch.decode import Reason, Refused
from tankwatch.decode.decoder import Decoded
from tankwatch.errors import SourceError
from tankwatch.reading import Channel, Reading
from tankwatch.sources.base import Link, Source
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.supervise import Supervisor


class ScriptedSource(Source):
    kind: ClassVar[str] = "mqtt"
    retry_at_most_s: ClassVar[float] = 0.04

    def __init__(self, run: Callable[[Link], None]) -> None:
        self._run = run

    @property
    def source_id(self) -> str:
        return "src"

    @property
    def address(self) -> str:
        return "somewhere"

    def run(self, link: Link) -> None:
        self._run(link)


class Watched:
    """A supervised source on a clock that stands still."""

    def __init__(self, run: Callable[[Link], None], capacity: int = 10) -> None:
        self.clock = ManualClock()
        self.inbox = Inbox(capacity)
        self.supervisor = Supervisor(
            ScriptedSource(run), self.inbox, self.clock, lost_after_s=20.0, first_pause_s=0.01
        )

    def __enter__(self) -> "Watched":
        self.supervisor.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.supervisor.ask_to_stop()
        assert self.supervisor.join(5.0)

    @property
    def state(self) -> str:
        return self.supervisor.health().state


def until_stopped(link: Link) -> None:
    link.connected("here")
    while not link.wait(1.0):
        continue


def test_not_connected_it_is_lost_after_the_time_allowed() -> None:
    def fail(link: Link) -> None:
        raise SourceError("no way in")

    with Watched(fail) as watched:
        wait_until(lambda: watched.supervisor.health().restarts >= 3, "restarts")
        health = watched.supervisor.health()
        assert (health.state, health.detail) == ("connecting", "no way in")
        watched.clock.advance(19.9)
        assert watched.state == "connecting"
        watched.clock.step_wall(-1e6)
        watched.clock.advance(0.1)
        assert watched.state == "lost"
    assert watched.state == "stopped"


def test_connected_it_stays_so_until_it_is_cut_off() -> None:
    cut = threading.Event()

    def run(link: Link) -> None:
        if cut.is_set():
            raise SourceError("still away")
        link.connected("here")
        while not link.stopping:
            if cut.wait(0.005):
                raise SourceError("cut off")
            link.beat()

    with Watched(run) as watched:
        wait_until(lambda: watched.state == "connected", "connected")
        watched.clock.advance(1000)
        wait_until(lambda: watched.state == "connected", "a beat after the jump")
        cut.set()
        wait_until(lambda: watched.supervisor.health().detail == "still away", "cut off")
        assert watched.state == "connecting"
        watched.clock.advance(20)
        assert watched.state == "lost"
        cut.clear()
        wait_until(lambda: watched.state == "connected", "back again")


def test_a_fault_of_ours_is_logged_and_started_anew(caplog: pytest.LogCaptureFixture) -> None:
    runs: list[int] = []

    def run(link: Link) -> None:
        runs.append(1)
        if len(runs) == 1:
            raise ZeroDivisionError("a bug")
        until_stopped(link)

    with Watched(run) as watched:
        wait_until(lambda: watched.state == "connected", "connected")
        assert watched.supervisor.health().restarts == 1
    assert "not foreseen" in caplog.text


def test_a_thread_that_hangs_is_lost() -> None:
    release = threading.Event()

    def hang(link: Link) -> None:
        link.connected("here")
        release.wait(10)

    with Watched(hang) as watched:
        wait_until(lambda: watched.state == "connected", "connected")
        watched.clock.advance(31)
        health = watched.supervisor.health()
        assert (health.state, health.detail) == ("lost", "somewhere: hangs, no sign of life for 31 s")
        release.set()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_dead_thread_is_lost_at_once() -> None:
    def die(link: Link) -> None:
        link.connected("here")
        raise SystemExit

    with Watched(die) as watched:
        wait_until(lambda: watched.state == "lost", "a dead thread told as lost")
        assert "died" in watched.supervisor.health().detail


def test_what_came_in_is_counted() -> None:
    def reading(value: float) -> Reading:
        return Reading("t01", Channel.TEMPERATURE, 1_790_000_000.0, value, source="src")

    def run(link: Link) -> None:
        link.deliver(Decoded([reading(1), reading(2)], []), b"pack", "fish/t01")
        link.deliver(Decoded([], [Refused(Reason.ABSURD, "900")]), b"9\x1b[2J", "fish/\x1bt01")
        link.deliver(Decoded([reading(3)], [Refused(Reason.CLOCK, "2100")]), b"3", "fish/t01")
        until_stopped(link)

    with Watched(run, capacity=2) as watched:
        wait_until(lambda: watched.state == "connected", "connected")
        watched.clock.advance(7)
        health = watched.supervisor.health()
        assert (health.received, health.accepted, health.dropped) == (3, 3, 1)
        assert health.refused == {"absurd value": 1, "clock": 1}
        assert health.last_refused == r"fish/\x1bt01: absurd value: 900 ← 9\x1b[2J"
        assert health.last_heard_age_s == 7
        assert [r.value for r in watched.inbox.take(0)] == [2, 3]


def test_pauses_grow_and_are_capped(monkeypatch: pytest.MonkeyPatch) -> None:
    pauses: list[float] = []
    runs: list[int] = []

    def note(link: Link, seconds: float) -> bool:
        pauses.append(seconds)
        return link.stopping

    monkeypatch.setattr(Link, "wait", note)

    def run(link: Link) -> None:
        runs.append(1)
        if len(runs) >= 6:
            link.stop()
        if len(runs) == 5:  # a connection that held long makes the next pause short again
            link.connected("here")
            watched.clock.advance(60)
        raise SourceError("no way in")

    watched = Watched(run)
    with watched:
        wait_until(lambda: watched.state == "stopped", "the script's end")
    assert pauses == pytest.approx([0.01, 0.02, 0.04, 0.04, 0.01])


def test_a_supervisor_starts_once() -> None:
    with Watched(until_stopped) as watched, pytest.raises(RuntimeError, match="started before"):
        watched.supervisor.start()
