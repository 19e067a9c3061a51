"""When a watch ran, and when nobody watched."""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tankwatch.clock import Clock

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, slots=True)
class WatchRun:
    """One run of the watch."""

    run_id: int
    start_s: float
    """Seconds since 1970 UTC."""
    end_s: float
    """When it ended, or when it last told that it lives."""
    boot_id: str
    """Same for all runs between two starts of the machine; empty where the system has none."""
    clean: bool
    """Ended by being stopped; otherwise it still runs, was killed, or lost power."""


STEP_S = 60.0
"""A wall clock that moves against the monotonic one by more than this was set: a new run begins."""


class RunKeeper:
    """Writes down that the watch lives, in a row of its own for each run.

    Used in the writer's thread, inside a transaction.
    """

    def __init__(self, clock: Clock) -> None:
        """Begin with no run."""
        self._clock = clock
        self._run_id: int | None = None
        self._offset_s = 0.0
        """Wall clock less monotonic clock when the run began."""

    def forget(self) -> None:
        """Begin a new run with the next sign of life."""
        self._run_id = None

    def tell_life(self, connection: sqlite3.Connection) -> None:
        """Note that the watch lives now."""
        now_s = self._clock.wall_s()
        offset_s = now_s - self._clock.monotonic_s()
        if self._run_id is not None and abs(offset_s - self._offset_s) <= STEP_S:
            touched = connection.execute("UPDATE run SET end_s = ? WHERE run_id = ?", (now_s, self._run_id))
            if touched.rowcount == 1:
                return
        self._offset_s = offset_s
        self._run_id = connection.execute(
            "INSERT INTO run (start_s, end_s, boot_id, clean) VALUES (?, ?, ?, 0)", (now_s, now_s, boot_id())
        ).lastrowid

    def end(self, connection: sqlite3.Connection) -> None:
        """Note that the run ends as it should."""
        self.tell_life(connection)
        connection.execute("UPDATE run SET clean = 1 WHERE run_id = ?", (self._run_id,))


def boot_id() -> str:
    """Return the kernel's name of this start of the machine, or an empty string."""
    try:
        return _BOOT_ID.read_text(encoding="utf-8").strip()
    except OSError:
        return ""


def run_of_row(row: Sequence[Any]) -> WatchRun:
    """Return the run in a row of its number, start, end, boot and whether it ended in order."""
    run_id, start_s, end_s, boot_id, clean = row
    return WatchRun(run_id, start_s, end_s, boot_id, bool(clean))


def blind_times(runs: Sequence[WatchRun], from_s: float, to_s: float) -> list[tuple[float, float]]:
    """Return the stretches between `from_s` and `to_s` in which no run watched, in time order."""
    blind = []
    seen_to_s = from_s
    for run in sorted(runs, key=lambda run: run.start_s):
        if run.start_s > seen_to_s and seen_to_s < to_s:
            blind.append((seen_to_s, min(run.start_s, to_s)))
        seen_to_s = max(seen_to_s, run.end_s)
    if seen_to_s < to_s:
        blind.append((seen_to_s, to_s))
    return blind
