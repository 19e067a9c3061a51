"""Ingest end to end through a real mosquitto, against a consumer that only counts."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from bench_data import config_text, packs
from bench_table import Row, compared
from conftest import MosquittoBroker
from paho.mqtt.enums import CallbackAPIVersion

TANKS = 100
MESSAGES = 30_000
LARGE_ROOM = 1000
PACK_EVERY_S = 5.0
_WATCHED_S = 15.0


def ingest(folder: Path) -> list[Row]:
    """Measure the flood, and the share of a core that a large room takes."""
    broker = MosquittoBroker(
        folder, settings=("allow_anonymous true", "max_queued_messages 0", "max_inflight_messages 0")
    )
    broker.start()
    try:
        return [*_flood(folder, broker), _large_room(folder, broker)]
    finally:
        broker.stop()


def _flood(folder: Path, broker: MosquittoBroker) -> list[Row]:
    messages = packs(TANKS, MESSAGES // TANKS)
    config = folder / "flood.toml"
    config.write_text(config_text(TANKS, broker.port, "flood.db"))
    took = {}
    for kind in ("bare", "watch"):
        consumer = _Consumer(kind, broker.port, MESSAGES, config)
        begin = consumer.wait_for("ready")
        # Stopped while the broker takes everything in, so that the publisher limits neither.
        consumer.process.send_signal(signal.SIGSTOP)
        _publish(broker.port, messages)
        resumed_s = time.monotonic()
        consumer.process.send_signal(signal.SIGCONT)
        end = consumer.wait_for("done")
        consumer.process.wait(timeout=60)
        took[kind] = (end["cpu_s"] - begin["cpu_s"], end["wall_s"] - resumed_s)
    rate = {kind: MESSAGES / cpu_s for kind, (cpu_s, _) in took.items()}
    wall = {kind: MESSAGES / wall_s for kind, (_, wall_s) in took.items()}
    form, name, goal = "{:,.0f}", "bare consumer", "0.60 or more"
    return [
        compared("ingest, packs of 3 a CPU second", form, rate["watch"], name, rate["bare"], goal),
        compared("ingest, packs of 3 a second, one core", form, wall["watch"], name, wall["bare"], goal),
    ]


def _large_room(folder: Path, broker: MosquittoBroker) -> Row:
    config = folder / "large.toml"
    config.write_text(config_text(LARGE_ROOM, broker.port, "large.db"))
    rounds = int(_WATCHED_S / PACK_EVERY_S)
    count = LARGE_ROOM * rounds
    consumer = _Consumer("watch", broker.port, count, config)
    begin = consumer.wait_for("ready")
    messages, begin_s = packs(LARGE_ROOM, rounds), time.monotonic()
    for start in range(0, count, 20):  # evenly, twenty at a time
        time.sleep(max(0.0, begin_s + start * PACK_EVERY_S / LARGE_ROOM - time.monotonic()))
        _publish(broker.port, messages[start : start + 20])
    end = consumer.wait_for("done")
    consumer.process.wait(timeout=60)
    share = (end["cpu_s"] - begin["cpu_s"]) / (end["wall_s"] - begin["wall_s"])
    what = f"{LARGE_ROOM} tanks, a pack each {PACK_EVERY_S:g} s"
    return Row(what, f"{100 * share:.0f} % of a core", "1 core", share, "0.25 or less")


class _Consumer:
    """One process of bench_consumer.py."""

    def __init__(self, kind: str, port: int, messages: int, config: Path) -> None:
        script = Path(__file__).parent / "bench_consumer.py"
        command = [sys.executable, str(script), kind, str(port), str(messages), str(config)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)

    def wait_for(self, what: str) -> dict[str, Any]:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            said: dict[str, Any] = json.loads(line)
            if said["what"] == what:
                return said
        raise RuntimeError(f"the consumer ended with {self.process.wait()} before it was {what}")


_publishers: dict[int, paho.Client] = {}


def _publish(port: int, messages: Sequence[tuple[str, bytes]]) -> None:
    """Publish and return when the broker has all."""
    client = _publishers.get(port)
    if client is None:
        client = _publishers[port] = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        client.max_inflight_messages_set(1000)
        client.connect("127.0.0.1", port)
        client.loop_start()
    last = None
    for topic, payload in messages:
        last = client.publish(topic, payload, qos=1)
    if last is not None:
        last.wait_for_publish(120.0)
