# A probe's half of MQTT 3.1.1: connect with a last will, publish and wait for the broker's answer.
import socket
import struct


class MqttError(Exception):
    pass


def _text(text):
    data = text if isinstance(text, bytes) else text.encode()
    return struct.pack("!H", len(data)) + data


class MqttClient:
    """Publishes at QoS 1. Raises OSError or MqttError when the broker is not there or does not answer."""

    def __init__(self, client_id, host, port=1883, username=None, password=None, will=None, keepalive_s=60):
        self.client_id, self.host, self.port = client_id, host, port
        self.username, self.password = username, password
        self.will = will  # (topic, text): published by the broker, retained, when the probe falls silent
        self.keepalive_s = keepalive_s
        self._socket = None
        self._packet = 0

    @property
    def connected(self):
        return self._socket is not None

    def connect(self, timeout_s=10):
        self.drop()
        flags, body = 0x02, _text(self.client_id)  # clean session
        if self.will:
            flags |= 0x2C  # a will, at QoS 1, retained
            body += _text(self.will[0]) + _text(self.will[1])
        if self.username is not None:
            flags |= 0xC0
            body += _text(self.username) + _text(self.password or "")
        self._socket = socket.socket()
        try:
            self._socket.settimeout(timeout_s)
            self._socket.connect(socket.getaddrinfo(self.host, self.port)[0][-1])
            self._send(0x10, _text("MQTT") + bytes((4, flags)) + struct.pack("!H", self.keepalive_s) + body)
            kind, answer = self._receive()
            if kind != 0x20 or answer[1] != 0:
                raise MqttError("the broker refuses, code %d" % answer[1])
        except (OSError, MqttError):
            self.drop()
            raise

    def publish(self, topic, text, retain=False):
        """Return when the broker has said that it has the message."""
        if self._socket is None:
            raise MqttError("not connected")
        self._packet = self._packet % 65535 + 1
        number = struct.pack("!H", self._packet)
        try:
            self._send(0x32 | (1 if retain else 0), _text(topic) + number + text.encode())
            kind, answer = self._receive()
            if kind != 0x40 or answer != number:
                raise MqttError("no answer to a message")
        except (OSError, MqttError):
            self.drop()
            raise

    def disconnect(self):
        """Say goodbye: the broker then does not publish the will."""
        if self._socket is not None:
            try:
                self._send(0xE0, b"")
            except OSError:
                pass  # it is gone already, and so are we
        self.drop()

    def drop(self):
        """Close without a goodbye."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, kind, body):
        head, length = bytearray((kind,)), len(body)
        while True:
            head.append(length & 0x7F | (0x80 if length > 0x7F else 0))
            length >>= 7
            if not length:
                break
        data = bytes(head) + body
        while data:
            data = data[self._socket.send(data) :]

    def _receive(self):
        # The two answers that a probe gets, CONNACK and PUBACK, both have four bytes.
        data = b""
        while len(data) < 4:
            piece = self._socket.recv(4 - len(data))
            if not piece:
                raise OSError(-1, "the broker closed the connection")
            data += piece
        return data[0], data[2:]
