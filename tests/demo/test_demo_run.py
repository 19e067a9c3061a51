"""The demo as a user starts it, without its screen."""

import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import wait_until

from tankwatch.demo.broker import DemoBroker
from tankwatch.errors import TankwatchError


@pytest.fixture
def environment() -> Iterator[dict[str, str]]:
    """An environment whose temporary, runtime and home folders can be looked into afterwards."""
    with tempfile.TemporaryDirectory(prefix="tw-") as short:  # short enough for a socket to lie in it
        folders = {name: Path(short) / name for name in ("TMPDIR", "XDG_RUNTIME_DIR", "HOME")}
        for folder in folders.values():
            folder.mkdir(mode=0o700)
        yield {**os.environ, **{name: str(folder) for name, folder in folders.items()}}


def _left_behind(environment: dict[str, str]) -> list[Path]:
    return [
        path for name in ("TMPDIR", "XDG_RUNTIME_DIR", "HOME") for path in Path(environment[name]).iterdir()
    ]


def test_headless_demo_shows_the_night_and_leaves_nothing(environment: dict[str, str]) -> None:
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "tankwatch", "demo", "--headless", "--tanks", "3", "--for", "1s"],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert time.monotonic() - began < 45
    alarms = [line for line in done.stdout.splitlines() if "heater-stuck-on" in line]
    assert alarms
    assert "t03" in alarms[0]
    last = done.stdout.splitlines()[-3:]
    assert [line.split()[0] for line in last] == ["t01", "t02", "t03"]
    assert all("temperature 2" in line for line in last)
    assert "Traceback" not in done.stderr
    assert _left_behind(environment) == []


def test_interrupted_demo_cleans_up(environment: dict[str, str]) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "tankwatch", "demo", "--headless", "--tanks", "1"],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline()  # the first alarm is printed: everything runs
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 130, err
    assert _left_behind(environment) == []


def test_watch_of_a_killed_demo_ends_by_itself(environment: dict[str, str]) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "tankwatch", "demo", "--headless", "--tanks", "1"],
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline()
    (folder,) = Path(environment["TMPDIR"]).glob("tankwatch-demo-*")
    (control,) = (folder / "tankwatch").glob("*.sock")
    process.kill()
    process.communicate(timeout=10)
    wait_until(lambda: not control.exists(), "the watch to end after its parent")


def test_broker_listens_on_loopback_only() -> None:
    broker = DemoBroker()
    broker.start()
    try:
        with socket.create_connection(("127.0.0.1", broker.port), timeout=5) as client:
            client.shutdown(socket.SHUT_WR)
            assert client.recv(1) == b""  # it hangs up on whoever says nothing
        for address in _own_addresses():
            with pytest.raises(OSError, match=r"refused|timed out|unreachable"):
                socket.create_connection((address, broker.port), timeout=2).close()
    finally:
        broker.stop()


def _own_addresses() -> set[str]:
    """Return the addresses of this machine that are not loopback."""
    try:
        found = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
    except OSError:
        return set()
    return {str(entry[4][0]) for entry in found if not str(entry[4][0]).startswith("127.")}


def test_missing_broker_package_is_told_with_the_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(TankwatchError, match=r"pip install 'tankwatch\[demo\]'"):
        DemoBroker().start()
