"""Links that die, hang, crawl, refuse and flood, below a whole watch.

What a source does by itself is tested in tests/sources; a broker that is killed and a probe that is pulled
out below a whole watch in tests/watch/test_end_to_end.py.
"""

import json
import os
import random
import subprocess
import time
import tty
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from conftest import MosquittoBroker, need_program, wait_until
from proxy import Proxy, proxy
from rooms import (
    alarm_of,
    is_connected,
    look,
    pack,
    room_text,
    shown,
    watching,
    write_config,
)

from tankwatch.alarms.model import AlarmState, Condition
from tankwatch.config import Config, load
from tankwatch.control.client import ControlClient
from tankwatch.reading import Channel
from tankwatch.store.reader import StoreReader

pytestmark = pytest.mark.usefixtures("own_runtime_folder")

MakeBroker = Callable[..., MosquittoBroker]


def quick(config: Config, **changes: Any) -> Config:
    """Return `config` with a keepalive shorter than a file may ask for, to keep the test short."""
    source = config.source[0].model_copy(update={"keepalive_s": 1, **changes})
    return config.model_copy(update={"source": (source, *config.source[1:])})


def stored(folder: Path, channel: Channel = Channel.FLOW) -> list[float]:
    return [float(v) for v in StoreReader(folder / "room.db").series("t000", channel, 0.0, 1e11).mean]


def is_lost(client: ControlClient) -> bool:
    alarm = alarm_of(client, Condition.SOURCE_LOST)
    return alarm is not None and alarm.state is AlarmState.UNACKNOWLEDGED


def is_over(client: ControlClient) -> bool:
    alarm = alarm_of(client, Condition.SOURCE_LOST)
    return alarm is None or alarm.state is AlarmState.RETURNED


@pytest.fixture
def link(mosquitto_broker: MosquittoBroker) -> Iterator[Proxy]:
    with proxy(mosquitto_broker.port) as link:
        yield link


def test_a_link_that_hangs_or_refuses_is_told_and_one_that_crawls_loses_nothing(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, link: Proxy
) -> None:
    config = quick(load(write_config(tmp_path, room_text(link.port))))
    start_s = round(time.time()) - 3000
    sent = 0

    def send(count: int) -> None:
        nonlocal sent
        numbers = range(sent, sent + count)
        mosquitto_broker.publish_many([("fish/t000/state", pack(start_s + n, 25.0, n)) for n in numbers])
        sent += count

    with watching(config) as client:
        wait_until(lambda: is_connected(client), "the watch at the broker")
        link.mode = "slow"
        send(50)
        wait_until(lambda: shown(client, channel="flow") == sent - 1, "the values over the slow link")
        link.mode = "swallow"  # half-open: nothing comes, nothing is closed
        wait_until(lambda: is_lost(client), "source-lost over a half-open link", timeout_s=15.0)
        link.mode = "refuse"
        wait_until(lambda: "closed the connection" in _detail(client), "what refuses, in words")
        assert is_lost(client)
        link.mode = "pass"
        wait_until(lambda: is_connected(client), "the watch back at the broker", timeout_s=15.0)
        send(50)
        wait_until(lambda: shown(client, channel="flow") == sent - 1, "values after it")
        wait_until(lambda: is_over(client), "the end of the alarm")
    assert stored(tmp_path) == [float(n) for n in range(sent)]


def _detail(client: ControlClient) -> str:
    picture = look(client)
    return picture.sources[0].detail if picture else ""


def test_two_watches_with_one_client_id_are_told_why_their_link_does_not_hold(
    tmp_path: Path, mosquitto_broker: MosquittoBroker
) -> None:
    text = room_text(mosquitto_broker.port, source='client_id = "twin"')
    folders = [tmp_path / name for name in ("one", "two")]
    for folder in folders:
        folder.mkdir()
    first, second = (load(write_config(folder, text)) for folder in folders)
    with watching(first) as one, watching(second) as two:
        for client in (one, two):
            # Each is connected half of the time; that this is not enough must be told, and why.
            wait_until(partial(_is_told_why, client), "the reason", 40.0)


def _is_told_why(client: ControlClient) -> bool:
    alarm = alarm_of(client, Condition.SOURCE_LOST)
    return alarm is not None and "does not hold" in alarm.message and "client_id 'twin'" in alarm.message


