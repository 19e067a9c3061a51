"""The notifier: its thread looks at each new picture of the room, makes the messages and has them carried.

It takes finished pictures as a screen does, and the judge never waits for it. A message goes into the outbox
first and to its carriers then; after a restart what was not confirmed is sent again, with the same id.
"""

import logging
import threading
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from datetime import datetime
from typing import Any, Protocol

from tankwatch.alarms.model import Alarm, Priority
from tankwatch.clock import Clock
from tankwatch.config import Config
from tankwatch.errors import TankwatchError
from tankwatch.notify.blind import WAIT_FOR_VALUES_S, BlindTime, blind_text, fresh_share
from tankwatch.notify.carrier import RETRY_FIRST_S, Carrier
from tankwatch.notify.codes import Permit, Signer
from tankwatch.notify.dispatch import Dispatcher
from tankwatch.notify.make_ways import make_ways
from tankwatch.notify.message import Kind, Message, message_of_json
from tankwatch.notify.morning import Morning, TellNight, in_thread
from tankwatch.snapshot import RoomSnapshot
from tankwatch.split.portion import Portion
from tankwatch.store.entry import OutboxEntry, StoredMessage

log = logging.getLogger(__name__)

MEMORY_KEY = "notify"
"""Under which the store keeps what was told to whom."""
ROUND_S = 1.0
KEPT_WITHIN_S = 2.0
"""So long a message waits for the outbox; a disk that refuses must not hold it up for longer."""
KEEP_SENT_S = 90 * 86_400.0
"""Messages sent are kept for this long, for the review."""

AcknowledgeAlarm = Callable[[int, str], "Future[None]"]
"""Has an alarm acknowledged by someone."""


class Outbox(Protocol):
    """Where messages are kept until each was taken."""

    def put_outbox(self, messages: Sequence[OutboxEntry], memory_key: str, memory: dict[str, Any]) -> None:
        """Keep messages and what their maker remembers, in one commit."""
        ...

    def settle_outbox(self, message_id: str, way: str, state: str, attempts: int, detail: str = "") -> None:
        """Note what became of a message."""
        ...

    def prune_outbox(self, before_s: float) -> None:
        """Drop old messages that wait no more."""
        ...

    def flush(self, timeout_s: float) -> bool:
        """Wait until all is written; tell whether it was."""
        ...


