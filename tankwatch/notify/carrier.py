"""A carrier: the thread that brings messages to one way, and tries again until they are taken.

Each way has its own, so that a server that is down or slow holds up nobody else.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass

from tankwatch.clock import Clock
from tankwatch.errors import DeliveryError
from tankwatch.notify.masking import mask_secrets
from tankwatch.notify.message import Message
from tankwatch.notify.way import Way

log = logging.getLogger(__name__)

RETRY_FIRST_S = 5.0
RETRY_LAST_S = 300.0
"""Pauses between attempts: doubled from the first to the last."""

Settle = Callable[[str, str, str, int, str], None]
"""Called with message id, way, state (`sent`, `waiting`, `given up`), attempts, reason of a failure."""


@dataclass(slots=True)
class _Waiting:
    message: Message
    attempts: int = 0


class Carrier:
    """Sends the most urgent message first, then the oldest; `put` may be called from any thread."""

    def __init__(
        self,
        way: Way,
        settle: Settle,
        clock: Clock,
        *,
        give_up_after_s: float,
        retry_first_s: float = RETRY_FIRST_S,
    ) -> None:
        """Carry by `way`; nothing is sent before `start`."""
        self.way = way
        self._settle = settle
        self._clock = clock
        self._give_up_after_s = give_up_after_s
        self._retry_first_s = retry_first_s
        self._pause_s = retry_first_s
        self._news = threading.Condition()
        self._waiting: dict[str, _Waiting] = {}
        self._stopping = False
        self._not_before_s = float("-inf")
        way.on_ready = self.hurry
        self._thread = threading.Thread(target=self._run, name=f"way-{way.way_id}", daemon=True)

    def put(self, message: Message, attempts: int = 0) -> None:
        """Have `message` sent; one that waits already is not doubled."""
        with self._news:
            self._waiting.setdefault(message.message_id, _Waiting(message, attempts))
            # The trouble of an hour ago may be over: what is new is tried soon.
            soon_s = self._clock.monotonic_s() + self._retry_first_s
            self._not_before_s = min(self._not_before_s, soon_s)
            self._news.notify_all()

    def hurry(self) -> None:
        """Try now what waits; may be called from any thread."""
        with self._news:
            self._not_before_s = float("-inf")
            self._pause_s = self._retry_first_s
            self._news.notify_all()

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def stop(self, timeout_s: float) -> None:
        """Stop after the message in hand; what waits stays in the outbox."""
        with self._news:
            self._stopping = True
            self._news.notify_all()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while True:
            waiting = self._next()
            if waiting is None:
                return
            try:
                self._attempt(waiting)
            except Exception:
                log.exception("way %s: a fault of this program; it is tried again", self.way.way_id)
                self._failed()

    def _next(self) -> _Waiting | None:
        with self._news:
            while not self._stopping:
                left_s = self._not_before_s - self._clock.monotonic_s()
                if self._waiting and left_s <= 0.0:
                    return min(
                        self._waiting.values(), key=lambda w: (-w.message.priority.rank, w.message.made_s)
                    )
                self._news.wait(min(left_s, 1.0) if self._waiting else None)
            return None

    def _attempt(self, waiting: _Waiting) -> None:
        message, way_id = waiting.message, self.way.way_id
        waiting.attempts += 1
        try:
            self.way.send(message)
        except DeliveryError as error:
            reason = mask_secrets(str(error))
            level = logging.WARNING if waiting.attempts == 1 else logging.INFO
            log.log(level, "message %s, attempt %d: %s", message.message_id, waiting.attempts, reason)
            if self._clock.wall_s() - message.made_s > self._give_up_after_s:
                log.error("message %s by way %s is given up", message.message_id, way_id)
                self._settled(message, "given up", waiting.attempts, reason)
            else:
                self._settle(message.message_id, way_id, "waiting", waiting.attempts, reason)
            self._failed()
            return
        self._settled(message, "sent", waiting.attempts, "")
        self._pause_s = self._retry_first_s
        log.info("message %s (%s) sent by way %s", message.message_id, message.kind.value, way_id)

    def _settled(self, message: Message, state: str, attempts: int, reason: str) -> None:
        with self._news:
            self._waiting.pop(message.message_id, None)
        self._settle(message.message_id, self.way.way_id, state, attempts, reason)

    def _failed(self) -> None:
        with self._news:
            self._not_before_s = self._clock.monotonic_s() + self._pause_s
            self._pause_s = min(2.0 * self._pause_s, RETRY_LAST_S)
