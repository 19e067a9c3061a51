"""The control socket from both ends, over a real Unix socket."""

import asyncio
import contextlib
import json
import os
import socket
import stat
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest

from tankwatch.control.client import ControlClient
from tankwatch.control.peer import peer_uid
from tankwatch.control.protocol import (
    MAX_REQUEST_BYTES,
    Acknowledge,
    Action,
    Follow,
    Look,
    Mark,
    Note,
    request_line,
)
from tankwatch.control.server import ControlServer
from tankwatch.errors import ControlError, UsageError
from tankwatch.reading import ServiceMark
from tankwatch.snapshot import LiveValue, RoomSnapshot, TankSnapshot


class _Judge:
    """Notes the actions it is given; refuses alarm 404."""

    def __init__(self) -> None:
        self.done: list[Action] = []

    def carry(self, action: Action) -> "Future[None]":
        future: Future[None] = Future()
        if isinstance(action, Acknowledge) and action.alarm_id == 404:
            future.set_exception(UsageError("no alarm 404 stands"))
        else:
            self.done.append(action)
            future.set_result(None)
        return future


def _picture(time_s: float, tanks: int = 1) -> RoomSnapshot:
    values = {"temperature": LiveValue(25.0, time_s, 1.0), "heater": LiveValue(1.0, time_s, 1.0)}
    return RoomSnapshot(
        time_s=time_s,
        room="Back room",
        timezone="Etc/UTC",
        started_s=0.0,
        tanks=tuple(TankSnapshot(f"t{i:04}", f"Tank {i}", 25.0, 23.0, 27.5, values) for i in range(tanks)),
    )


@pytest.fixture
def judge() -> _Judge:
    return _Judge()


@pytest.fixture
def server(tmp_path: Path, judge: _Judge) -> Iterator[ControlServer]:
    folder = tmp_path / "run"
    server = ControlServer(folder / "room.sock", judge.carry)
    server.start()
    yield server
    server.stop()
    assert not server.path.exists()


def _until(condition: Callable[[], bool], within_s: float = 5.0) -> None:
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.01)


def test_socket_and_folder_belong_to_the_user_alone(server: ControlServer) -> None:
    assert stat.S_IMODE(server.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(server.path.parent.stat().st_mode) == 0o700


def test_folder_open_to_others_is_refused(tmp_path: Path, judge: _Judge) -> None:
    folder = tmp_path / "open"
    folder.mkdir(mode=0o755)
    folder.chmod(0o755)
    with pytest.raises(ControlError, match="chmod 700"):
        ControlServer(folder / "room.sock", judge.carry).start()


def test_link_in_place_of_the_folder_is_refused(tmp_path: Path, judge: _Judge) -> None:
    (tmp_path / "elsewhere").mkdir(mode=0o700)
    (tmp_path / "run").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ControlError, match="belongs to someone else"):
        ControlServer(tmp_path / "run" / "room.sock", judge.carry).start()


def test_path_too_long_for_a_socket_is_told_plainly(tmp_path: Path, judge: _Judge) -> None:
    with pytest.raises(ControlError, match="too long for a Unix socket"):
        ControlServer(tmp_path / ("x" * 120) / "room.sock", judge.carry).start()


def test_dead_socket_file_is_replaced(tmp_path: Path, judge: _Judge) -> None:
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(folder / "room.sock"))
    server = ControlServer(folder / "room.sock", judge.carry)
    server.start()
    server.publish(_picture(1.0))
    assert ControlClient(server.path).request(Look()) == _picture(1.0)
    server.stop()


def test_peer_is_told_by_the_kernel() -> None:
    if not hasattr(socket, "SO_PEERCRED"):
        pytest.skip("this system does not tell who is at the other end")
    ours, theirs = socket.socketpair(socket.AF_UNIX)
    with ours, theirs:
        assert peer_uid(ours) == os.getuid()


