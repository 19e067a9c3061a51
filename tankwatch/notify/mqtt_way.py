"""Messages and the standing of the room over MQTT, and acknowledgements back.

Topics below the configured one:

    watch          retained; `alive` with a time, `stopped`, or `gone`: the last will, said by the broker when
                   the watch dies
    room           retained; the standing of the room
    tank/ID        retained; the standing of one tank
    message/PERSON every message, not retained
    acknowledge    read: the token of a message acknowledges its alarms
"""

import logging
import secrets
import ssl
import threading
import time
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tankwatch.clock import Clock
from tankwatch.config import MqttSourceConfig, password_of
from tankwatch.config_notify import MqttWayConfig
from tankwatch.errors import ConfigError, DeliveryError, TankwatchError
from tankwatch.notify.codes import MAX_TOKEN_BYTES
from tankwatch.notify.message import Message
from tankwatch.notify.status import room_document, tank_document, watch_document
from tankwatch.notify.way import Way
from tankwatch.safetext import safe_json
from tankwatch.snapshot import RoomSnapshot

log = logging.getLogger(__name__)

CONFIRM_WITHIN_S = 10.0
STATUS_EVERY_S = 2.0
RENEW_AFTER_S = 120.0
"""A client without connection for so long is thrown away and made anew."""
WRONG_TOKENS_PER_MIN = 10


