"""The centre's side: hears the rooms, and hands acknowledgements back to them.

It runs as a source does, in a supervised thread of its own; what it hears goes to a hub.
"""

import logging
import queue
import secrets
from collections.abc import Sequence
from typing import ClassVar

from tankwatch.config import MqttSourceConfig
from tankwatch.config_rooms import CentreConfig, PublishConfig
from tankwatch.errors import ControlError
from tankwatch.rooms.documents import AcknowledgeTokens
from tankwatch.rooms.hub import Hub
from tankwatch.rooms.session import Session, broker_of
from tankwatch.rooms.topics import Topics
from tankwatch.safetext import safe_text
from tankwatch.sources.base import Link, Source
from tankwatch.sources.broker import address_of

log = logging.getLogger(__name__)

SUBJECT = "[centre]"
"""Its name among the sources: no source can be called so."""
ACKNOWLEDGE_EXPIRES_S = 60
"""A broker or bridge drops an acknowledgement that could not be handed on for so long."""
_WAITING_AT_MOST = 1000


class RoomListener(Source):
    """Hears rooms for `hub`; `acknowledge` may be called from any thread."""

    kind: ClassVar[str] = "centre"
    retry_at_most_s: ClassVar[float] = 10.0

    def __init__(
        self, config: CentreConfig | PublishConfig, hub: Hub, filters: Sequence[str] | None = None
    ) -> None:
        """Plan to read `filters`, or everything that a screen reads."""
        self._broker: MqttSourceConfig = broker_of(config, "centre")
        self._topics = Topics(config.topic)
        self._filters = list(filters) if filters is not None else self._topics.of_all_rooms()
        self._hub = hub
        self._out: queue.Queue[tuple[str, bytes]] = queue.Queue(_WAITING_AT_MOST)
        self._is_open = False

    @property
    def source_id(self) -> str:
        """Its name among the sources."""
        return SUBJECT

    @property
    def address(self) -> str:
        """Host and port of the broker."""
        return address_of(self._broker)

    def run(self, link: Link) -> None:
        """Connect and hear until the link stops.

        Raises:
            SourceError: the broker cannot be reached, refuses, or closed the connection.
        """
        client_id = self._broker.client_id or f"tankwatch-centre-{secrets.token_hex(4)}"
        session = Session(self._broker, client_id, link, self._hub.take)
        try:
            session.open(self._filters)
            self._hub.connected()
            link.connected(self.address)
            self._is_open = True
            session.serve(lambda: self._hand_on(session))
        finally:
            self._is_open = False
            session.close()

    def acknowledge(self, room_id: str, alarm_id: int, who: str) -> None:
        """Send an acknowledgement to a room; whether it was taken shows in the state that comes back.

        Raises:
            ControlError: there is no connection, or the room has not permitted it.
        """
        if not self._is_open:
            raise ControlError(f"{self.address}: no connection to the broker; nothing was sent")
        found = self._hub.permit(room_id, alarm_id)
        if found is None:
            raise ControlError(
                "the room has not permitted it here: either this user may not read its permits, "
                "or its watch is not heard, or the alarm is over"
            )
        run, token, up_s = found
        document = AcknowledgeTokens(run=run, up_s=up_s, tokens=(token,), who=safe_text(who, 60) or "centre")
        try:
            self._out.put_nowait(
                (self._topics.of(room_id, "acknowledge"), document.model_dump_json().encode())
            )
        except queue.Full:
            raise ControlError(f"{self.address}: too much waits to be sent; try again") from None

    def _hand_on(self, session: Session) -> None:
        if session.refusal:
            log.warning("%s; look at its access list", session.refusal)
            session.refusal = ""
        while not self._out.empty():
            topic, payload = self._out.get_nowait()
            session.publish(topic, payload, retain=False, expires_s=ACKNOWLEDGE_EXPIRES_S)
