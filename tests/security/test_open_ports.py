"""A running watch is reached by its Unix socket alone: it listens on no port of the network."""

import os
import re
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from conftest import MosquittoBroker, wait_until

from tankwatch.config import load
from tankwatch.control.path import socket_path
from tankwatch.demo.broker import DemoBroker

pytestmark = pytest.mark.skipif(not Path("/proc/net/tcp").exists(), reason="this system has no /proc/net")

LISTENS = "0A"
"""State of a listening TCP socket in /proc/net/tcp (include/net/tcp_states.h of Linux: TCP_LISTEN = 10)."""


def _inodes(pid: int) -> set[str]:
    """Return the numbers of all sockets that the process holds."""
    links = []
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        try:
            links.append(os.readlink(entry))
        except OSError:  # closed meanwhile
            continue
    return {match.group(1) for link in links if (match := re.fullmatch(r"socket:\[(\d+)\]", link))}


def open_ports(pid: int) -> list[str]:
    """Return the local addresses at which the process takes connections or packets from anybody."""
    own, found = _inodes(pid), []
    for protocol in ("tcp", "tcp6", "udp", "udp6"):
        table = Path(f"/proc/net/{protocol}")
        for row in table.read_text().splitlines()[1:] if table.exists() else ():
            cells = row.split()
            # A UDP socket without a peer takes packets from anybody.
            waits = cells[3] == LISTENS if protocol.startswith("tcp") else set(cells[2]) <= set("0:")
            if waits and cells[9] in own:
                found.append(f"{protocol} {cells[1]}")
    return found


@contextmanager
def _watching(path: Path) -> Iterator["subprocess.Popen[bytes]"]:
    old = os.umask(0)  # the least careful of accounts
    try:
        with (path.parent / "watch.out").open("ab") as out:
            command = [sys.executable, "-m", "tankwatch", "watch", str(path)]
            process = subprocess.Popen(command, stdout=out, stderr=out)
    finally:
        os.umask(old)
    try:
        yield process
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.wait()


def test_a_watch_listens_on_no_port_and_its_files_are_for_nobody_else_to_write(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, own_runtime_folder: None
) -> None:
    path = tmp_path / "tankwatch.toml"
    path.write_text(
        '[room]\nname = "Back room"\n[store]\npath = "room.db"\n'
        f'[[source]]\nid = "broker"\nkind = "mqtt"\nport = {mosquitto_broker.port}\n'
        '[[tank]]\nid = "t01"\nvolume_l = 120.0\nsetpoint_c = 25.0\n'
        '[[tank.channel]]\nkind = "temperature"\nsource = "broker"\ntopic = "fish/t01"\ndecode = "number"\n'
        '[[person]]\nid = "sam"\nways = ["bell"]\n'
        '[[way]]\nid = "bell"\nkind = "command"\ncommand = ["/bin/true"]\n'
    )
    with _watching(path) as process:
        log = mosquitto_broker.folder / "mosquitto.log"
        wait_until(lambda: "as tankwatch-" in log.read_text(), "the watch at the broker", 20.0)
        control = socket_path(load(path))
        wait_until(control.exists, "the control socket")
        wait_until((tmp_path / "room.db.key").exists, "the key")
        assert len(_inodes(process.pid)) >= 2, "its connection to the broker and its control socket"
        assert open_ports(process.pid) == []
        modes = {entry.name: stat.S_IMODE(entry.stat().st_mode) for entry in tmp_path.glob("room.*")}
        assert {"room.db", "room.db-wal", "room.db.lock", "room.db.key", "room.log"} <= set(modes)
        assert {name: oct(mode) for name, mode in modes.items() if mode & 0o022} == {}
        private = {modes[name] for name in ("room.db", "room.db-wal", "room.db.key")}
        assert private == {0o600}
        assert stat.S_IMODE(control.stat().st_mode) == 0o600
        assert stat.S_IMODE(control.parent.stat().st_mode) == 0o700


def test_the_look_at_open_ports_sees_one() -> None:
    """The demo's broker is the one part that listens, and on loopback only: 0100007F is 127.0.0.1."""
    broker = DemoBroker()
    broker.start()
    try:
        found = open_ports(os.getpid())
        assert f"tcp 0100007F:{broker.port:04X}" in found
        assert [
            place for place in found if place.endswith(f":{broker.port:04X}") and "0100007F" not in place
        ] == []
    finally:
        broker.stop()
