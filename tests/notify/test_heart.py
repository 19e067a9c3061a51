"""The heart: what a supervisor's socket and a URL receive, and that it stops when the watch does."""

import logging
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import free_port, wait_until
from small_servers import SmallServer

from tankwatch.clock import SystemClock
from tankwatch.notify.heart import Heart
from tankwatch.notify.systemd import Supervisor


class NotifySocket:
    """The supervisor's end of sd_notify(3)."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self.socket.settimeout(10.0)

    def next(self) -> str:
        return self.socket.recv(4096).decode()

    def rest(self, for_s: float) -> int:
        """Return how many messages come until there is silence for `for_s` seconds."""
        self.socket.settimeout(for_s)
        count = 0
        while True:
            try:
                self.next()
            except TimeoutError:
                return count
            count += 1


@pytest.fixture(params=["file", "abstract"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return str(tmp_path / "notify") if request.param == "file" else f"@tankwatch-test-{os.getpid()}"


@pytest.fixture
def notify(address: str) -> Iterator[NotifySocket]:
    notify = NotifySocket(address)
    yield notify
    notify.socket.close()


def test_the_supervisor_hears_ready_beats_and_stopping(notify: NotifySocket, address: str) -> None:
    supervisor = Supervisor({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "600000"})
    assert supervisor.watchdog_s == 0.6
    supervisor.ready("watches 3\ntanks")
    assert notify.next() == "READY=1\nSTATUS=watches 3 tanks"
    alive = True
    heart = Heart(lambda: alive, supervisor, SystemClock())
    heart.start()
    assert [notify.next() for _ in range(3)] == ["WATCHDOG=1"] * 3
    alive = False
    assert notify.rest(0.5) <= 2  # one more may be on its way
    heart.stop()
    supervisor.stopping()
    assert notify.next() == "STOPPING=1"


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"WATCHDOG_USEC": "600000"},
        {"NOTIFY_SOCKET": "/x", "WATCHDOG_USEC": "600000", "WATCHDOG_PID": "1"},
        {"NOTIFY_SOCKET": "/x", "WATCHDOG_USEC": "soon"},
    ],
)
def test_who_is_not_watched_does_not_beat(environment: dict[str, str]) -> None:
    assert Supervisor(environment).watchdog_s is None


def test_a_socket_that_is_gone_is_told_once_and_harms_nothing(caplog: pytest.LogCaptureFixture) -> None:
    supervisor = Supervisor({"NOTIFY_SOCKET": "/no/such/socket"})
    supervisor.ready("x")
    supervisor.alive()
    assert len(caplog.records) == 1


def test_the_url_is_fetched_while_the_watch_lives_and_never_logged(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    server = SmallServer("http", free_port())
    url = f"http://127.0.0.1:{server.port}/beat/T0K3N-SECRET"
    heart = Heart(lambda: True, Supervisor({}), SystemClock(), url=url, url_every_s=0.05)
    assert not heart.fetch()
    server.inbox.behaviour += ["refuse"]
    server.start()
    assert not heart.fetch()
    assert heart.fetch()
    heart.start()
    wait_until(lambda: len(server.inbox.texts) >= 5, "beats")
    heart.stop()
    server.stop()
    told = [r.getMessage() for r in caplog.records if r.name.startswith("tankwatch")]
    assert len(told) == 2
    assert "T0K3N" not in " ".join(told)


@pytest.mark.parametrize("url", ["file:///etc/passwd", "nonsense", "http://127.0.0.1:99999/x"])
def test_what_is_no_url_is_told_and_harms_nothing(url: str, caplog: pytest.LogCaptureFixture) -> None:
    assert not Heart(lambda: True, Supervisor({}), SystemClock(), url=url).fetch()
    assert "did not reach" in caplog.text
