"""A connection to an MQTT broker as everything here opens it: client, TLS, words of what went wrong."""

import logging
import socket
import ssl
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tankwatch.config import MqttSourceConfig, password_of
from tankwatch.errors import SourceError

log = logging.getLogger(__name__)

ANSWER_WITHIN_S = 10.0
"""How long a broker may take to answer a connection or a subscription."""
_CONNECT_WITHIN_S = 5.0


def address_of(broker: MqttSourceConfig) -> str:
    """Return host and port for people."""
    host = f"[{broker.host}]" if ":" in broker.host else broker.host
    return f"{host}:{broker.port}"


def new_client(broker: MqttSourceConfig, client_id: str) -> paho.Client:
    """Return a client that starts clean and is thrown away when its connection ends."""
    version5 = broker.protocol == 5
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=paho.MQTTv5 if version5 else paho.MQTTv311,
        clean_session=None if version5 else True,
        reconnect_on_failure=False,
    )
    client.connect_timeout = _CONNECT_WITHIN_S
    return client


def connect(client: paho.Client, broker: MqttSourceConfig, max_packet_bytes: int) -> None:
    """Open the connection and send CONNECT; the answer comes later.

    `max_packet_bytes`: a protocol 5 broker sends nothing larger.

    Raises:
        SourceError: the broker cannot be reached, or its password or certificates not be read.
    """
    password = password_of(broker)
    if broker.username is not None or password is not None:
        client.username_pw_set(broker.username, password)
    options: dict[str, Any] = {}
    if broker.protocol == 5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = max_packet_bytes
        options = {"clean_start": True, "properties": properties}
    try:
        if broker.tls:
            client.tls_set_context(tls_context(broker))
        client.connect(broker.host, broker.port, broker.keepalive_s, **options)
    except (OSError, ValueError) as error:  # ValueError: a host that is no name
        raise SourceError(f"{address_of(broker)}: {words_of_trouble(error, broker)}") from error


def part(client: paho.Client, address: str) -> None:
    """Say goodbye if there is someone to say it to, and close the socket."""
    client.on_disconnect = None
    try:
        client.disconnect()
    except (OSError, ValueError) as error:
        log.debug("%s: no orderly goodbye: %s", address, error)
    sock = client.socket()
    if sock is not None:
        sock.close()
    # A client holds its owner's methods and the owner holds the client: without this both live until the
    # next round of the garbage collector, with all their buffers.
    client.on_connect = client.on_subscribe = client.on_publish = client.on_message = None


class _TidyTlsSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails; the client library forgets to."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def tls_context(broker: MqttSourceConfig) -> ssl.SSLContext:
    """Return a context that verifies certificate and host name.

    Raises:
        SourceError: `ca_file` cannot be read.
    """
    try:
        context = ssl.create_default_context(cafile=None if broker.ca_file is None else str(broker.ca_file))
    except OSError as error:
        raise SourceError(f"source {broker.id}: ca_file {broker.ca_file}: {error}") from error
    context.sslsocket_class = _TidyTlsSocket
    return context


def words_of_trouble(error: Exception, broker: MqttSourceConfig) -> str:
    """Return what went wrong while connecting, and what to do."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted: {error.verify_message}; check ca_file and host"
    if isinstance(error, ssl.SSLError):
        return f"no TLS connection: {error.reason or error}; is {broker.port} its TLS port?"
    if isinstance(error, socket.gaierror):
        return f"the name {broker.host} is not known: {error.strerror}"
    if isinstance(error, ConnectionRefusedError):
        return "connection refused; is the broker running?"
    if isinstance(error, TimeoutError):
        return f"no answer within {_CONNECT_WITHIN_S:.0f} s"
    if isinstance(error, ConnectionError) and broker.tls:
        return f"no TLS connection: {error.strerror}; is {broker.port} its TLS port?"
    return (isinstance(error, OSError) and error.strerror) or str(error)
