"""One connection to a broker, from CONNECT to its end, served in the thread of whoever opened it.

On any trouble it ends with an error and is thrown away; the supervisor starts over. So every connection
subscribes anew, and every answer to a subscription is checked.
"""

import logging
from collections.abc import Callable, Sequence
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from tankwatch.config import MqttSourceConfig
from tankwatch.config_rooms import CentreConfig, PublishConfig
from tankwatch.errors import SourceError
from tankwatch.sources.base import Link
from tankwatch.sources.broker import ANSWER_WITHIN_S, address_of, connect, new_client, part

log = logging.getLogger(__name__)

_TURN_S = 0.2
_READ_AT_ONCE = 200
"""Messages read before the loop turns to its other duties again."""
MAX_PACKET_BYTES = 300_000
"""A protocol 5 broker sends nothing larger: room for the longest document and its topic."""

OnMessage = Callable[[str, bytes, bool], None]
"""Takes topic, payload, and whether the broker had kept it."""


def broker_of(table: PublishConfig | CentreConfig, name: str) -> MqttSourceConfig:
    """Return the broker of a table in the form of a source called `name`."""
    own = {key: getattr(table, key) for key in MqttSourceConfig.model_fields if hasattr(table, key)}
    return MqttSourceConfig.model_validate({**own, "id": name, "kind": "mqtt"})


class Session:
    """Connects, subscribes, reads and publishes. Nothing in it is called from a second thread."""

    def __init__(
        self,
        broker: MqttSourceConfig,
        client_id: str,
        link: Link,
        on_message: OnMessage,
        *,
        will: tuple[str, bytes] | None = None,
    ) -> None:
        """Plan a connection; `will` (topic, payload) is what the broker publishes when it breaks."""
        self._broker = broker
        self._address = address_of(broker)
        self._link = link
        self._on_message_do = on_message
        self._answer: ReasonCode | None = None
        self._granted: list[ReasonCode] | None = None
        self._farewell = ""
        self._messages = 0
        self._told_fault = False
        self.unconfirmed = 0
        """Messages that the broker has not confirmed yet."""
        self.refusal = ""
        """Why the broker did not take what was published, if it says so; MQTT 3.1.1 has no words for it."""
        self._version5 = broker.protocol == 5
        client = new_client(broker, client_id)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        if will is not None:
            client.will_set(will[0], will[1], qos=1, retain=True)
        self._client = client

    def open(self, filters: Sequence[str]) -> None:
        """Connect and subscribe to `filters`, if there are any.

        Raises:
            SourceError: the broker cannot be reached, refuses, or does not answer.
        """
        connect(self._client, self._broker, MAX_PACKET_BYTES)
        self._await(lambda: self._answer is not None, "the connection")
        if self._answer is not None and self._answer.is_failure:
            raise SourceError(f"{self._address}: the broker refuses: {self._answer}")
        if not filters:
            return
        self._client.subscribe([(topic, 1) for topic in filters])
        self._await(lambda: self._granted is not None, "the subscription")
        refused = [
            f"{topic} ({code})"
            for topic, code in zip(filters, self._granted or (), strict=False)
            if code.is_failure
        ]
        if len(refused) == len(filters):
            raise SourceError(f"{self._address}: the broker refuses to send {', '.join(refused)}")
        if refused:
            log.warning("%s: the broker refuses to send %s", self._address, ", ".join(refused))

    def serve(self, turn: Callable[[], None]) -> None:
        """Read what comes, and call `turn` several times a second, until the link stops.

        Raises:
            SourceError: the connection was lost.
        """
        while not self._link.stopping:
            self._read()
            turn()

    def publish(self, topic: str, payload: bytes, *, retain: bool, expires_s: int | None = None) -> None:
        """Hand one message to the broker, which confirms it later (QoS 1)."""
        properties = None
        if self._version5 and expires_s is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = expires_s
        self.unconfirmed += 1
        self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)

    def settle(self, within_s: float) -> None:
        """Read until everything published is confirmed, for at most `within_s` seconds."""
        end_s = self._link.clock.monotonic_s() + within_s
        while self.unconfirmed and self._client.socket() is not None:
            if self._link.clock.monotonic_s() > end_s:
                return
            self._client.loop(_TURN_S)

    def close(self) -> None:
        """Say goodbye if there is someone to say it to, and close the socket."""
        part(self._client, self._address)

    def _await(self, done: Callable[[], bool], what: str) -> None:
        end_s = self._link.clock.monotonic_s() + ANSWER_WITHIN_S
        while not done():
            if self._link.stopping:
                raise SourceError(f"{self._address}: stopped before {what}")
            if self._link.clock.monotonic_s() > end_s:
                raise SourceError(f"{self._address}: no answer to {what} in {ANSWER_WITHIN_S:.0f} s")
            self._read()

    def _read(self) -> None:
        """Serve the connection once, and read on while messages come."""
        wait_s = _TURN_S
        for _ in range(_READ_AT_ONCE):
            self._link.beat()
            before = self._messages
            self._client.loop(wait_s)
            if self._client.socket() is None:
                raise SourceError(f"{self._address}: the connection was lost{self._farewell}")
            if self._messages == before:
                return
            wait_s = 0.0

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        self._answer = reason

    def _on_subscribe(self, client: Any, userdata: Any, mid: int, codes: list[ReasonCode], _: Any) -> None:
        self._granted = codes

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        # 128, unspecified, is what the library itself says of a connection that broke.
        self._farewell = f" ({reason})" if reason.value not in (0, 128) else ""

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason: ReasonCode, _: Any) -> None:
        self.unconfirmed -= 1
        if reason.is_failure:
            self.refusal = f"{self._address}: the broker refuses what is published: {reason}"

    def _on_message(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        self._messages += 1
        try:
            self._on_message_do(message.topic, bytes(message.payload), message.retain)
        except UnicodeDecodeError:
            log.debug("%s: a topic is not UTF-8", self._address)
        except Exception:
            if not self._told_fault:
                self._told_fault = True
                log.exception("%s: a message was lost to a fault of this program", self._address)
