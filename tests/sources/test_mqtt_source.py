"""The MQTT source against a real broker, and against brokers that misbehave."""

import json
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from conftest import MosquittoBroker, free_port, need_program, wait_until
from running_sources import Running, room

from tankwatch.config import Config
from tankwatch.reading import Channel

MakeBroker = Callable[..., MosquittoBroker]
STATE = {"kind": "temperature", "topic": "fish/t01/state"}


def broker_room(port: int, *channels: dict[str, Any], **source: Any) -> Config:
    return room({"kind": "mqtt", "port": port, **source}, list(channels) or [STATE])


def pack(value: float) -> str:
    return json.dumps([{"n": "temperature", "u": "Cel", "v": value}])


def test_a_burst_of_retained_messages_comes_in_whole_and_marked(mosquitto_broker: MosquittoBroker) -> None:
    sent = {f"fish/t01/c{n}": str(20 + n / 10) for n in range(50)}
    mosquitto_broker.publish_many(list(sent.items()), retain=True)
    channel = {"kind": "temperature", "topic": "fish/t01/+", "decode": "number"}
    with Running(broker_room(mosquitto_broker.port, channel)) as running:
        values = running.wait_for_values(50)
        assert sorted(values) == sorted(map(float, sent.values()))
        assert all(reading.retained for reading in running.readings)
        mosquitto_broker.publish("fish/t01/c0", "25.5")
        running.wait_for_values(51)
        assert (running.readings[-1].value, running.readings[-1].retained) == (25.5, False)


@pytest.mark.parametrize("qos", [0, 1, 2])
def test_a_stream_comes_in_complete_and_in_order(mosquitto_broker: MosquittoBroker, qos: int) -> None:
    channel = {"kind": "power", "topic": "fish/t01/power", "decode": "number"}
    with Running(broker_room(mosquitto_broker.port, channel)) as running:
        running.wait_for_state("connected")
        mosquitto_broker.publish_many([("fish/t01/power", str(n)) for n in range(300)], qos=qos)
        assert running.wait_for_values(300) == [float(n) for n in range(300)]


def test_after_a_restart_of_the_broker_messages_arrive_again(mosquitto_broker: MosquittoBroker) -> None:
    with Running(broker_room(mosquitto_broker.port)) as running:
        for round_number in range(2):
            running.wait_for_state("connected")
            mosquitto_broker.publish("fish/t01/state", pack(24.0 + round_number))
            assert running.wait_for_values(round_number + 1)[-1] == 24.0 + round_number
            mosquitto_broker.stop()
            running.wait_for_loss(f"127.0.0.1:{mosquitto_broker.port}")
            mosquitto_broker.start()
        running.wait_for_state("connected")
        mosquitto_broker.publish("fish/t01/state", pack(26.0))
        assert running.wait_for_values(3)[-1] == 26.0


def test_a_restart_within_the_time_allowed_is_not_told_as_lost(mosquitto_broker: MosquittoBroker) -> None:
    with Running(broker_room(mosquitto_broker.port), lost_after_s=20.0) as running:
        running.wait_for_state("connected")
        mosquitto_broker.stop()
        health = running.wait_for_state("connecting")
        assert "connection" in health.detail
        mosquitto_broker.start()
        running.wait_for_state("connected")


def test_wildcards_serve_several_tanks(mosquitto_broker: MosquittoBroker) -> None:
    config = Config.model_validate(
        {
            "room": {"name": "Back room"},
            "source": [{"id": "src", "kind": "mqtt", "port": mosquitto_broker.port}],
            "tank": [
                {
                    "id": tank,
                    "volume_l": 120.0,
                    "setpoint_c": 25.0,
                    "channel": [
                        {"kind": "temperature", "source": "src", "topic": f"fish/{tank}/state"},
                        {"kind": "heater", "source": "src", "topic": f"fish/{tank}/#"},
                        {"kind": "air", "source": "src", "topic": "room/+/air", "decode": "number"},
                    ],
                }
                for tank in ("t01", "t02")
            ],
        }
    )
    with Running(config) as running:
        running.wait_for_state("connected")
        both = [{"n": "temperature", "v": 24.5}, {"n": "heater", "vb": True}]
        mosquitto_broker.publish_many([("fish/t02/state", json.dumps(both)), ("room/shelf/air", "19.5")])
        running.wait_for_values(4)
        assert [(r.tank, r.channel, r.value) for r in running.readings] == [
            ("t02", Channel.TEMPERATURE, 24.5),
            ("t02", Channel.HEATER, 1.0),
            ("t01", Channel.AIR, 19.5),
            ("t02", Channel.AIR, 19.5),
        ]