class MqttWay(Way):
    """One connection to the broker, in a thread of the library, that comes back by itself."""

    def __init__(
        self,
        config: MqttWayConfig,
        source: MqttSourceConfig,
        clock: Clock,
        *,
        alive_every_s: float = 60.0,
        on_token: Callable[[str], None] | None = None,
    ) -> None:
        """Use the broker of `source`. Tokens that come are handed to `on_token`, in the library's thread."""
        self.way_id = config.id
        self._topic = config.topic
        self._source = source
        self._clock = clock
        self._alive_every_s = alive_every_s
        self._on_token = on_token
        self._client: paho.Client | None = None
        self._connected = threading.Event()
        self._answered = threading.Event()
        """Set when the first attempt to connect has come to an end, one way or the other."""
        self._reason = "not connected yet"
        self._lost_s = clock.monotonic_s()
        self._fresh = False
        """Whether the broker has all documents since it was connected."""
        self._sent: dict[str, str] = {}
        self._status_s = float("-inf")
        self._alive_s = float("-inf")
        self._wrong: list[float] = []

    def start(self) -> None:
        """Begin to connect."""
        source = self._source
        self._connected.clear()
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"tankwatch-{self.way_id}-{secrets.token_hex(4)}"[:64],
            protocol=paho.MQTTv5 if source.protocol == 5 else paho.MQTTv311,
        )
        client.connect_timeout = 5.0
        client.reconnect_delay_set(min_delay=1, max_delay=30)
        client.max_queued_messages_set(10_000)
        client.will_set(f"{self._topic}/watch", _line(watch_document("gone", None)), qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        try:
            password = password_of(source)
            if source.username is not None or password is not None:
                client.username_pw_set(source.username, password)
            if source.tls:
                ca_file = None if source.ca_file is None else str(source.ca_file)
                client.tls_set_context(ssl.create_default_context(cafile=ca_file))
            client.connect_async(source.host, source.port, source.keepalive_s)
        except (OSError, ValueError, ConfigError) as error:
            self._reason = str(error)
            log.error("way %s: %s", self.way_id, error)
            return
        self._lost_s = self._clock.monotonic_s()
        client.loop_start()
        self._client = client

    def stop(self) -> None:
        """Say that the watch stops, and close."""
        client, self._client = self._client, None
        if client is None:
            return
        if self._connected.is_set():
            farewell = _line(watch_document("stopped", self._clock.wall_s()))
            info = client.publish(f"{self._topic}/watch", farewell, qos=1, retain=True)
            try:
                info.wait_for_publish(2.0)
            except (RuntimeError, ValueError) as error:
                log.debug("way %s: no orderly goodbye: %s", self.way_id, error)
        client.disconnect()
        client.loop_stop()

    def send(self, message: Message) -> None:
        """Publish, and wait until the broker has it.

        Raises:
            DeliveryError: there is no connection, or the broker does not confirm.
        """
        if self._client is not None:
            self._answered.wait(CONFIRM_WITHIN_S)
        if not self._connected.is_set():
            self._renew_if_hopeless()
            raise DeliveryError(f"way {self.way_id}: {self._place}: {self._reason}")
        client = self._client
        if client is None:
            raise DeliveryError(f"way {self.way_id}: stopped")
        info = client.publish(f"{self._topic}/message/{message.person}", _line(message.as_json()), qos=1)
        try:
            info.wait_for_publish(CONFIRM_WITHIN_S)
            confirmed = info.is_published()
        except (RuntimeError, ValueError) as error:
            raise DeliveryError(f"way {self.way_id}: {self._place}: {error}") from error
        if not confirmed:
            raise DeliveryError(
                f"way {self.way_id}: {self._place} did not confirm within {CONFIRM_WITHIN_S:.0f} s"
            )

    def show(self, snapshot: RoomSnapshot) -> None:
        """Publish what changed, and now and then that the watch lives."""
        client, now_s = self._client, self._clock.monotonic_s()
        if client is None or not self._connected.is_set() or now_s - self._status_s < STATUS_EVERY_S:
            return
        self._status_s = now_s
        if not self._fresh:
            self._fresh = True
            self._sent.clear()
            self._alive_s = now_s  # said already, with the connection
        if now_s - self._alive_s >= self._alive_every_s:
            self._alive_s = now_s
            alive = _line(watch_document("alive", self._clock.wall_s()))
            client.publish(f"{self._topic}/watch", alive, qos=1, retain=True)
        documents = {"room": room_document(snapshot)}
        documents |= {f"tank/{tank.tank_id}": tank_document(tank, snapshot.alarms) for tank in snapshot.tanks}
        for name, document in documents.items():
            line = _line(document)
            if self._sent.get(name) != line:
                self._sent[name] = line
                client.publish(f"{self._topic}/{name}", line, qos=1, retain=True)

    @property
    def _place(self) -> str:
        return f"{self._source.host}:{self._source.port}"

    def _renew_if_hopeless(self) -> None:
        """Make a new client in place of one that does not come back; the library's thread may have died."""
        client = self._client
        if self._clock.monotonic_s() - self._lost_s < RENEW_AFTER_S:
            return
        if client is not None:
            client.disconnect()
            client.loop_stop()
        self.start()

    # Called in the library's thread: whatever fails here must not end it.

    def _on_connect(self, client: paho.Client, userdata: Any, flags: Any, reason: Any, _: Any) -> None:
        if reason.is_failure:
            self._reason = f"the broker refuses: {reason}"
            self._answered.set()
            return
        self._fresh = False
        client.subscribe(f"{self._topic}/acknowledge", qos=1)
        alive = _line(watch_document("alive", self._clock.wall_s()))
        client.publish(f"{self._topic}/watch", alive, qos=1, retain=True)
        self._connected.set()
        self._answered.set()
        if self.on_ready is not None:
            self.on_ready()

    def _on_connect_fail(self, client: paho.Client, userdata: Any) -> None:
        self._reason = "no connection; is the broker running?"
        self._answered.set()

    def _on_disconnect(self, client: paho.Client, userdata: Any, flags: Any, reason: Any, _: Any) -> None:
        if self._connected.is_set():
            self._lost_s = self._clock.monotonic_s()
            self._reason = f"the connection was lost ({reason})"
        self._connected.clear()

    def _on_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        try:
            self._take_token(bytes(message.payload), retained=message.retain)
        except Exception:
            log.exception("way %s: an acknowledgement was lost to a fault of this program", self.way_id)

    def _take_token(self, payload: bytes, *, retained: bool) -> None:
        if retained or self._on_token is None or len(payload) > MAX_TOKEN_BYTES:
            return  # a retained token is an old one: its alarms may be other outbreaks by now
        now_s = time.monotonic()
        self._wrong = [time_s for time_s in self._wrong if now_s - time_s < 60.0]
        if len(self._wrong) >= WRONG_TOKENS_PER_MIN:
            return
        try:
            self._on_token(payload.decode("ascii"))
        except (TankwatchError, UnicodeDecodeError) as error:
            self._wrong.append(now_s)
            log.warning("way %s: an acknowledgement was refused: %s", self.way_id, error)


def _line(document: dict[str, Any]) -> str:
    return safe_json(document, tight=True)
