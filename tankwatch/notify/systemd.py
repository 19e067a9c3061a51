"""The notify protocol of systemd: a few datagrams to the socket named in the environment (sd_notify(3)).

Other supervisors that speak it are served as well; without the socket nothing happens.
"""

import logging
import os
import socket

log = logging.getLogger(__name__)


class Supervisor:
    """Tells whoever supervises the watch that it is ready, alive or stopping."""

    def __init__(self, environment: dict[str, str] | None = None) -> None:
        """Read NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID of `environment`, or the process's own."""
        known = dict(os.environ) if environment is None else environment
        address = known.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._told_fault = False
        self.watchdog_s: float | None = None
        """The supervisor acts when it hears nothing for this many seconds; None: it does not watch."""
        pid = known.get("WATCHDOG_PID")
        usec = known.get("WATCHDOG_USEC", "")
        if self._address and usec.isdigit() and int(usec) > 0 and (pid is None or pid == str(os.getpid())):
            self.watchdog_s = int(usec) / 1e6

    def ready(self, status: str) -> None:
        """Say that the watch is up, and what it does in a line."""
        self._send(f"READY=1\nSTATUS={_one_line(status)}")

    def alive(self) -> None:
        """Say that the watch lives."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that the watch is stopping as it should."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.settimeout(1.0)
                sender.sendto(text.encode(), self._address)
        except OSError as error:
            if not self._told_fault:
                self._told_fault = True
                log.warning("the supervisor's socket cannot be reached: %s", error)


def _one_line(text: str) -> str:
    return " ".join(text.split())
