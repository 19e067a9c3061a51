"""Real deliveries to servers on loopback that are down, slow, refuse, or die before they confirm."""

import json
import logging
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from conftest import free_port, wait_until
from small_servers import SmallServer

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority
from tankwatch.clock import SystemClock
from tankwatch.config import Config
from tankwatch.errors import DeliveryError
from tankwatch.notify import apprise_way, carrier
from tankwatch.notify.apprise_way import AppriseWay
from tankwatch.notify.codes import Signer
from tankwatch.notify.live_check import send_test
from tankwatch.notify.message import Kind, Message
from tankwatch.notify.notifier import MEMORY_KEY, Notifier
from tankwatch.snapshot import RoomSnapshot
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter

# The library loads what Python deprecates; whoever updates the library sees to that, not this program.
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::PendingDeprecationWarning")


@pytest.fixture(params=["smtp", "http"])
def server(request: pytest.FixtureRequest) -> Iterator[SmallServer]:
    pytest.importorskip("apprise")
    server = SmallServer(request.param, free_port())
    server.start()
    yield server
    server.stop()


def _config(folder: Path, ways: list[dict[str, Any]], sources: list[dict[str, Any]] | None = None) -> Config:
    return Config.model_validate(
        {
            "room": {"name": "Back room"},
            "store": {"path": str(folder / "room.db")},
            "source": sources or [],
            "tank": [{"id": "t01", "name": "Long tank", "volume_l": 120.0, "setpoint_c": 25.0}],
            "notify": {"gather_s": 0.0},
            "way": ways,
            "person": [{"id": "sam", "ways": [way["id"] for way in ways]}],
        }
    )


def alarm(number: int = 1, **more: Any) -> Alarm:
    now_s = time.time()
    fields: dict[str, Any] = {
        "alarm_id": number, "tank": "t01", "condition": Condition.HEATER_STUCK_ON,
        "state": AlarmState.UNACKNOWLEDGED, "priority": Priority.CRITICAL, "since_s": now_s,
        "changed_s": now_s, "message": "Water 27.1 °C and rising.",
    }  # fmt: skip
    return Alarm(**(fields | more))


def picture(*alarms: Alarm) -> RoomSnapshot:
    return RoomSnapshot(time.time(), "Back room", "Etc/UTC", time.time(), alarms=alarms)


@dataclass
class Running:
    """A notifier over a real store; `again` ends both and starts new ones, as a restart does."""

    config: Config

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        self.store = StoreWriter(self.config.store.path, SystemClock())
        self.store.start()
        reader = StoreReader(self.config.store.path)
        self.notifier = Notifier(
            self.config,
            self.store,
            Signer(b"k" * 32),
            SystemClock(),
            acknowledge=lambda number, who: Future(),
            memory=reader.memory(MEMORY_KEY),
            waiting=reader.outbox("waiting"),
            retry_first_s=0.1,
        )
        self.notifier.start()

    def stop(self) -> None:
        self.notifier.stop(3.0)
        self.store.stop(5.0)

    def again(self) -> None:
        self.stop()
        self.start()

    def outbox(self) -> list[str]:
        self.store.flush(5.0)
        return [stored.state for stored in StoreReader(self.config.store.path).outbox()]


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[[list[dict[str, Any]]], Running]]:
    running: list[Running] = []

    def start(ways: list[dict[str, Any]]) -> Running:
        running.append(Running(_config(tmp_path, ways)))
        return running[-1]

    yield start
    for one in running:
        one.stop()


Run = Callable[[list[dict[str, Any]]], Running]


def _way(server: SmallServer) -> list[dict[str, Any]]:
    return [{"id": "phone", "kind": "apprise", "url": server.url}]


def test_a_message_is_delivered_once_and_noted_as_sent(server: SmallServer, run: Run) -> None:
    running = run(_way(server))
    running.notifier.publish(picture(alarm()))
    wait_until(lambda: server.inbox.confirmed, "the message")
    wait_until(lambda: running.outbox() == ["sent"], "the note that it was sent")
    text = server.inbox.texts[0]
    assert "CRITICAL: Long tank (t01): heater stuck on" in text
    assert "First: unplug the heater now." in " ".join(text.split())
    running.again()
    running.notifier.publish(picture(alarm()))
    time.sleep(0.3)  # time in which it must not come again
    assert len(server.inbox.texts) == 1


