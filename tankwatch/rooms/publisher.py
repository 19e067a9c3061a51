"""The room's side: publishes what the watch sees, and takes acknowledgements from the centre.

It runs as a source does, in a supervised thread of its own. The judge hands it finished pictures and never
waits for it; while the broker is slow or away, only the newest picture is kept.
"""

import json
import logging
import secrets
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import ClassVar

from tankwatch.clock import Clock
from tankwatch.config import MqttSourceConfig
from tankwatch.config_rooms import PublishConfig
from tankwatch.control.protocol import Acknowledge, Action
from tankwatch.errors import SourceError, TankwatchError, UsageError
from tankwatch.notify.codes import Permit as Grant
from tankwatch.notify.codes import Signer
from tankwatch.rooms.changes import Changes, Permit
from tankwatch.rooms.documents import MAX_BYTES, AcknowledgeTokens, Online, read
from tankwatch.rooms.session import Session, broker_of
from tankwatch.rooms.topics import Topics
from tankwatch.safetext import safe_text
from tankwatch.snapshot import RoomSnapshot
from tankwatch.sources.base import Link, Source
from tankwatch.sources.broker import address_of

log = logging.getLogger(__name__)

SUBJECT = "[publish]"
"""Its name among the sources: no source can be called so."""
PERSON = "centre"
UNCONFIRMED_AT_MOST = 200
"""Statuses on their way; beyond it the newest picture waits for the broker."""
TOO_LATE_S = 120.0
"""An acknowledgement older than this may be meant for another outbreak of the alarm."""
REFUSALS_PER_MIN = 10
"""So many wrong tokens within a minute, and the rest of it is not listened to."""
PICTURE_WITHIN_S = 30.0
"""Without a picture of the watch for so long there is no sign of life."""
_GOODBYE_WITHIN_S = 2.0

Carry = Callable[[Action], "Future[None]"]


