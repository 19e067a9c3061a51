"""Probes that publish to an MQTT broker, with protocol 5 or 3.1.1.

One loop owns the client: connect, subscribe, consume; on any trouble the client is thrown away and the
supervisor starts over. So every connection subscribes anew and every answer to a subscription is checked;
a client library's own reconnecting does neither. The thread of this loop parses and enqueues, no more.
"""

import logging
import secrets
import selectors
from typing import Any, ClassVar

import paho.mqtt.client as paho
from paho.mqtt.reasoncodes import ReasonCode

from tankwatch.config import MqttSourceConfig
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.refused import Reason, Refused
from tankwatch.errors import SourceError
from tankwatch.sources.base import BEAT_S, Link, Source
from tankwatch.sources.broker import ANSWER_WITHIN_S, address_of, connect, new_client, part
from tankwatch.sources.topics import TopicTable

log = logging.getLogger(__name__)

_MAX_PACKET_BYTES = 1024 * 1024
"""A protocol 5 broker sends nothing larger; what is over the limit of payloads but below this is counted."""
_MISC_EVERY_S = 1.0
_READ_AT_ONCE = 50
"""Messages read before the loop looks at the clock and its other duties again."""


class MqttSource(Source):
    """Subscribes to the topic filters of its channels and delivers what is published."""

    kind: ClassVar[str] = "mqtt"
    retry_at_most_s: ClassVar[float] = 10.0

    def __init__(self, config: MqttSourceConfig, channels: list[BoundChannel]) -> None:
        """Prepare; nothing is opened before `run`."""
        self._config = config
        self._topics = TopicTable(config.id, channels)
        self._client_id = config.client_id or f"tankwatch-{secrets.token_hex(4)}"

    @property
    def source_id(self) -> str:
        """Its id in the configuration."""
        return self._config.id

    @property
    def address(self) -> str:
        """Host and port of the broker."""
        return address_of(self._config)

    def run(self, link: Link) -> None:
        """Connect, subscribe and deliver until the link stops.

        Raises:
            SourceError: the broker cannot be reached, refuses, or closed the connection.
        """
        session = _Session(self._config, self._client_id, self._topics, self.address, link)
        try:
            session.connect()
            session.consume()
        finally:
            session.close()