@pytest.mark.parametrize("trouble", ["refuse", "die"])
def test_refused_or_cut_off_it_is_tried_again_with_the_same_id(
    trouble: str, server: SmallServer, run: Run
) -> None:
    server.inbox.behaviour += [trouble, trouble]
    running = run(_way(server))
    running.notifier.publish(picture(alarm()))
    wait_until(lambda: server.inbox.confirmed, "the message at the third attempt")
    wait_until(lambda: running.outbox() == ["sent"], "the note that it was sent")
    assert len(server.inbox.ids) >= 3
    assert len(set(server.inbox.ids)) == 1
    (stored,) = StoreReader(running.config.store.path).outbox()
    assert stored.attempts >= 3


def test_a_server_that_is_down_gets_it_when_it_is_back_even_after_a_restart(
    server: SmallServer, run: Run, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    server.stop()
    running = run(_way(server))
    running.notifier.publish(picture(alarm()))
    wait_until(lambda: running.outbox() == ["waiting"], "the message in the outbox")
    running.again()
    running.notifier.publish(picture(alarm()))
    server.start()
    wait_until(lambda: server.inbox.confirmed, "the message", timeout_s=15.0)
    wait_until(lambda: running.outbox() == ["sent"], "the note that it was sent")
    assert len(set(server.inbox.ids)) == 1
    details = " ".join(stored.detail for stored in StoreReader(running.config.store.path).outbox())
    ours = " ".join(r.getMessage() for r in caplog.records if r.name.startswith("tankwatch"))
    assert "T0K3N" not in details + ours
    assert "attempt 1" in ours


def test_a_slow_server_holds_up_no_other_way(run: Run) -> None:
    pytest.importorskip("apprise")
    slow, quick = SmallServer("http", free_port()), SmallServer("http", free_port())
    slow.inbox.behaviour += ["slow"]
    slow.start()
    quick.start()
    ways = [
        {"id": "slow", "kind": "apprise", "url": slow.url},
        {"id": "quick", "kind": "apprise", "url": quick.url},
    ]
    try:
        running = run(ways)
        running.notifier.publish(picture(alarm()))
        wait_until(lambda: quick.inbox.confirmed, "the message by the quick way", timeout_s=5.0)
        wait_until(lambda: slow.inbox.confirmed, "the message by the slow way, later", timeout_s=15.0)
        assert set(slow.inbox.ids) == set(quick.inbox.ids)
    finally:
        slow.stop()
        quick.stop()


KILLED_WATCH = """
import sys, time
from concurrent.futures import Future
sys.path.insert(0, sys.argv[1])
import test_delivery as t
from pathlib import Path
config = t._config(Path(sys.argv[2]), [{"id": "phone", "kind": "apprise", "url": sys.argv[3]}])
running = t.Running(config)
running.notifier.publish(t.picture(t.alarm()))
time.sleep(60)
"""


def test_killed_between_attempt_and_confirmation_it_comes_again_with_the_same_id(
    server: SmallServer, tmp_path: Path, run: Run
) -> None:
    server.inbox.behaviour += ["slow"]
    here = Path(__file__).parent
    process = subprocess.Popen(
        [sys.executable, "-W", "ignore", "-c", KILLED_WATCH, str(here), str(tmp_path), server.url],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(here), str(here.parent)])},
    )
    try:
        wait_until(lambda: server.inbox.texts, "the first attempt", timeout_s=30.0)
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait(10)
    server.inbox.hold.set()
    assert server.inbox.confirmed == []
    running = run(_way(server))
    running.notifier.publish(picture(alarm()))
    wait_until(lambda: server.inbox.confirmed, "the message after the restart")
    wait_until(lambda: running.outbox() == ["sent"], "the note that it was sent")
    assert len(server.inbox.ids) == 2
    assert len(set(server.inbox.ids)) == 1


def test_a_message_of_a_way_that_is_no_more_is_given_up(
    server: SmallServer, run: Run, tmp_path: Path
) -> None:
    server.stop()
    running = run(_way(server))
    running.notifier.publish(picture(alarm()))
    wait_until(lambda: running.outbox() == ["waiting"], "the message in the outbox")
    running.stop()
    running.config = _config(tmp_path, [{"id": "bell", "kind": "command", "command": ["/bin/true"]}])
    running.start()
    wait_until(lambda: "given up" in running.outbox(), "the message given up")


