"""A link that misbehaves at a word: between a watch and its broker, or any server on loopback."""

import selectors
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

_CHUNK = 4096


class Proxy:
    """Passes bytes both ways, until told to be something else.

    `mode`: "pass"; "swallow" (half-open: takes bytes and passes none, closes nothing); "refuse" (closes each
    connection at once); "slow" (some bytes at a time, `delay_s` apart).
    """

    def __init__(self, port: int) -> None:
        """Lead to `port` on loopback; `self.port` is where to connect."""
        self.mode = "pass"
        self.delay_s = 0.005
        self.slow_bytes = 48
        self.connections = 0
        self._target = port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])
        self._over = threading.Event()
        self._threads: list[threading.Thread] = []
        self._begin(self._accept)

    def close(self) -> None:
        """End every connection."""
        self._over.set()
        for thread in self._threads:
            thread.join(10)
        self._server.close()

    def _begin(self, work: object, *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments, daemon=True)  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        self._server.settimeout(0.05)
        while not self._over.is_set():
            try:
                ours, _ = self._server.accept()
            except TimeoutError:
                continue
            self.connections += 1
            if self.mode == "refuse":
                ours.close()
                continue
            try:
                theirs = socket.create_connection(("127.0.0.1", self._target), timeout=2)
            except OSError:
                ours.close()
                continue
            self._begin(self._carry, ours, theirs)

    def _carry(self, ours: socket.socket, theirs: socket.socket) -> None:
        ends = {ours: theirs, theirs: ours}
        with ours, theirs, selectors.DefaultSelector() as selector:
            for one in ends:
                selector.register(one, selectors.EVENT_READ, one)
            while not self._over.is_set() and self.mode != "refuse" and selector.get_map():
                for key, _ in selector.select(0.05):
                    end: socket.socket = key.data
                    try:
                        data = end.recv(self.slow_bytes if self.mode == "slow" else _CHUNK)
                        if not data and self.mode == "swallow":
                            selector.unregister(end)  # the other end hears nothing of it
                            continue
                        if not data:
                            return
                        if self.mode == "slow":
                            time.sleep(self.delay_s)
                        if self.mode != "swallow":
                            ends[end].sendall(data)
                    except OSError:
                        return


@contextmanager
def proxy(port: int) -> Iterator[Proxy]:
    """Yield a link to `port`."""
    link = Proxy(port)
    try:
        yield link
    finally:
        link.close()