def test_bad_payloads_are_counted_and_shown_safely_and_stop_nothing(
    mosquitto_broker: MosquittoBroker,
) -> None:
    bad: list[tuple[str, bytes]] = [
        ("not JSON", b"hello"),
        ("not UTF-8", b'[{"n":"\xff"}]'),
        ("not a finite number", b'[{"n":"temperature","v":NaN}]'),
        ("too deeply nested", b"[" * 5000),
        ("too long", b" " * 70_000),
        ("wrong unit", b'[{"n":"temperature","u":"degF","v":76}]'),
        ("absurd value", b'[{"n":"temperature","v":1e6}]'),
        ("no such record", b'[{"n":"other","v":1}]'),
        ("clock", b'[{"n":"temperature","v":24,"t":4000000000}]'),
        ("control characters", b'[{"n":"temperature","vs":"\\u001b[2J"}]'),
    ]
    with Running(broker_room(mosquitto_broker.port)) as running:
        running.wait_for_state("connected")
        mosquitto_broker.publish_many([("fish/t01/state", payload) for _, payload in bad])
        mosquitto_broker.publish("fish/t01/state", pack(24.5))
        assert running.wait_for_values(2) == [24.0, 24.5]
        health = running.health()
        assert health.refused == dict.fromkeys((reason for reason, _ in bad), 1)
        assert health.state == "connected"
        assert (health.received, health.accepted) == (11, 2)
        assert health.last_refused.startswith("fish/t01/state: control characters")
        assert health.last_refused.isprintable()