def test_a_program_gets_the_message_on_standard_input_and_no_secret_of_the_watch(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TANKWATCH_PASSWORD_BROKER", "hunter22")
    script = tmp_path / "bell"
    script.write_text(
        f"#!{sys.executable}\nimport json, os, sys\n"
        f"out = open({str(tmp_path / 'out')!r}, 'w')\n"
        "json.dump([json.load(sys.stdin), dict(os.environ), sys.argv[1:]], out)\n"
    )
    script.chmod(0o755)
    odd = "$(touch /tmp/never); `id` & | <x>"
    running = run([{"id": "bell", "kind": "command", "command": [str(script), odd]}])
    running.notifier.publish(picture(alarm(message="Water $(reboot) `id`.")))
    wait_until(lambda: running.outbox() == ["sent"], "the message taken by the program")
    message, environment, arguments = json.loads((tmp_path / "out").read_text())
    assert arguments == [odd]
    assert (message["v"], message["kind"], message["tanks"]) == (1, "alarm", ["t01"])
    assert message["token"].startswith("1.")
    assert environment["TANKWATCH_MESSAGE_ID"] == message["message_id"]
    assert environment["TANKWATCH_TEXT"] == message["text"]
    assert "$(reboot)" in message["text"]
    assert "hunter22" not in json.dumps(environment)


def _message() -> Message:
    return Message("0123456789abcdef", "sam", Kind.TEST, Priority.LOW, "title", "text #01234567", time.time())


def test_a_program_that_hangs_is_ended_with_all_that_it_started(tmp_path: Path) -> None:
    from tankwatch.config_notify import CommandWayConfig
    from tankwatch.notify.command_way import CommandWay

    script = tmp_path / "hang.sh"
    script.write_text(f"#!/bin/sh\nsleep 60 & echo $! > {tmp_path}/child\nwait\n")
    script.chmod(0o755)
    way = CommandWay(CommandWayConfig(id="bell", kind="command", command=(str(script),), timeout_s=1.0))
    with pytest.raises(DeliveryError, match="took longer than 1 s"):
        way.send(_message())
    child = int((tmp_path / "child").read_text())
    wait_until(lambda: not _lives(child), "the end of what it started")


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().split()[2] not in "ZX"
    except OSError:
        return False


def test_a_program_that_fails_says_why(tmp_path: Path) -> None:
    from tankwatch.config_notify import CommandWayConfig
    from tankwatch.notify.command_way import CommandWay

    script = tmp_path / "fail.sh"
    script.write_text("#!/bin/sh\necho 'no bell: token=abcdef' >&2\nexit 4\n")
    script.chmod(0o755)
    way = CommandWay(CommandWayConfig(id="bell", kind="command", command=(str(script),)))
    with pytest.raises(DeliveryError, match=r"status 4 no bell: token=\*\*\*"):
        way.send(_message())
    missing = CommandWay(CommandWayConfig(id="bell", kind="command", command=("/no/such/bell",)))
    with pytest.raises(DeliveryError, match="No such file"):
        missing.send(_message())


def test_without_the_library_the_error_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    from tankwatch.config_notify import AppriseWayConfig

    monkeypatch.setitem(sys.modules, "apprise", None)
    way = AppriseWay(AppriseWayConfig(id="phone", kind="apprise", url="json://127.0.0.1/x"))
    with pytest.raises(DeliveryError, match=r"pip install 'tankwatch\[notify\]'"):
        way.send(_message())
    assert "tankwatch[notify]" in apprise_way.MISSING


def test_what_no_server_takes_is_given_up_after_its_time(server: SmallServer, tmp_path: Path) -> None:
    from tankwatch.config_notify import AppriseWayConfig

    server.inbox.behaviour += ["refuse"] * 9
    noted: list[tuple[str, str, str, int, str]] = []
    sender = carrier.Carrier(
        AppriseWay(AppriseWayConfig(id="phone", kind="apprise", url=server.url)),
        lambda *what: noted.append(what),
        SystemClock(),
        give_up_after_s=-1.0,
        retry_first_s=0.05,
    )
    sender.start()
    sender.put(_message())
    wait_until(lambda: noted, "the message given up")
    sender.stop(5.0)
    assert noted[0][:4] == ("0123456789abcdef", "phone", "given up", 1)


def test_the_live_check_tells_of_each_way_by_itself(server: SmallServer, tmp_path: Path) -> None:
    script = tmp_path / "fail.sh"
    script.write_text("#!/bin/sh\nexit 3\n")
    script.chmod(0o755)
    port = free_port()
    config = _config(
        tmp_path,
        [
            {"id": "phone", "kind": "apprise", "url": server.url},
            {"id": "gone", "kind": "apprise", "url": f"json://127.0.0.1:{port}/T0K3N?cto=1"},
            {"id": "bell", "kind": "command", "command": [str(script)]},
            {"id": "odd", "kind": "apprise", "url": "nosuchservice://T0K3N/x"},
        ],
    )
    results = {result.way: result for result in send_test(config)}
    assert [result.ok for result in results.values()] == [True, False, False, False]
    assert "ended with status 3" in results["bell"].detail
    assert "no URL that Apprise knows" in results["odd"].detail
    assert not any("T0K3N" in result.detail for result in results.values())
    assert "this way works" in " ".join(server.inbox.texts[0].split())
