"""One named thread per source: restarted with growing pauses, judged by its beats on the monotonic clock."""

import logging
import threading
from collections import deque

from tankwatch.clock import Clock
from tankwatch.errors import TankwatchError
from tankwatch.snapshot import SourceSnapshot
from tankwatch.sources.base import Link, Source, Standing
from tankwatch.sources.inbox import Inbox

log = logging.getLogger(__name__)

FIRST_PAUSE_S = 0.25
STEADY_AFTER_S = 10.0
"""A connection that held so long makes the next pause short again."""
UNSTEADY_CUTS, UNSTEADY_S = 4, 120.0
"""Cut off so often within this time a source counts as lost, though it is connected in between: what it
brings has holes, and each cut alone is too short to be told."""
HOLDS_AFTER_S = 30.0
"""A connection that held so long is steady again, however often it was cut before."""
STALLED_AFTER_S = 30.0
"""Without a beat for so long a source counts as lost: its thread hangs."""


class Supervisor:
    """Keeps one source running and tells how it does."""

    def __init__(
        self,
        source: Source,
        inbox: Inbox,
        clock: Clock,
        *,
        lost_after_s: float,
        stalled_after_s: float = STALLED_AFTER_S,
        first_pause_s: float = FIRST_PAUSE_S,
    ) -> None:
        """Prepare; nothing runs before `start`."""
        self._first_pause_s = first_pause_s
        self._source = source
        self._inbox = inbox
        self._clock = clock
        self._lost_after_s = lost_after_s
        self._stalled_after_s = stalled_after_s
        self._link = Link(source.source_id, inbox, clock)
        self._thread: threading.Thread | None = None
        self._restarts = 0
        self._cuts: deque[float] = deque(maxlen=UNSTEADY_CUTS)
        """When a connection was cut off, monotonic, s."""
        self._cut_because = ""
        self._closed = False

    def start(self) -> None:
        """Start the source's thread."""
        if self._closed or self._thread is not None:
            raise RuntimeError(f"source {self._source.source_id} was started before")
        self._thread = threading.Thread(
            target=self._keep_running, name=f"source {self._source.source_id}", daemon=True
        )
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Tell the thread to end, without waiting."""
        if not self._closed:
            self._link.stop()

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread to end, at most `timeout_s` seconds; return whether it has."""
        if self._thread is not None:
            self._thread.join(timeout_s)
            if self._thread.is_alive():
                return False
        if not self._closed:
            self._closed = True
            self._link.close()
        return True

    def _keep_running(self) -> None:
        source, link = self._source, self._link
        pause_s = self._first_pause_s
        while not link.stopping:
            try:
                source.run(link)
                trouble = "ended by itself"
            except TankwatchError as error:
                trouble = str(error)
            except Exception as error:
                log.exception("source %s failed in a way that was not foreseen", source.source_id)
                trouble = f"{type(error).__name__}: {error}"
            if link.stopping:
                break
            before = link.standing()
            if before.connected and self._clock.monotonic_s() - before.changed_s >= STEADY_AFTER_S:
                pause_s = self._first_pause_s
            if before.connected or before.detail != trouble:
                log.warning("source %s: %s", source.source_id, trouble)
            if before.connected:
                self._cut_because = trouble
                self._cuts.append(self._clock.monotonic_s())
            link.disconnected(trouble)
            link.wait(pause_s)
            pause_s = min(pause_s * 2, source.retry_at_most_s)
            self._restarts += 1
            link.beat()

    def _is_unsteady(self, standing: Standing, now_s: float) -> bool:
        if len(self._cuts) < UNSTEADY_CUTS or now_s - self._cuts[0] > UNSTEADY_S:
            return False
        return not (standing.connected and now_s - standing.changed_s > HOLDS_AFTER_S)

    def health(self) -> SourceSnapshot:
        """Return how the source does now."""
        standing = self._link.standing()
        now_s = self._clock.monotonic_s()
        address = self._source.address
        thread = self._thread
        if thread is None or (self._link.stopping and not thread.is_alive()):
            state, detail = "stopped", address
        elif not thread.is_alive():
            state, detail = "lost", f"{address}: its thread has died; restart the watch"
        elif now_s - standing.beat_s > self._stalled_after_s:
            state, detail = "lost", f"{address}: hangs, no sign of life for {now_s - standing.beat_s:.0f} s"
        elif self._is_unsteady(standing, now_s):
            state = "lost"
            detail = (
                f"{address}: the connection does not hold, cut {UNSTEADY_CUTS} times in "
                f"{UNSTEADY_S / 60.0:.0f} minutes: {self._cut_because}"
            )
        elif standing.connected:
            state, detail = "connected", standing.detail
        else:
            lost = now_s - standing.changed_s >= self._lost_after_s
            state, detail = ("lost" if lost else "connecting"), standing.detail or address
        return SourceSnapshot(
            source_id=self._source.source_id,
            kind=self._source.kind,
            state=state,
            detail=detail,
            last_heard_age_s=None if standing.heard_s is None else now_s - standing.heard_s,
            received=standing.received,
            accepted=standing.accepted,
            refused=dict(standing.refused),
            dropped=self._inbox.dropped(self._source.source_id),
            restarts=self._restarts,
            last_refused=standing.last_refused,
        )