def test_a_fault_of_ours_never_ends_the_loop(
    mosquitto_broker: MosquittoBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tankwatch.decode.decoder import Decoder

    whole = Decoder.decode

    def fragile(self: Decoder, payload: bytes, *args: Any, **kwargs: Any) -> Any:
        if payload == b"bomb":
            raise ZeroDivisionError("a bug")
        return whole(self, payload, *args, **kwargs)

    monkeypatch.setattr(Decoder, "decode", fragile)
    with Running(broker_room(mosquitto_broker.port)) as running:
        running.wait_for_state("connected")
        mosquitto_broker.publish_many([("fish/t01/state", "bomb"), ("fish/t01/state", pack(24.5))])
        assert running.wait_for_values(1) == [24.5]
        assert running.health().refused == {"internal error": 1}
        assert (running.health().state, running.health().restarts) == ("connected", 0)


@pytest.mark.parametrize("protocol", [5, 311])
def test_user_name_and_password(
    make_mosquitto: MakeBroker, tmp_path: Path, protocol: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    passwords = tmp_path / "passwords"
    subprocess.run([need_program("mosquitto_passwd"), "-c", "-b", passwords, "probe", "right"], check=True)
    broker = make_mosquitto(
        settings=("allow_anonymous false", f"password_file {passwords}"), username="probe", password="right"
    )
    secret = tmp_path / "secret"
    secret.write_text("right\n")
    options = {"username": "probe", "password_file": str(secret), "protocol": protocol}
    with Running(broker_room(broker.port, **options)) as running:
        running.wait_for_state("connected")
        broker.publish("fish/t01/state", pack(24.5))
        assert running.wait_for_values(1) == [24.5]
    monkeypatch.setenv("TANKWATCH_PASSWORD_SRC", "wrong")
    with Running(broker_room(broker.port, **options)) as running:
        lost = running.wait_for_loss("the broker refuses: ")
        assert "check username and password_file" in lost.detail
        assert "wrong" not in lost.detail
    monkeypatch.delenv("TANKWATCH_PASSWORD_SRC")
    with Running(broker_room(broker.port, **{**options, "password_file": str(tmp_path / "none")})) as running:
        running.wait_for_loss("password_file")


def test_tls_with_a_verified_certificate(make_mosquitto: MakeBroker, certificates: Path) -> None:
    files = (f"certfile {certificates}/broker.crt", f"keyfile {certificates}/broker.key")
    broker = make_mosquitto(settings=("allow_anonymous true", *files), tls_ca_file=certificates / "ca.crt")
    config = broker_room(broker.port, tls=True, ca_file=str(certificates / "ca.crt"))
    with Running(config) as running:
        running.wait_for_state("connected")
        broker.publish_many([("fish/t01/state", pack(20 + n / 10)) for n in range(100)])
        assert running.wait_for_values(100) == [20 + n / 10 for n in range(100)]
        broker.stop()
        running.wait_for_state("lost")
        broker.start()
        running.wait_for_state("connected")
    wrong: list[tuple[dict[str, Any], str]] = [
        ({"ca_file": str(certificates / "other.crt")}, "certificate is not trusted"),
        ({}, "certificate is not trusted"),
        ({"ca_file": str(certificates / "ca.crt"), "host": "localhost"}, "certificate is not trusted"),
        ({"ca_file": str(certificates / "absent.crt")}, "absent.crt"),
        ({"tls": False}, "tls = true?"),
    ]
    for options, words in wrong:
        with Running(broker_room(broker.port, **{"tls": True, **options})) as running:
            running.wait_for_loss(words)


def test_tls_towards_a_plain_port_says_so(mosquitto_broker: MosquittoBroker) -> None:
    with Running(broker_room(mosquitto_broker.port, tls=True)) as running:
        running.wait_for_loss("TLS port?")


def test_a_broker_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    with Running(broker_room(free_port())) as running:
        running.wait_for_loss("is the broker running?")

    def unknown(*_: Any, **__: Any) -> Any:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    with Running(broker_room(1883, host="nowhere.invalid")) as running:
        running.wait_for_loss("the name nowhere.invalid is not known")


CONNACK_5 = b"\x20\x03\x00\x00\x00"
CONNACK_311 = b"\x20\x02\x00\x00"


@contextmanager
def scripted_broker(answer: Callable[[socket.socket], None]) -> Iterator[int]:
    """Accept connections and let `answer` deal with each; yield the port."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.05)
        over = threading.Event()

        def serve() -> None:
            while not over.is_set():
                try:
                    connection, _ = server.accept()
                except TimeoutError:
                    continue
                with connection:
                    connection.settimeout(5)
                    try:
                        answer(connection)
                    except OSError:
                        continue

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            over.set()
            thread.join()


def read_packet(connection: socket.socket) -> bytes:
    """Return the body of one short MQTT packet."""
    head = connection.recv(2, socket.MSG_WAITALL)
    return connection.recv(head[1], socket.MSG_WAITALL) if len(head) == 2 else b""


@pytest.mark.parametrize("protocol", [5, 311])
def test_a_refused_subscription_is_not_taken_for_a_connection(protocol: int) -> None:
    """OASIS MQTT 5.0 section 3.9.3: 0x87 is "not authorized"; 3.1.1 section 3.9.3: 0x80 is failure."""

    def answer(connection: socket.socket) -> None:
        read_packet(connection)
        connection.sendall(CONNACK_5 if protocol == 5 else CONNACK_311)
        mid = read_packet(connection)[:2]
        code = b"\x00\x87" if protocol == 5 else b"\x80"
        connection.sendall(bytes([0x90, 2 + len(code)]) + mid + code)
        connection.recv(100)

    with scripted_broker(answer) as port, Running(broker_room(port, protocol=protocol)) as running:
        running.wait_for_loss("refuses to send 'fish/t01/state'")


def test_a_subscription_granted_in_part_is_a_connection_that_says_what_is_missing() -> None:
    def answer(connection: socket.socket) -> None:
        read_packet(connection)
        connection.sendall(CONNACK_5)
        mid = read_packet(connection)[:2]
        connection.sendall(b"\x90\x05" + mid + b"\x00\x01\x87")
        connection.recv(100)

    channels = [STATE, {"kind": "air", "topic": "room/air"}]
    with scripted_broker(answer) as port, Running(broker_room(port, *channels)) as running:
        health = running.wait_for_state("connected")
        assert "refuses to send 'room/air'" in health.detail


def test_a_link_that_dies_without_a_word_is_noticed_by_the_keepalive() -> None:
    over = threading.Event()

    def answer(connection: socket.socket) -> None:
        read_packet(connection)
        connection.sendall(CONNACK_5)
        mid = read_packet(connection)[:2]
        connection.sendall(b"\x90\x04" + mid + b"\x00\x01")
        over.wait(20)  # from here on nothing is read and no ping is answered

    with scripted_broker(answer) as port:
        config = broker_room(port)
        # Shorter than a configuration may ask for, to keep the test short.
        source = config.source[0].model_copy(update={"keepalive_s": 1})
        with Running(config.model_copy(update={"source": (source,)})) as running:
            running.wait_for_state("connected")
            running.wait_for_state("lost", timeout_s=15)
        over.set()


@pytest.mark.parametrize(
    "noise", [b"", b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x03\x00\x00", b"\xff" * 64]
)
def test_a_port_that_speaks_something_else(noise: bytes) -> None:
    def answer(connection: socket.socket) -> None:
        read_packet(connection)
        connection.sendall(noise)

    with scripted_broker(answer) as port, Running(broker_room(port)) as running:
        running.wait_for_loss(str(port))
        wait_until(lambda: running.health().restarts >= 2, "further attempts")
