"""The guard: watches the judge from another thread, so that a judge that stands still is told of.

A screen must never go on showing the last good picture. While the judge stands still, the guard publishes
that picture anew each second with every value marked stale and the alarm `watch-stalled` on top.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import replace

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority
from tankwatch.clock import Clock
from tankwatch.snapshot import RoomSnapshot, TankSnapshot

log = logging.getLogger(__name__)

ROUND_S = 1.0


class Guard:
    """Looks at the judge once a second and stands in for it when it stops, or runs but draws no picture."""

    def __init__(
        self,
        heartbeat: Callable[[], float],
        publish: Callable[[RoomSnapshot], None],
        clock: Clock,
        *,
        stalled_after_s: float,
    ) -> None:
        """Watch `heartbeat`, a monotonic time in seconds; pictures go to `publish`."""
        self._heartbeat = heartbeat
        self._publish = publish
        self._clock = clock
        self._stalled_after_s = stalled_after_s
        self._last: RoomSnapshot | None = None
        self._last_at_s = clock.monotonic_s()
        self._stalled_since_s: float | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="guard", daemon=True)

    def pass_on(self, snapshot: RoomSnapshot) -> None:
        """Publish the judge's picture, and remember it for when the judge fails."""
        self._last_at_s = self._clock.monotonic_s()
        self._last = snapshot
        self._publish(snapshot)

    def start(self) -> None:
        """Begin to watch."""
        self._thread.start()

    def stop(self) -> None:
        """Stop watching."""
        self._stop.set()
        self._thread.join(ROUND_S * 2)

    def _run(self) -> None:
        while not self._stop.wait(ROUND_S):
            self.look()

    def look(self) -> None:
        """Look at the judge once."""
        silent_s = self._clock.monotonic_s() - min(self._heartbeat(), self._last_at_s)
        if silent_s < self._stalled_after_s:
            if self._stalled_since_s is not None:
                log.warning("the judge goes on")
            self._stalled_since_s = None
            return
        if self._stalled_since_s is None:
            self._stalled_since_s = self._clock.wall_s()
            log.critical("the judge has not come round or drawn a picture for %.0f s", silent_s)
        if self._last is not None:
            self._publish(self._picture_of_a_stall(self._last, silent_s))

    def _picture_of_a_stall(self, last: RoomSnapshot, silent_s: float) -> RoomSnapshot:
        now_s = self._clock.wall_s()
        alarm = Alarm(
            alarm_id=0,  # in no book: it cannot be acknowledged, since nobody is there to note it
            tank=None,
            condition=Condition.WATCH_STALLED,
            state=AlarmState.UNACKNOWLEDGED,
            priority=Priority.CRITICAL,
            since_s=now_s - silent_s,
            changed_s=now_s if self._stalled_since_s is None else self._stalled_since_s,
            message=f"the watch has stood still for {silent_s:.0f} s and judges nothing, or not rightly; "
            "look at its log file and start it again",
        )
        older_s = self._clock.monotonic_s() - self._last_at_s
        others = tuple(a for a in last.alarms if a.condition is not Condition.WATCH_STALLED)
        return replace(
            last,
            time_s=now_s,
            tanks=tuple(_aged(tank, older_s) for tank in last.tanks),
            alarms=(alarm, *others),
        )


def _aged(tank: TankSnapshot, older_s: float) -> TankSnapshot:
    """Return the picture of a tank with every value older and marked stale."""
    return replace(
        tank,
        values={
            name: replace(value, age_s=value.age_s + older_s, stale=True)
            for name, value in tank.values.items()
        },
    )