class _Session:
    """One connection, from CONNECT to its end."""

    def __init__(
        self, config: MqttSourceConfig, client_id: str, topics: TopicTable, address: str, link: Link
    ) -> None:
        self._config = config
        self._topics = topics
        self._address = address
        self._link = link
        self._answer: ReasonCode | None = None
        self._farewell: ReasonCode | None = None
        self._granted: list[ReasonCode] | None = None
        self._told_fault = False
        self._messages = 0
        self._client = new_client(config, client_id)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    def connect(self) -> None:
        """Open the connection and send CONNECT."""
        connect(self._client, self._config, _MAX_PACKET_BYTES)

    def consume(self) -> None:
        """Serve the connection until the link stops."""
        client, link = self._client, self._link
        sock = client.socket()
        if sock is None:
            raise SourceError(f"{self._address}: {self._why_it_ended()}")
        pending = getattr(sock, "pending", None)  # bytes that TLS has read ahead
        subscribed_mid: int | None = None
        ready = False
        asked_s = misc_s = link.clock.monotonic_s()
        with selectors.DefaultSelector() as selector:
            selector.register(link.wake_fd, selectors.EVENT_READ)
            watched = selectors.EVENT_READ
            selector.register(sock, watched)
            while not link.stopping:
                link.beat()
                wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if client.want_write() else 0)
                if wanted != watched:
                    watched = wanted
                    selector.modify(sock, watched)
                ahead = pending is not None and pending() > 0
                events = 0
                for key, mask in selector.select(0 if ahead else BEAT_S):
                    if key.fileobj is sock:
                        events |= mask
                if ahead or events & selectors.EVENT_READ:
                    self._read()
                if events & selectors.EVENT_WRITE:
                    client.loop_write()
                now_s = link.clock.monotonic_s()
                if now_s - misc_s >= _MISC_EVERY_S:  # keepalive
                    misc_s = now_s
                    client.loop_misc()
                if client.socket() is None:
                    raise SourceError(f"{self._address}: {self._why_it_ended()}")
                if ready:
                    continue
                if self._answer is not None and subscribed_mid is None:
                    self._check_answer(self._answer)
                    subscribed_mid = self._subscribe()
                    asked_s = now_s
                if self._granted is not None:
                    link.connected(self._check_granted(self._granted))
                    ready = True
                elif now_s - asked_s > ANSWER_WITHIN_S:
                    what = "the connection" if self._answer is None else "the subscription"
                    raise SourceError(f"{self._address}: no answer to {what} in {ANSWER_WITHIN_S:.0f} s")

    def _read(self) -> None:
        """Read what has come: one call reads one message, and where one is there are often more."""
        for _ in range(_READ_AT_ONCE):
            before = self._messages
            self._client.loop_read()
            if self._messages == before:
                return

    def _subscribe(self) -> int:
        filters = self._topics.subscriptions()
        if not filters:
            self._granted = []
            return 0
        result, mid = self._client.subscribe([(topic_filter, 1) for topic_filter in filters])
        if mid is None:
            raise SourceError(f"{self._address}: cannot subscribe: {paho.error_string(result)}")
        return mid

    def _check_answer(self, answer: ReasonCode) -> None:
        if answer.is_failure:
            hint = ""
            if answer.value in (134, 135):  # MQTT 5 section 3.2.2.2
                hint = "; check username and password_file of this source"
            elif answer.value == 132:
                hint = "; try protocol = 311"
            raise SourceError(f"{self._address}: the broker refuses: {answer}{hint}")

    def _check_granted(self, granted: list[ReasonCode]) -> str:
        """Return words for a subscription that was granted at least in part."""
        filters = self._topics.subscriptions()
        refused = [f"{f!r} ({code})" for f, code in zip(filters, granted, strict=False) if code.is_failure]
        if refused and len(refused) == len(filters):
            raise SourceError(f"{self._address}: the broker refuses to send {', '.join(refused)}")
        if refused:
            log.warning("source %s: the broker refuses to send %s", self._config.id, ", ".join(refused))
            return f"{self._address}: the broker refuses to send {', '.join(refused)}"
        return self._address

    def _why_it_ended(self) -> str:
        if self._answer is not None and self._answer.is_failure:
            self._check_answer(self._answer)
        told = self._farewell is not None and self._farewell.value != 128  # 128: unspecified
        reason = f" ({self._farewell})" if told else ""
        if self._answer is None:
            hint = "" if self._config.tls else "; does this port want tls = true?"
            return f"the broker closed the connection without an answer{reason}{hint}"
        if self._config.client_id and not told:
            # Two clients of one id cut each other off for ever, and many a broker does not say so.
            reason = f"; does another program use client_id {self._config.client_id!r}?"
        return f"the connection was lost{reason}"

    def close(self) -> None:
        """Say goodbye if there is someone to say it to, and close the socket."""
        part(self._client, self._address)

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        self._answer = reason

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason: ReasonCode, _: Any) -> None:
        self._farewell = reason

    def _on_subscribe(self, client: Any, userdata: Any, mid: int, codes: list[ReasonCode], _: Any) -> None:
        self._granted = codes

    def _on_message(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        """Decode and enqueue; whatever goes wrong stays with this one message."""
        self._messages += 1
        link = self._link
        payload = bytes(message.payload)
        topic = ""
        try:
            topic = message.topic
            decoder = self._topics.decoder(topic)
            link.deliver(
                decoder.decode(payload, link.clock.wall_s(), retained=message.retain), payload, topic
            )
        except UnicodeDecodeError:
            link.refuse(Refused(Reason.NOT_UTF8, "topic"), payload)
        except Exception:
            if not self._told_fault:
                self._told_fault = True
                log.exception("source %s: a message was lost to a fault of this program", self._config.id)
            link.refuse(Refused(Reason.INTERNAL), payload, topic)
