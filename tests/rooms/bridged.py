"""Two brokers as the examples describe them, bridged over a link that a test can cut."""

import re
import select
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from conftest import free_port, need_program, wait_until

CONFIGS = Path(__file__).parent.parent.parent / "configs" / "rooms"
PASSWORDS = {
    "watch": "w",
    "t01": "p",
    "centre": "c",
    "looker": "l",
    "back-room": "the-password-of-this-room",
    "cellar": "x",
}


class CuttableLink:
    """Forwards TCP connections on loopback; while it is cut there are none, and none comes about."""

    def __init__(self, target_port: int) -> None:
        self._target_port = target_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.is_cut = False
        self.bytes_back = 0
        """Bytes that came from the target."""
        self._pairs: set[tuple[socket.socket, socket.socket]] = set()
        self._ends = False
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while not self._ends:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self.is_cut:
                near.close()
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self._target_port), timeout=5)
            except OSError:
                near.close()
                continue
            self._pairs.add((near, far))
            threading.Thread(target=self._forward, args=(near, far), daemon=True).start()

    def _forward(self, near: socket.socket, far: socket.socket) -> None:
        other = {near: far, far: near}
        try:
            while True:
                for ready in select.select([near, far], [], [], 1.0)[0]:
                    data = ready.recv(65_536)
                    if not data:
                        return
                    other[ready].sendall(data)
                    if ready is far:
                        self.bytes_back += len(data)
        except (OSError, ValueError):
            return
        finally:
            self._pairs.discard((near, far))
            near.close()
            far.close()

    def cut(self) -> None:
        """Break what is connected, and let nothing through."""
        self.is_cut = True
        for pair in list(self._pairs):
            for sock in pair:
                try:
                    sock.shutdown(socket.SHUT_RDWR)
                except OSError:
                    continue

    def mend(self) -> None:
        """Let connections through again."""
        self.is_cut = False

    def close(self) -> None:
        self._ends = True
        self.cut()
        self._listener.close()


@dataclass
class Broker:
    """A mosquitto run from one of the example files."""

    folder: Path
    port: int
    replaced: dict[str, str] = field(default_factory=dict)
    _process: subprocess.Popen[bytes] | None = None

    def start(self, example: str) -> None:
        text = (CONFIGS / example).read_text()
        for pattern, by in self.replaced.items():
            text, count = re.subn(pattern, by, text, flags=re.MULTILINE)
            assert count, f"{example} has nothing like {pattern}"
        (self.folder / example).write_text("user root\n" + text)
        for name in ("edge_access", "centre_access"):
            (self.folder / name).write_bytes((CONFIGS / name).read_bytes())
            (self.folder / name).chmod(0o600)
        with (self.folder / f"{example}.log").open("ab") as log:
            self._process = subprocess.Popen(
                [need_program("mosquitto"), "-c", example], cwd=self.folder, stdout=log, stderr=log
            )
        wait_until(lambda: _accepts(self.port), f"the broker of {example}")

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None


def _accepts(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return False
    return True


@dataclass
class Bridged:
    """The broker of a room, the broker of the centre, and the link between them."""

    edge: Broker
    centre: Broker
    link: CuttableLink

    def stop(self) -> None:
        self.link.close()
        self.edge.kill()
        self.centre.kill()


def start_bridged(folder: Path, certificates: Path) -> Bridged:
    """Start both from the examples; only addresses and ports differ."""
    need_program("mosquitto")
    folder.mkdir(exist_ok=True)
    for name in ("edge_passwords", "centre_passwords"):
        path = folder / name
        path.touch(mode=0o600)
        for user, password in PASSWORDS.items():
            tool = need_program("mosquitto_passwd")
            subprocess.run([tool, "-b", str(path), user, password], check=True, capture_output=True)
    copies = {"centre.crt": "broker.crt", "centre.key": "broker.key", "centre_ca.crt": "ca.crt"}
    for name, file in copies.items():
        (folder / name).write_bytes((certificates / file).read_bytes())
    centre_port, bridge_port = free_port(), free_port()
    centre = Broker(
        folder,
        centre_port,
        {
            "^listener 1883 ": f"listener {centre_port} ",
            "^listener 8883$": f"listener {bridge_port} 127.0.0.1",
            "^persistence true": "",
        },
    )
    centre.start("centre_mosquitto.conf")
    link = CuttableLink(bridge_port)
    edge_port = free_port()
    edge = Broker(
        folder,
        edge_port,
        {
            "^listener 1883 ": f"listener {edge_port} ",
            "^address .*": f"address 127.0.0.1:{link.port}",
            "^persistence true": "",
            "^restart_timeout .*": "restart_timeout 1",
        },
    )
    edge.start("edge_mosquitto.conf")
    return Bridged(edge, centre, link)


def held(is_so: Callable[[], bool], seconds: float) -> bool:
    """Tell whether `is_so` stays true for so long: for what must not happen."""
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        if not is_so():
            return False
        time.sleep(0.02)
    return True
