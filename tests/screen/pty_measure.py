"""Run the screen in a pseudo-terminal and measure what it sends and what it costs."""

import fcntl
import os
import pty
import select
import signal
import struct
import sys
import termios
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

PROGRAM = Path(__file__).with_name("screen_in_terminal.py")


@dataclass
class Measured:
    """What the screen did over a while."""

    bytes_per_s: float
    cpu_percent: float
    """Of one core, by the times of the process in /proc."""


class ScreenInTerminal:
    """A screen in a terminal of `columns` by `rows`: `command`, or the one on invented pictures."""

    def __init__(
        self,
        tanks: int,
        mode: str,
        columns: int,
        rows: int,
        *,
        command: Sequence[str] = (),
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self._size = struct.pack("HHHH", rows, columns, 0, 0)
        self._arguments = list(command) or [sys.executable, str(PROGRAM), str(tanks), mode]
        self._environment = dict(environment or {})
        self._pid = 0
        self._fd = -1

    @property
    def pid(self) -> int:
        """Number of its process."""
        return self._pid

    def __enter__(self) -> Self:
        self._pid, self._fd = pty.fork()
        if self._pid == 0:
            os.environ.update(TERM="xterm-256color", COLORTERM="truecolor", TEXTUAL_ANIMATIONS="none")
            for name in ("NO_COLOR", "SSH_CONNECTION", "SSH_TTY", "TEXTUAL_FPS"):
                os.environ.pop(name, None)
            os.environ.update(self._environment)
            # Readline sets these behind the back of os.environ, and they would win over the real size.
            os.unsetenv("COLUMNS")
            os.unsetenv("LINES")
            os.execv(self._arguments[0], self._arguments)  # noqa: S606
        fcntl.ioctl(self._fd, termios.TIOCSWINSZ, self._size)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.kill(self._pid, signal.SIGKILL)
        os.waitpid(self._pid, 0)
        os.close(self._fd)

    def read(self, seconds: float, until: bytes = b"") -> bytes:
        """Return what is sent within `seconds`, or up to the first sight of `until`."""
        out = b""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0 and not (until and until in out):
            ready, _, _ = select.select([self._fd], [], [], left)
            if ready:
                out += os.read(self._fd, 1 << 16)
        return out

    def bursts(self, seconds: float, calm_s: float = 0.15) -> list[tuple[float, bytes]]:
        """Return what is sent within `seconds` in bursts, each with when it began; `calm_s` parts them."""
        begin_s = time.monotonic()
        found: list[tuple[float, bytes]] = []
        last_s = float("-inf")
        while (now_s := time.monotonic()) < begin_s + seconds:
            if not select.select([self._fd], [], [], begin_s + seconds - now_s)[0]:
                break
            sent, at_s = os.read(self._fd, 1 << 16), time.monotonic() - begin_s
            if at_s - last_s > calm_s:
                found.append((at_s, sent))
            else:
                found[-1] = (found[-1][0], found[-1][1] + sent)
            last_s = at_s
        return found

    def press(self, key: bytes) -> float:
        """Press a key and return the seconds until something is painted."""
        start = time.monotonic()
        os.write(self._fd, key)
        select.select([self._fd], [], [], 3)
        return time.monotonic() - start

    def measure(self, seconds: float) -> Measured:
        """Watch for `seconds`."""
        before = self._cpu_s()
        sent = len(self.read(seconds))
        return Measured(sent / seconds, 100 * (self._cpu_s() - before) / seconds)

    @property
    def memory_kb(self) -> int:
        """Resident memory."""
        for line in Path(f"/proc/{self._pid}/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1])
        raise RuntimeError("the screen has ended")

    def _cpu_s(self) -> float:
        fields = Path(f"/proc/{self._pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
