"""A second user at the control socket: kept out by the modes, and by the kernel where they fail."""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest

from tankwatch.control.protocol import Acknowledge, Action, Look, request_line
from tankwatch.control.server import ControlServer
from tankwatch.snapshot import RoomSnapshot

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or os.geteuid() != 0, reason="becoming another user takes root, on Linux"
)

NOBODY = 65534
_VISITOR = """\
import os, socket, sys
os.setgroups([])
os.setgid(int(sys.argv[2]))
os.setuid(int(sys.argv[2]))
link = socket.socket(socket.AF_UNIX)
link.settimeout(10)
try:
    link.connect(sys.argv[1])
    link.sendall(sys.stdin.buffer.read())
    print(link.makefile().readline(), end="")
except OSError as error:
    print(type(error).__name__)
"""


class _Judge:
    def __init__(self) -> None:
        self.done: list[Action] = []

    def carry(self, action: Action) -> "Future[None]":
        self.done.append(action)
        future: Future[None] = Future()
        future.set_result(None)
        return future


@pytest.fixture
def judge() -> _Judge:
    return _Judge()


@pytest.fixture
def server(judge: _Judge) -> Iterator[ControlServer]:
    """A server whose folder stands where every user may look."""
    above = Path(tempfile.mkdtemp(prefix="tankwatch-"))
    above.chmod(0o755)
    server = ControlServer(above / "run" / "room.sock", judge.carry)
    server.start()
    server.publish(RoomSnapshot(time_s=1.0, room="Back room", timezone="Etc/UTC", started_s=0.0, tanks=()))
    try:
        yield server
    finally:
        server.stop()
        shutil.rmtree(above)


def _visit(server: ControlServer, uid: int, request: Look | Action) -> str:
    """Return what a process of `uid` gets: the answer, or the name of the error."""
    result = subprocess.run(
        [sys.executable, "-I", "-c", _VISITOR, str(server.path), str(uid)],
        input=request_line(request), capture_output=True, timeout=30, check=True,
    )  # fmt: skip
    return result.stdout.decode()


REQUESTS = (Look(), Acknowledge(alarm_id=1, who="Ada"))


@pytest.mark.parametrize("request_", REQUESTS)
def test_folder_and_socket_keep_another_user_out(
    server: ControlServer, judge: _Judge, request_: Look | Action
) -> None:
    assert json.loads(_visit(server, 0, request_))["ok"] is True
    judge.done.clear()
    assert _visit(server, NOBODY, request_) == "PermissionError\n"  # the folder
    server.path.parent.chmod(0o755)
    assert _visit(server, NOBODY, request_) == "PermissionError\n"  # the socket itself
    assert judge.done == []


@pytest.mark.parametrize("request_", REQUESTS)
def test_where_the_modes_are_loosened_the_kernel_tells_who_it_is(
    server: ControlServer, judge: _Judge, request_: Look | Action
) -> None:
    server.path.parent.chmod(0o755)
    server.path.chmod(0o666)
    answer = json.loads(_visit(server, NOBODY, request_))
    assert answer["ok"] is False
    assert answer["error"] == f"this watch belongs to user 0, not to user {NOBODY}"
    assert "snapshot" not in answer
    assert judge.done == []