def test_another_user_is_turned_away(
    server: ControlServer, judge: _Judge, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tankwatch.control.server.peer_uid", lambda _: 54_321)
    with pytest.raises(ControlError, match="not to user 54321"):
        ControlClient(server.path).request(Acknowledge(alarm_id=1, who="Ada"))
    assert judge.done == []


def test_a_stop_beside_a_hung_follower_is_quiet(
    server: ControlServer, caplog: pytest.LogCaptureFixture
) -> None:
    with socket.socket(socket.AF_UNIX) as hung:
        hung.connect(str(server.path))
        hung.sendall(request_line(Follow()))
        assert hung.recv(100)
        server.stop()
    assert [record.getMessage() for record in caplog.records if record.name == "asyncio"] == []


@pytest.mark.asyncio
async def test_followers_get_every_new_picture(server: ControlServer) -> None:
    clients = [ControlClient(server.path).snapshots() for _ in range(3)]
    for second in range(3):
        server.publish(_picture(float(second)))
        for client in clients:
            async with asyncio.timeout(5):
                assert await anext(client) == _picture(float(second))
    for client in clients:
        await client.aclose()


@pytest.mark.asyncio
async def test_socket_of_another_user_is_not_believed(
    server: ControlServer, judge: _Judge, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tankwatch.control.client.peer_uid", lambda _: 54_321)
    client = ControlClient(server.path)
    with pytest.raises(ControlError, match="user 54321 answers there"):
        client.request(Acknowledge(alarm_id=1, who="Ada"))
    with pytest.raises(ControlError, match="user 54321 answers there"):
        await client.acknowledge(1, "Ada")
    with pytest.raises(ControlError, match="user 54321 answers there"):
        await anext(client.snapshots())
    assert judge.done == []


@pytest.mark.asyncio
async def test_actions_reach_the_judge_in_order(server: ControlServer, judge: _Judge) -> None:
    client = ControlClient(server.path)
    await client.mark("t01", ServiceMark.WATER_OUT, "Ada")
    await client.acknowledge(7, "Ada")
    await client.log(None, "note", "ünïcode [/] \x1b[31m stays as it is", "Ada")
    assert judge.done == [
        Mark(tank="t01", mark=ServiceMark.WATER_OUT, who="Ada"),
        Acknowledge(alarm_id=7, who="Ada"),
        Note(tank=None, kind="note", text="ünïcode [/] \x1b[31m stays as it is", who="Ada"),
    ]


@pytest.mark.asyncio
async def test_refusal_of_the_judge_is_passed_on(server: ControlServer) -> None:
    with pytest.raises(ControlError, match="no alarm 404 stands"):
        await ControlClient(server.path).acknowledge(404, "Ada")
    with pytest.raises(ControlError, match="no alarm 404 stands"):
        ControlClient(server.path).request(Acknowledge(alarm_id=404, who="Ada"))


@pytest.mark.asyncio
async def test_what_cannot_be_sent_is_told_before_it_is_sent(server: ControlServer, judge: _Judge) -> None:
    with pytest.raises(ControlError, match="who"):
        await ControlClient(server.path).acknowledge(1, "")
    assert judge.done == []


@pytest.mark.asyncio
async def test_no_watch_says_how_to_start_one(tmp_path: Path) -> None:
    client = ControlClient(tmp_path / "none.sock")
    with pytest.raises(ControlError, match="tankwatch watch"):
        await anext(client.snapshots())
    with pytest.raises(ControlError, match="tankwatch watch"):
        await client.acknowledge(1, "Ada")
    with pytest.raises(ControlError, match="tankwatch watch"):
        client.request(Look())


@pytest.mark.asyncio
async def test_end_of_the_watch_ends_the_pictures(server: ControlServer) -> None:
    pictures = ControlClient(server.path).snapshots()
    server.publish(_picture(1.0))
    await anext(pictures)
    server.stop()
    with pytest.raises(ControlError, match=r"stopped|broke"):
        await anext(pictures)


def test_slow_client_never_blocks_and_then_gets_the_newest(server: ControlServer) -> None:
    """A follower that reads nothing while 200 pictures of 300 tanks pass by."""
    with socket.socket(socket.AF_UNIX) as slow:
        slow.connect(str(server.path))
        slow.sendall(b'{"v":1,"do":"follow"}\n')
        started = time.monotonic()
        for second in range(200):
            server.publish(_picture(float(second), tanks=300))
        published_in_s = time.monotonic() - started
        brisk = ControlClient(server.path)
        newest = brisk.request(Look())
        assert newest is not None
        assert newest.time_s == 199.0
        assert published_in_s < 1.0  # nothing waited for the slow one: its 10 MB were never sent
        slow.settimeout(5)
        times: list[float] = []
        with slow.makefile("rb") as stream:
            assert json.loads(stream.readline()) == {"v": 1, "ok": True}
            while not times or times[-1] < 199.0:
                times.append(json.loads(stream.readline())["snapshot"]["time_s"])
    assert len(times) < 20
    assert times == sorted(times)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        (b"not json\n", "not a request"),
        (b'{"v":2,"do":"look"}\n', "speaks version 1"),
        (b'{"v":1,"do":"dance"}\n', "not a request"),
        (b'{"v":1,"do":"mark","tank":"t01","mark":"swim","who":"Ada"}\n', "water-out"),
        (b'{"v":1,"do":"acknowledge","alarm_id":1,"who":"Ada","extra":1}\n', "extra"),
        (b"\xff\xfe\n", "not a request"),
        (b"x" * (MAX_REQUEST_BYTES + 1) + b"\n", "at most"),
    ],
)
def test_bad_lines_are_answered_and_change_nothing(
    server: ControlServer, judge: _Judge, line: bytes, told: str
) -> None:
    with socket.socket(socket.AF_UNIX) as client:
        client.settimeout(5)
        client.connect(str(server.path))
        client.sendall(line)
        with client.makefile("rb") as stream:
            reply = json.loads(stream.readline())
    assert reply["ok"] is False
    assert told in reply["error"]
    assert judge.done == []


