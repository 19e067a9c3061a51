"""Forwarding in a thread of its own: whatever the central store does, judge and writer never wait for it."""

import logging
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tankwatch.clock import Clock
from tankwatch.errors import StoreError
from tankwatch.snapshot import ForwardSnapshot
from tankwatch.store.postgres.connection import connect
from tankwatch.store.postgres.forward import Forwarder
from tankwatch.store.postgres.schema import migrate

if TYPE_CHECKING:
    import psycopg

log = logging.getLogger(__name__)

RETRY_S = 30.0
"""Between two attempts while the central store does not answer."""
BEHIND_S = 900.0
"""The log says once that forwarding is behind when it is so for longer."""


class ForwardThread:
    """Forwards the store at `path` as `room` to the store at `url`, again and again."""

    def __init__(
        self,
        path: Path,
        url: str,
        room: str,
        clock: Clock,
        *,
        rows_per_s: float,
        every_s: float,
        password_file: Path | None = None,
    ) -> None:
        """Prepare; nothing is opened yet."""
        self._path, self._url, self._room, self._clock = path, url, room, clock
        self._password_file = password_file
        self._rows_per_s, self._every_s = rows_per_s, every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="forward", daemon=True)
        self._all_there_s = clock.monotonic_s()
        self._rows = 0
        self._error = ""
        self._told = False

    def start(self) -> None:
        """Begin to forward; returns at once."""
        self._thread.start()

    def stop(self, timeout_s: float) -> None:
        """Ask the thread to end and wait for it at most so long; what is not sent goes at the next start."""
        self._stop.set()
        self._thread.join(timeout_s)

    def health(self) -> ForwardSnapshot:
        """Return how forwarding fares; may be called from any thread.

        It is behind from the start until all was there for the first time; a row sent again counts again.
        """
        behind_s = self._clock.monotonic_s() - self._all_there_s
        return ForwardSnapshot(self._url, behind_s, self._rows, self._error)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                with connect(self._url, password_file=self._password_file) as connection:
                    migrate(connection)
                    # Until the server has answered again, what it has is not known: begin anew.
                    self._forward(connection, Forwarder(self._path, self._room, self._clock))
            except StoreError as error:
                self._fail(str(error))
            except Exception as error:
                log.exception("forwarding failed and is tried again")
                self._fail(f"{type(error).__name__}: {error}")
            self._stop.wait(RETRY_S if self._error else 0.0)

    def _forward(self, connection: "psycopg.Connection[tuple[Any, ...]]", forwarder: Forwarder) -> None:
        while not self._stop.is_set():
            rows = forwarder.forward_once(connection)
            self._rows += rows
            if self._error:
                log.info("forwarding works again")
            self._error = ""
            if rows:
                self._tell_if_behind()
                self._stop.wait(rows / self._rows_per_s)
            else:
                self._all_there_s, self._told = self._clock.monotonic_s(), False
                self._stop.wait(self._every_s)

    def _fail(self, text: str) -> None:
        if text != self._error:
            log.warning("forwarding: %s", text)
        self._error = text
        self._tell_if_behind()

    def _tell_if_behind(self) -> None:
        behind_s = self.health().behind_s
        if behind_s > BEHIND_S and not self._told:
            self._told = True
            log.warning("forwarding is %.0f min behind; the store of this room has everything", behind_s / 60)
