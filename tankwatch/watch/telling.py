"""The part of the watch that tells people, put together from the configuration and what the store knows."""

import logging
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

from tankwatch.clock import Clock
from tankwatch.config import Config
from tankwatch.config_notify import heartbeat_url_of
from tankwatch.control.protocol import Acknowledge, Action
from tankwatch.errors import ConfigError, StoreError, UsageError
from tankwatch.notify.blind import BlindTime, blind_text, blind_time
from tankwatch.notify.codes import Permit, load_signer
from tankwatch.notify.heart import Heart
from tankwatch.notify.notifier import MEMORY_KEY, Notifier
from tankwatch.notify.systemd import Supervisor
from tankwatch.review.night_told import NightTold, tell_night
from tankwatch.review.review import review_room
from tankwatch.review.span import last_night
from tankwatch.snapshot import RoomSnapshot
from tankwatch.split.portion import Portion
from tankwatch.store.entry import StoredMessage
from tankwatch.store.reader import StoreReader
from tankwatch.store.runs import boot_id
from tankwatch.store.writer import StoreWriter

log = logging.getLogger(__name__)

SILENT_S = 30.0
"""A judge or a notifier that has not come round for so long counts as dead: the heart stops."""


class Telling:
    """Notifier and heart; without a `[[way]]` only the heart."""

    def __init__(
        self,
        config: Config,
        store: StoreWriter,
        reader: StoreReader,
        clock: Clock,
        *,
        started_s: float,
        carry: Callable[[Action], "Future[None]"],
        judge_heartbeat: Callable[[], float],
        portion: Portion | None = None,
    ) -> None:
        """Read what was told before; nothing runs before `start`. `started_s`: when this run began.

        `portion`: the tanks of this watch, where several share the room.

        Raises:
            StoreError: the key of acknowledgement codes can be neither read nor made.
        """
        self._clock = clock
        self._judge_heartbeat = judge_heartbeat
        self._supervisor = Supervisor()
        self._notifier: Notifier | None = None
        # Of a room that is split the other watches went on: that nobody watched cannot be told from here.
        blind = _blind_before(reader, started_s) if portion is None else None
        if config.way:
            self._notifier = Notifier(
                config,
                store,
                load_signer(config.store.path),
                clock,
                acknowledge=lambda number, who: carry(Acknowledge(alarm_id=number, who=who)),
                memory=_remembered(reader),
                waiting=_waiting(reader),
                blind=blind,
                tell_night=lambda now_s: _last_night(_held(config, portion), reader, now_s),
                portion=portion,
            )
        elif blind is not None:
            log.warning("%s", blind_text(blind, None, config.room.zone))
        self._heart = Heart(
            self._is_alive,
            self._supervisor,
            clock,
            url=_heartbeat_url(config),
            url_every_s=config.notify.heartbeat_every_s,
        )

    def start(self, status: str) -> None:
        """Begin to tell, and say to the supervisor that the watch is up."""
        if self._notifier is not None:
            self._notifier.start()
        self._heart.start()
        self._supervisor.ready(status)

    def stop(self, timeout_s: float) -> None:
        """Stop; messages that were not taken wait in the outbox."""
        self._supervisor.stopping()
        self._heart.stop()
        if self._notifier is not None:
            self._notifier.stop(timeout_s)

    def publish(self, snapshot: RoomSnapshot) -> None:
        """Take a picture of the room; returns at once."""
        if self._notifier is not None:
            self._notifier.publish(snapshot)

    def permit_of_code(self, code: str) -> Permit:
        """Return which alarms a short code acknowledges.

        Raises:
            UsageError: no such code was given out, or it has expired.
        """
        if self._notifier is None:
            raise UsageError("this watch sends no messages, so there are no codes; acknowledge on the screen")
        return self._notifier.permit_of_code(code)

    def _is_alive(self) -> bool:
        now_s = self._clock.monotonic_s()
        beats = [self._judge_heartbeat()]
        if self._notifier is not None:
            beats.append(self._notifier.heartbeat_s)
        return all(now_s - beat_s < SILENT_S for beat_s in beats)


def _last_night(config: Config, reader: StoreReader, now_s: float) -> NightTold:
    night = last_night(now_s, config.room.zone, config.room.night)
    return tell_night(review_room(config, reader, night, now_s))


def _held(config: Config, portion: Portion | None) -> Config:
    """Return the configuration of the tanks that this watch has now."""
    if portion is None:
        return config
    return config.model_copy(update={"tank": tuple(t for t in config.tank if t.id in portion.holds)})


def _blind_before(reader: StoreReader, started_s: float) -> BlindTime | None:
    try:
        runs = [run for run in reader.runs() if run.start_s < started_s]
        return blind_time(runs, boot_id(), started_s, reader.last_values())
    except StoreError as error:
        log.warning("for how long nobody watched is not known: %s", error)
        return None


def _remembered(reader: StoreReader) -> dict[str, Any] | None:
    try:
        return reader.memory(MEMORY_KEY)
    except StoreError as error:
        log.warning("what was told before is not known; what stands is told anew: %s", error)
        return None


def _waiting(reader: StoreReader) -> list[StoredMessage]:
    try:
        return reader.outbox("waiting")
    except StoreError as error:
        log.warning("messages that waited are not known: %s", error)
        return []


def _heartbeat_url(config: Config) -> str | None:
    try:
        return heartbeat_url_of(config.notify)
    except ConfigError as error:
        log.error("no heartbeat to a URL: %s", error)
        return None
