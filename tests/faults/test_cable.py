"""A network of its own between watch and broker: the cable is pulled, and, where the kernel can, packets are
lost and delayed. Takes root and Linux."""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import pytest
from conftest import MosquittoBroker, wait_until
from rooms import WatchProcess, alarm_of, is_connected, pack, room_text, shown, write_config

from tankwatch.alarms.model import AlarmState, Condition
from tankwatch.reading import Channel
from tankwatch.store.reader import StoreReader

pytestmark = [
    pytest.mark.usefixtures("own_runtime_folder"),
    pytest.mark.slow,
    pytest.mark.skipif(
        sys.platform != "linux" or os.geteuid() != 0 or shutil.which("ip") is None,
        reason="network namespaces take Linux, root and iproute2",
    ),
]

PORT = 18_830


class Cable:
    """Two network namespaces joined by a cable; the broker's end is on this machine."""

    def __init__(self) -> None:
        self.name = f"tank{os.getpid() % 100_000}"
        self.ours, self.theirs = f"{self.name}a", f"{self.name}b"
        net = 1 + os.getpid() % 250
        self.broker, self.watch = f"10.213.{net}.1", f"10.213.{net}.2"

    def lay(self) -> None:
        """Join the namespaces; skip where this system lets nobody."""
        done = subprocess.run(["ip", "netns", "add", self.name], capture_output=True, text=True, check=False)
        if done.returncode != 0:
            pytest.skip(f"this system makes no network namespace: {done.stderr.strip()}")
        self.run("ip", "link", "add", self.ours, "type", "veth", "peer", "name", self.theirs)
        self.run("ip", "link", "set", self.theirs, "netns", self.name)
        self.run("ip", "addr", "add", f"{self.broker}/30", "dev", self.ours)
        self.run("ip", "link", "set", self.ours, "up")
        self.inside("ip", "addr", "add", f"{self.watch}/30", "dev", self.theirs)
        self.inside("ip", "link", "set", self.theirs, "up")
        self.inside("ip", "link", "set", "lo", "up")

    def run(self, *command: str) -> None:
        subprocess.run(command, check=True, timeout=20)

    def inside(self, *command: str) -> None:
        self.run("ip", "netns", "exec", self.name, *command)

    def pull(self) -> None:
        """Pull the cable at the broker's end: nobody is told."""
        self.run("ip", "link", "set", self.ours, "down")

    def plug_in(self) -> None:
        self.run("ip", "link", "set", self.ours, "up")

    def spoil(self, *how: str) -> None:
        """Lose and delay packets both ways; skip where the kernel has no such queue."""
        for command in (
            ["tc", "qdisc", "add", "dev", self.ours, "root", "netem", *how],
            [
                "ip",
                "netns",
                "exec",
                self.name,
                "tc",
                "qdisc",
                "add",
                "dev",
                self.theirs,
                "root",
                "netem",
                *how,
            ],
        ):
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if done.returncode != 0:
                pytest.skip(f"this kernel loses no packets on purpose (netem): {done.stderr.strip()}")

    def remove(self) -> None:
        subprocess.run(["ip", "link", "del", self.ours], check=False, capture_output=True)
        subprocess.run(["ip", "netns", "del", self.name], check=False, capture_output=True)


@pytest.fixture
def cable() -> Iterator[Cable]:
    cable = Cable()
    try:
        cable.lay()
        yield cable
    finally:
        cable.remove()


@pytest.fixture
def broker(cable: Cable, make_mosquitto: Callable[..., MosquittoBroker]) -> MosquittoBroker:
    return make_mosquitto(
        settings=("allow_anonymous true", "max_queued_messages 0", f"listener {PORT} {cable.broker}")
    )


class Bench:
    """A watch at the far end of the cable, and a probe at the near one."""

    def __init__(self, folder: Path, cable: Cable, broker: MosquittoBroker) -> None:
        source = f'host = "{cable.broker}"\nkeepalive_s = 5'
        self.config = write_config(folder, room_text(PORT, source=source))
        self.watch = WatchProcess(self.config, prefix=("ip", "netns", "exec", cable.name))
        self.client = self.watch.client
        self._broker = broker
        self._start_s = round(time.time()) - 3000
        self.sent: list[float] = []

    def send(self, count: int) -> None:
        packs: list[tuple[str, str | bytes]] = []
        for _ in range(count):
            number = len(self.sent)
            packs.append(("fish/t000/state", pack(self._start_s + number, 25.0, number)))
            self.sent.append(float(number))
        self._broker.publish_many(packs)

    def has_all(self) -> bool:
        return shown(self.client, channel="flow") == self.sent[-1]

    def stored(self) -> list[float]:
        series = StoreReader(self.config.parent / "room.db").series("t000", Channel.FLOW, 0.0, 1e11)
        return [float(v) for v in series.mean]


@pytest.fixture
def bench(tmp_path: Path, cable: Cable, broker: MosquittoBroker) -> Iterator[Bench]:
    bench = Bench(tmp_path, cable, broker)
    try:
        wait_until(partial(is_connected, bench.client), "the watch at the broker")
        yield bench
    finally:
        bench.watch.kill()


def test_a_cable_that_is_pulled_is_told_and_the_watch_comes_back_by_itself(
    bench: Bench, cable: Cable
) -> None:
    bench.send(100)
    wait_until(bench.has_all, "the values")
    cable.pull()
    # Keepalive 5 s, half as long again until it is missed, and lost for 20 s until it is told.
    wait_until(lambda: alarm_of(bench.client, Condition.SOURCE_LOST) is not None, "source-lost", 60.0)
    cable.plug_in()
    wait_until(partial(is_connected, bench.client), "the watch back at the broker", 60.0)
    bench.send(100)
    wait_until(bench.has_all, "the values after it")
    wait_until(
        lambda: (a := alarm_of(bench.client, Condition.SOURCE_LOST)) and a.state is AlarmState.RETURNED,
        "the end of the alarm",
    )
    bench.watch.stop()
    assert bench.stored() == bench.sent


def test_a_cable_pulled_for_a_moment_loses_nothing_and_tells_nothing(bench: Bench, cable: Cable) -> None:
    for _ in range(3):
        bench.send(50)
        cable.pull()
        bench.send(50)  # the broker holds them, and TCP sends them again
        time.sleep(1.0)
        cable.plug_in()
        wait_until(bench.has_all, "the values after it", 20.0)
    assert alarm_of(bench.client, Condition.SOURCE_LOST) is None
    bench.watch.stop()
    assert bench.stored() == bench.sent


@pytest.mark.parametrize("how", [("delay", "300ms", "100ms"), ("delay", "100ms", "loss", "15%")])
def test_a_radio_link_that_loses_and_delays_packets_loses_no_reading(
    bench: Bench, cable: Cable, how: tuple[str, ...]
) -> None:
    cable.spoil(*how)
    for _ in range(5):
        bench.send(200)
        wait_until(bench.has_all, "the values over the bad link", 60.0)
    assert alarm_of(bench.client, Condition.SOURCE_LOST) is None
    bench.watch.stop()
    assert bench.stored() == bench.sent