def test_each_reading_is_stored_once_however_often_and_at_whatever_qos_it_comes(
    tmp_path: Path, mosquitto_broker: MosquittoBroker
) -> None:
    start_s = round(time.time()) - 3000
    packs: list[tuple[str, str | bytes]] = [
        ("fish/t000/state", pack(start_s + 10 * n, 25.0, n)) for n in range(100)
    ]
    with watching(load(write_config(tmp_path, room_text(mosquitto_broker.port)))) as client:
        wait_until(lambda: is_connected(client), "the watch at the broker")
        for qos in (0, 1, 2):
            mosquitto_broker.publish_many(packs, qos=qos)
        shuffled = packs.copy()
        random.Random(3).shuffle(shuffled)
        mosquitto_broker.publish_many(shuffled)
        wait_until(lambda: (p := look(client)) and p.sources[0].received == 400, "all of it")
        picture = look(client)
        assert picture is not None
        assert picture.alarms == ()
    assert stored(tmp_path) == [float(n) for n in range(100)]


def _flood(folder: Path, broker: MosquittoBroker, count: int) -> None:
    mosquitto_pub = need_program("mosquitto_pub")
    start_s = round(time.time()) - 10 * count
    with watching(load(write_config(folder, room_text(broker.port)))) as client:
        wait_until(lambda: is_connected(client), "the watch at the broker")
        lines = "".join(pack(start_s + 10 * n, 25.0, n) + "\n" for n in range(count))
        began = time.monotonic()
        publisher = subprocess.Popen(
            [mosquitto_pub, "-p", str(broker.port), "-t", "fish/t000/state", "-q", "1", "-l"],
            stdin=subprocess.PIPE,
        )
        assert publisher.stdin is not None
        publisher.stdin.write(lines.encode())
        publisher.stdin.close()
        oldest_s = 0.0
        while publisher.poll() is None or shown(client, channel="flow") != count - 1:
            picture = look(client)
            assert picture is not None
            oldest_s = max(oldest_s, time.time() - picture.time_s)
            assert time.monotonic() - began < 60.0, "the flood did not come through"
        picture = look(client)
        assert picture is not None
        (source,) = picture.sources
        assert source.received == count
        assert oldest_s < 3.0, "the judge stood still under the flood"
        assert not [a for a in picture.alarms if a.condition is Condition.WATCH_STALLED]
        dropped = source.dropped
    # What was dropped was counted; the rest is there, the newest included.
    kept = stored(folder)
    assert sum(len(stored(folder, c)) for c in (Channel.FLOW, Channel.TEMPERATURE, Channel.HEATER)) == (
        3 * count - dropped
    )
    assert kept[-1] == count - 1
    print(
        json.dumps({"messages": count, "dropped_readings": dropped, "oldest_picture_s": round(oldest_s, 2)})
    )


def test_a_flood_is_taken_or_counted_and_the_judge_goes_on(
    tmp_path: Path, make_mosquitto: MakeBroker
) -> None:
    broker = make_mosquitto(settings=("allow_anonymous true", "max_queued_messages 0"))
    _flood(tmp_path, broker, 5_000)


@pytest.mark.slow
def test_a_flood_of_fifty_thousand(tmp_path: Path, make_mosquitto: MakeBroker) -> None:
    broker = make_mosquitto(settings=("allow_anonymous true", "max_queued_messages 0"))
    _flood(tmp_path, broker, 50_000)


# -- TLS -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority of our own, and three certificates: good, of another name, and expired."""
    openssl = need_program("openssl")
    folder = tmp_path_factory.mktemp("certificates")

    def run(*arguments: str) -> None:
        subprocess.run([openssl, *arguments], cwd=folder, check=True, capture_output=True)

    # Key usage and key identifiers: Python 3.13 and later verify strictly (RFC 5280 section 4.2.1).
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    usage = ("-addext", "keyUsage=critical,keyCertSign,cRLSign")
    run("req", "-x509", *key, "-days", "30", "-subj", "/CN=ca", *usage, "-keyout", "ca.key", "-out", "ca.crt")
    for name, alternative, days in (
        ("good", "IP:127.0.0.1", "30"),
        ("other", "DNS:elsewhere.invalid", "30"),
        ("expired", "IP:127.0.0.1", "-1"),
    ):
        run("req", *key, "-subj", f"/CN={name}", "-keyout", f"{name}.key", "-out", f"{name}.csr")
        (folder / f"{name}.ext").write_text(
            f"subjectAltName={alternative}\nsubjectKeyIdentifier=hash\nauthorityKeyIdentifier=keyid\n"
        )
        run(
            *("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial"),
            *("-days", days, "-extfile", f"{name}.ext", "-out", f"{name}.crt"),
        )
    return folder