class Notifier:
    """Tells people; `publish` may be called from any thread and returns at once."""

    def __init__(
        self,
        config: Config,
        outbox: Outbox,
        signer: Signer,
        clock: Clock,
        *,
        acknowledge: AcknowledgeAlarm,
        memory: dict[str, Any] | None = None,
        waiting: Iterable[StoredMessage] = (),
        blind: BlindTime | None = None,
        tell_night: TellNight | None = None,
        retry_first_s: float = RETRY_FIRST_S,
        run_aside: Callable[[Callable[[], None]], None] = in_thread,
        portion: Portion | None = None,
    ) -> None:
        """Go on from `memory` and the messages `waiting` in the outbox; nothing runs before `start`.

        `tell_night` is asked in the morning, if the configuration wants that; `run_aside` runs what takes
        its time. `portion`: the tanks that this watch may tell of, where several watches share the room.
        """
        self._config = config
        self._outbox = outbox
        self._signer = signer
        self._clock = clock
        self._acknowledge = acknowledge
        self._waiting = tuple(waiting)
        self._blind = blind
        self._portion = portion
        self._started_s = clock.wall_s()
        self._started_monotonic_s = clock.monotonic_s()
        self._dispatcher = Dispatcher(config, signer, memory, now_s=self._started_s)
        if portion is not None:  # tanks come one by one, with what was told of their alarms
            self._dispatcher.forget(tank.id for tank in config.tank)
        self._morning: Morning | None = None
        if config.notify.morning_at is not None and tell_night is not None:
            self._morning = Morning(
                config.notify.morning_at,
                config.person,
                tell_night,
                None if memory is None else memory.get("morning", {}),
                self._local(),
                run=run_aside,
            )
        self._ways_of = {person.id: person.ways for person in config.person}
        self._ways = make_ways(config, clock, on_token=self.acknowledge_token)
        self._carriers = {
            way_id: Carrier(
                way,
                outbox.settle_outbox,
                clock,
                give_up_after_s=config.notify.give_up_after_h * 3600.0,
                retry_first_s=retry_first_s,
            )
            for way_id, way in self._ways.items()
        }
        self._news = threading.Event()
        self._newest: RoomSnapshot | None = None
        self._stopping = False
        self._told_fault = False
        self.heartbeat_s = clock.monotonic_s()
        """When its thread last came round, by the monotonic clock."""
        self._thread = threading.Thread(target=self._run, name="notifier", daemon=True)

    def start(self) -> None:
        """Open the ways, send what waited in the outbox, and begin to look at pictures."""
        for way in self._ways.values():
            way.start()
        for stored in self._waiting:
            self._resume(stored)
        self._outbox.prune_outbox(self._clock.wall_s() - KEEP_SENT_S)
        for carrier in self._carriers.values():
            carrier.start()
        self._thread.start()

    def stop(self, timeout_s: float) -> None:
        """Stop; what waits stays in the outbox for the next start."""
        self._stopping = True
        self._news.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        for carrier in self._carriers.values():
            carrier.stop(timeout_s / max(1, len(self._carriers)))
        for way in self._ways.values():
            way.stop()

    def publish(self, snapshot: RoomSnapshot) -> None:
        """Take a picture of the room; only the newest counts."""
        self._newest = snapshot
        self._news.set()

    def permit_of_code(self, code: str) -> Permit:
        """Return which alarms a short code acknowledges, and for whom; may be called from any thread.

        Raises:
            UsageError: no such code was given out, or it has expired.
        """
        return self._dispatcher.permit_of_code(code, self._now_s())

    def acknowledge_token(self, token: str) -> None:
        """Acknowledge the alarms that a signed token names; may be called from any thread.

        Raises:
            UsageError: the token was not made here, was changed, or has expired.
        """
        permit = self._signer.read_token(token, self._now_s())
        for number in permit.alarms:
            self._acknowledge(number, permit.person).add_done_callback(_log_refusal)

    def look(self) -> list[Message]:
        """Look at the newest picture once; return the messages made."""
        self.heartbeat_s = self._clock.monotonic_s()
        snapshot = self._newest
        if snapshot is None or (self._portion is not None and not self._portion.is_open):
            return []
        now_s = self._now_s()
        # Duty and quiet hours follow the wall clock, even where it was stepped.
        local = self._local()
        messages = self._news_of_blind_time(snapshot, now_s)
        messages += self._dispatcher.look(self._alarms(snapshot), now_s, local)
        messages += self._news_of_the_night(local, now_s)
        if messages or self._dispatcher.changed:
            self._dispatcher.changed = False
            self._keep_and_carry(messages)
        for way in self._ways.values():
            way.show(snapshot)
        return messages

    def _alarms(self, snapshot: RoomSnapshot) -> tuple[Alarm, ...]:
        """Return what this watch may tell of now: a picture may be older than a change of hands."""
        portion = self._portion
        if portion is None:
            return snapshot.alarms
        for move in portion.take_told():
            self._dispatcher.forget(move.lost)
            self._dispatcher.adopt(move.cases)
        return tuple(alarm for alarm in snapshot.alarms if portion.has(alarm.tank))

    def _now_s(self) -> float:
        """Return a time that only flows: a stepped wall clock must neither fire nor mute anything."""
        return self._started_s + (self._clock.monotonic_s() - self._started_monotonic_s)

    def _local(self) -> datetime:
        return datetime.fromtimestamp(self._clock.wall_s(), self._config.room.zone)

    def _run(self) -> None:
        while not self._stopping:
            self._news.wait(ROUND_S)
            self._news.clear()
            try:
                self.look()
                self._told_fault = False
            except Exception:
                if not self._told_fault:
                    log.exception("messages could not be made; it is tried again each second")
                self._told_fault = True
                threading.Event().wait(ROUND_S)  # a fault that repeats must not use up the machine

    def _keep_and_carry(self, messages: Sequence[Message]) -> None:
        entries = [
            OutboxEntry(
                message_id=message.message_id,
                way=way_id,
                person=message.person,
                made_s=message.made_s,
                kind=message.kind.value,
                priority=message.priority.value,
                content=message.to_keep(),
            )
            for message in messages
            for way_id in self._ways_of[message.person]
        ]
        try:
            self._outbox.put_outbox(entries, MEMORY_KEY, self._remember())
            if messages and not self._outbox.flush(KEPT_WITHIN_S):
                log.warning("messages are sent before the outbox has them: a crash may have them sent anew")
        except Exception:  # what was made must be carried, whatever becomes of the record
            log.exception("the outbox did not take %d message(s); they are sent all the same", len(messages))
        for message in messages:
            for way_id in self._ways_of[message.person]:
                self._carriers[way_id].put(message)

    def _remember(self) -> dict[str, Any]:
        memory = self._dispatcher.remember()
        return memory if self._morning is None else {**memory, "morning": self._morning.remember()}

    def _resume(self, stored: StoredMessage) -> None:
        try:
            message = message_of_json(stored.content)
            carrier = self._carriers[stored.way]
        except (KeyError, ValueError, TypeError) as error:
            number = str(stored.content.get("message_id", ""))
            log.warning("message %s waits for way %s, which is no more: %r", number, stored.way, error)
            self._outbox.settle_outbox(number, stored.way, "given up", stored.attempts, "no such way")
            return
        carrier.put(self._dispatcher.with_token(message), stored.attempts)

    def _news_of_the_night(self, local: datetime, now_s: float) -> list[Message]:
        if self._morning is None:
            return []
        found = self._morning.look(local, self._clock.wall_s())
        if found is None:
            return []
        night, people = found
        return self._dispatcher.tell_night(night, people, local.date().isoformat(), now_s)

    def _news_of_blind_time(self, snapshot: RoomSnapshot, now_s: float) -> list[Message]:
        blind = self._blind
        if blind is None:
            return []
        waited_s = now_s - self._started_s
        if fresh_share(blind, snapshot) < 1.0 and waited_s < WAIT_FOR_VALUES_S:
            return []
        self._blind = None
        text = blind_text(blind, snapshot, self._config.room.zone)
        if blind.minutes < self._config.notify.blind_after_min:
            log.info("%s", text)
            return []
        log.warning("%s", text)
        return self._dispatcher.tell_all(Kind.BLIND, text, now_s, priority=Priority.MEDIUM)


def _log_refusal(future: "Future[None]") -> None:
    error = future.exception()
    if isinstance(error, TankwatchError):
        log.info("an acknowledgement from afar changed nothing: %s", error)
    elif error is not None:
        log.error("an acknowledgement from afar failed: %r", error)