def test_half_a_request_is_not_carried_out(server: ControlServer, judge: _Judge) -> None:
    with socket.socket(socket.AF_UNIX) as client:
        client.connect(str(server.path))
        client.sendall(b'{"v":1,"do":"acknowledge","alarm_id":1,"who":"Ada"}')
        client.shutdown(socket.SHUT_WR)
        client.settimeout(5)
        assert client.recv(1000) == b""
    assert judge.done == []


def test_client_that_vanishes_leaves_no_trace(server: ControlServer) -> None:
    threads = threading.active_count()
    for _ in range(50):
        with socket.socket(socket.AF_UNIX) as client:
            client.connect(str(server.path))
            client.sendall(b'{"v":1,"do":"follow"}\n')
    server.publish(_picture(1.0))

    def is_served() -> bool:
        with contextlib.suppress(ControlError):  # the places may all be taken until the server has looked
            return ControlClient(server.path).request(Look()) == _picture(1.0)
        return False

    _until(is_served)
    _until(lambda: not server._clients)
    assert threading.active_count() == threads


def test_watch_may_end_at_any_moment(tmp_path: Path, judge: _Judge) -> None:
    """Connections opened as the socket closes are closed too; an unclosed one would warn."""
    for number in range(10):
        server = ControlServer(tmp_path / "run" / f"{number}.sock", judge.carry)
        server.start()
        clients = [socket.socket(socket.AF_UNIX) for _ in range(10)]
        for client in clients:
            client.connect(str(server.path))
        server.stop()
        for client in clients:
            client.settimeout(5)
            with contextlib.suppress(ConnectionResetError):
                assert client.recv(1) == b""
            client.close()