class RoomPublisher(Source):
    """Publishes one room; `publish` may be called from any thread and returns at once."""

    kind: ClassVar[str] = "publish"
    retry_at_most_s: ClassVar[float] = 30.0

    def __init__(
        self,
        config: PublishConfig,
        room_id: str,
        signer: Signer | None,
        clock: Clock,
        *,
        permit_s: float = 12 * 3600.0,
        carry: Carry | None = None,
    ) -> None:
        """Plan it. With `signer` and `carry` the alarms may be acknowledged, each for `permit_s` seconds."""
        self._config = config
        self._broker: MqttSourceConfig = broker_of(config, "publish")
        self._room_id = room_id
        self._clock = clock
        self._topics = Topics(config.topic)
        self._signer = signer if config.acknowledge else None
        self._permit_s = permit_s
        self._carry = carry
        self._run = secrets.token_hex(4)
        self._connection = 0
        self._newest: RoomSnapshot | None = None
        self._newest_s = float("-inf")
        self._started_s = clock.monotonic_s()
        self._refusals: list[float] = []

    @property
    def source_id(self) -> str:
        """Its name among the sources."""
        return SUBJECT

    @property
    def address(self) -> str:
        """Host and port of the broker."""
        return address_of(self._broker)

    def publish(self, snapshot: RoomSnapshot) -> None:
        """Take a picture of the room; only the newest counts."""
        self._newest_s = self._clock.monotonic_s()
        self._newest = snapshot

    def run(self, link: Link) -> None:
        """Connect and publish until the link stops.

        Raises:
            SourceError: the broker cannot be reached, refuses, or closed the connection.
        """
        self._connection += 1
        topic = self._topics.of(self._room_id, "online")
        session = Session(
            self._broker,
            # Always the same: a broker that still holds the dead connection says its will now, not later.
            self._broker.client_id or f"tankwatch-{self._room_id}",
            link,
            lambda name, payload, retained: self._take(payload, retained=retained),
            will=(topic, self._online("offline")),
        )
        try:
            acknowledge = self._topics.of(self._room_id, "acknowledge")
            session.open([acknowledge] if self._may_acknowledge else [])
            link.connected(address_of(self._broker))
            turn = _Turn(session)
            changes = Changes(
                self._config,
                self._run,
                self._started_s,
                permit=self._permit_for if self._may_acknowledge else None,
            )
            session.serve(lambda: self._look(turn, changes, topic))
            session.publish(topic, self._online("stopped"), retain=True)
            session.settle(_GOODBYE_WITHIN_S)
        finally:
            session.close()

    @property
    def _may_acknowledge(self) -> bool:
        return self._signer is not None and self._carry is not None

    def _look(self, turn: "_Turn", changes: Changes, topic: str) -> None:
        if turn.session.refusal:
            raise SourceError(f"{turn.session.refusal}; look at its access list")
        now_s = self._clock.monotonic_s()
        # A sign of life from this thread alone would make a watch without pictures look alive.
        if now_s >= turn.beat_s and now_s - self._newest_s < PICTURE_WITHIN_S:
            turn.beat_s = now_s + self._config.heartbeat_s
            turn.session.publish(topic, self._online("online"), retain=True)
        snapshot = self._newest
        if snapshot is None or snapshot is turn.looked_at or turn.session.unconfirmed > UNCONFIRMED_AT_MOST:
            return
        turn.looked_at = snapshot
        for name, payload, expires_s in changes.look(snapshot, now_s):
            where = self._topics.of(self._room_id, name)
            turn.session.publish(where, payload, retain=True, expires_s=expires_s)

    def _online(self, state: str) -> bytes:
        document = Online.model_validate(
            {
                "run": self._run,
                "connection": self._connection,
                "state": state,
                "every_s": self._config.heartbeat_s,
                "full_every_s": self._config.full_every_s,
            }
        )
        content = document.model_dump(mode="json", exclude_none=True)
        if state != "offline":  # a will is written long before it is said: it knows no time
            content["up_s"] = round(self._clock.monotonic_s() - self._started_s, 3)
            content["time_s"] = round(self._clock.wall_s(), 3)
        return json.dumps(content, separators=(",", ":")).encode()

    def _permit_for(self, number: int) -> Permit:
        if self._signer is None:  # checked by the caller
            raise UsageError("nothing is permitted here")
        now_s, valid_s = self._clock.monotonic_s(), self._permit_s
        token = self._signer.token(Grant((number,), PERSON, self._clock.wall_s() + valid_s))
        return Permit(token, now_s + valid_s, now_s + valid_s / 2)

    def _take(self, payload: bytes, *, retained: bool) -> None:
        """Carry out an acknowledgement, or say once in the log why not."""
        now_s = self._clock.monotonic_s()
        self._refusals = [time_s for time_s in self._refusals if now_s - time_s < 60.0]
        if retained or len(self._refusals) >= REFUSALS_PER_MIN:
            return  # a retained one is old: its alarms may be other outbreaks by now
        try:
            self._acknowledge(read(AcknowledgeTokens, payload, MAX_BYTES["acknowledge"]))
        except (TankwatchError, ValueError) as error:
            self._refusals.append(now_s)
            log.warning("an acknowledgement from the centre was refused: %s", error)

    def _acknowledge(self, wanted: AcknowledgeTokens) -> None:
        """Hand every alarm that the tokens grant to the judge.

        Raises:
            UsageError: it comes too late, or a token is not good.
        """
        if self._signer is None or self._carry is None:
            raise UsageError("this room takes none")
        late_s = self._clock.monotonic_s() - self._started_s - wanted.up_s
        if wanted.run != self._run or not -TOO_LATE_S <= late_s <= TOO_LATE_S:
            raise UsageError("it was sent too long ago, or to an earlier run of this watch")
        grants = [self._signer.read_token(token, self._clock.wall_s()) for token in wanted.tokens]
        who = f"{safe_text(wanted.who, 60)} (centre)"
        for number in dict.fromkeys(number for grant in grants for number in grant.alarms):
            self._carry(Acknowledge(alarm_id=number, who=who)).add_done_callback(_log_refusal)


@dataclass
class _Turn:
    """What one connection remembers between two looks."""

    session: Session
    looked_at: RoomSnapshot | None = None
    beat_s: float = float("-inf")
    """When the next sign of life is due, by the monotonic clock."""


def _log_refusal(future: "Future[None]") -> None:
    error = future.exception()
    if isinstance(error, TankwatchError):
        log.info("an acknowledgement from the centre changed nothing: %s", error)
    elif error is not None:
        log.error("an acknowledgement from the centre failed: %r", error)