@pytest.mark.parametrize(
    ("certificate", "words"), [("expired", "expired"), ("other", "IP address mismatch"), ("good", None)]
)
def test_a_certificate_that_expired_or_is_for_another_name_is_refused_by_name(
    tmp_path: Path, make_mosquitto: MakeBroker, certificates: Path, certificate: str, words: str | None
) -> None:
    files = (f"certfile {certificates}/{certificate}.crt", f"keyfile {certificates}/{certificate}.key")
    broker = make_mosquitto(settings=("allow_anonymous true", *files))
    tls = f'tls = true\nca_file = "{certificates}/ca.crt"'
    with watching(load(write_config(tmp_path, room_text(broker.port, source=tls)))) as client:
        if words is None:
            wait_until(lambda: is_connected(client), "the watch at the broker")
            return
        wait_until(lambda: is_lost(client), "source-lost")
        alarm = alarm_of(client, Condition.SOURCE_LOST)
        assert alarm is not None
        assert "certificate is not trusted" in alarm.message
        assert words in alarm.message


# -- serial ----------------------------------------------------------------------------------------------


class SerialProbe:
    """A probe on a pseudo-terminal, under a name of its own whichever device the system gives it."""

    def __init__(self, name: Path) -> None:
        self.name = name
        self.plug_in()

    def plug_in(self) -> None:
        self._ours, theirs = os.openpty()
        tty.setraw(theirs)
        self.name.symlink_to(os.ttyname(theirs))
        os.close(theirs)

    def pull(self) -> None:
        self.name.unlink()
        os.close(self._ours)

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._ours, data[:1024]) :]


def _serial_room(folder: Path, port: Path) -> Config:
    text = '[room]\nname = "Back room"\n[store]\npath = "room.db"\n'
    text += f'[[source]]\nid = "bench"\nkind = "serial"\nport = "{port}"\n'
    text += '[[tank]]\nid = "t000"\nvolume_l = 120.0\nsetpoint_c = 25.0\n'
    for kind in ("temperature", "flow"):
        text += f'[[tank.channel]]\nkind = "{kind}"\nsource = "bench"\n'
    return load(write_config(folder, text))


def test_a_probe_pulled_amid_a_line_and_a_mebibyte_of_noise_make_no_reading(tmp_path: Path) -> None:
    probe = SerialProbe(tmp_path / "probe")
    rng = random.Random(5)
    start_s = round(time.time()) - 1000
    sent: list[float] = []

    def send(count: int) -> None:
        for _ in range(count):
            sent.append(float(len(sent)))
            probe.write(f"{pack(start_s + len(sent), 25.0, len(sent) - 1)}\n".encode())

    with watching(_serial_room(tmp_path, tmp_path / "probe")) as client:
        for round_ in range(2):
            wait_until(lambda: is_connected(client), "the port")
            time.sleep(0.1)  # a line that comes as the port opens may be half a line, and is left out as such
            send(20)
            wait_until(lambda: shown(client, channel="flow") == sent[-1], "the values")
            if round_ == 0:
                probe.write(pack(start_s + 500, 25.0, 500).encode()[:60])
                time.sleep(0.1)  # what the port has not read goes with it
                probe.pull()
                wait_until(lambda: is_lost(client), "source-lost")
                os.openpty()  # takes the device's number: the probe comes back under another one
                probe.plug_in()
        probe.write(b"\n" + rng.randbytes(1024 * 1024) + b"\n")
        send(20)
        wait_until(lambda: shown(client, channel="flow") == sent[-1], "the values after the noise", 30.0)
        picture = look(client)
        assert picture is not None
        assert sum(picture.sources[0].refused.values()) > 0
        assert "\x1b" not in picture.sources[0].last_refused
        assert [a.condition for a in picture.alarms if a.condition is not Condition.SOURCE_LOST] == []
    assert stored(tmp_path) == sent
    assert set(stored(tmp_path, Channel.TEMPERATURE)) == {25.0}
