"""Broker, link, serial port and disk fail together, at random, for a while; then all is well again."""

import json
import os
import random
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import MosquittoBroker, wait_until
from faulty_disk import FaultyDisk
from proxy import Proxy, proxy
from rooms import WatchProcess, alarm_of, look, pack, room_text, shown, write_config

from tankwatch.alarms.model import AlarmState, Condition
from tankwatch.control.protocol import Note
from tankwatch.errors import ControlError
from tankwatch.reading import Channel
from tankwatch.store.reader import StoreReader

pytestmark = pytest.mark.usefixtures("own_runtime_folder")

BENCH = """
[[source]]
id = "bench"
kind = "serial"
port = "{port}"
[[tank]]
id = "bench"
volume_l = 120.0
setpoint_c = 25.0
[[tank.channel]]
kind = "temperature"
source = "bench"
[[tank.channel]]
kind = "flow"
source = "bench"
"""


class Troubles:
    """Makes trouble until told to stop, and then puts all right."""

    def __init__(
        self, folder: Path, broker: MosquittoBroker, link: Proxy, disk: FaultyDisk, seed: int
    ) -> None:
        self.name = folder / "probe"
        self._ours = -1
        self._broker, self._link, self._disk = broker, link, disk
        self._random = random.Random(seed)
        self._start_s = round(time.time()) - 3000
        self.number = 0
        self.lost = 0
        self.plug_in()

    def plug_in(self) -> None:
        self._ours, theirs = os.openpty()
        tty.setraw(theirs)
        os.set_blocking(self._ours, False)
        self.name.symlink_to(os.ttyname(theirs))
        os.close(theirs)

    def send(self) -> None:
        """Send one pack to each tank, if its link stands."""
        text = pack(self._start_s + self.number, 25.0, self.number)
        self.number += 1
        try:
            self._broker.publish("fish/t000/state", text)
        except OSError:
            self.lost += 1  # the broker is down just now
        try:
            os.write(self._ours, text.encode() + b"\n")
        except OSError:
            self.lost += 1  # nobody reads the port

    def make_some(self) -> None:
        """Let something fail, or be well again."""
        match self._random.choice(["broker", "link", "link", "noise", "pull", "disk", "disk"]):
            case "broker":
                self._broker.stop()
                self._broker.start()
            case "link":
                self._link.mode = self._random.choice(["pass", "swallow", "refuse", "slow"])
            case "noise":
                try:
                    os.write(self._ours, self._random.randbytes(4096))
                except OSError:
                    self.plug_again()
            case "pull":
                self.plug_again()
            case "disk":
                self._disk.order(self._random.choice(["", "stall", "full", "broken", "readonly"]))

    def plug_again(self) -> None:
        self.name.unlink()
        os.close(self._ours)
        self.plug_in()

    def put_right(self) -> None:
        self._disk.order("")
        self._link.mode = "pass"
        self.plug_again()


def _trouble(folder: Path, broker: MosquittoBroker, seconds: float, seed: int) -> None:
    disk = FaultyDisk(folder)
    with proxy(broker.port) as link:
        troubles = Troubles(folder, broker, link, disk, seed)
        text = room_text(link.port, source="keepalive_s = 5") + BENCH.format(port=troubles.name)
        with WatchProcess(write_config(folder, text), environment=disk.environment) as watch:
            answered = _make_trouble(watch, troubles, seconds)
            troubles.put_right()
            time.sleep(0.3)  # a line that comes as the port opens may be half a line
            _all_is_well(watch, troubles)
            watch.stop()
    reader = StoreReader(folder / "room.db")
    texts = [entry.text for entry in reader.log()]
    assert len(texts) == len(set(texts)), "an entry is there twice"
    assert set(answered) <= set(texts), "an entry that was answered is lost"
    for tank in ("t000", "bench"):
        series = reader.series(tank, Channel.FLOW, 0.0, 1e11)
        stamps = series.time_s.tolist()
        assert len(stamps) == len(set(stamps))
        # Whatever came through is what was sent then: no value of noise, no two halves joined.
        assert [t - v for t, v in zip(stamps, series.mean, strict=True)] == [
            stamps[0] - series.mean[0]
        ] * len(stamps)
    print(json.dumps({"packs": troubles.number, "entries": len(texts), "answered": len(answered)}))


def _make_trouble(watch: WatchProcess, troubles: Troubles, seconds: float) -> list[str]:
    answered: list[str] = []
    over = threading.Event()

    def act() -> None:
        count = 0
        while not over.wait(0.2):
            count += 1
            try:
                watch.client.request(Note(tank=None, kind="note", text=f"entry {count}", who="Ada"))
            except ControlError:
                continue  # done and not yet kept, or refused: nothing was promised
            answered.append(f"entry {count}")

    actor = threading.Thread(target=act)
    actor.start()
    end_s, oldest_s, next_s = time.monotonic() + seconds, 0.0, 0.0
    try:
        while time.monotonic() < end_s:
            if time.monotonic() >= next_s:
                next_s = time.monotonic() + 1.0
                troubles.make_some()
            troubles.send()
            picture = look(watch.client)
            assert picture is not None, "the watch has ended"
            oldest_s = max(oldest_s, time.time() - picture.time_s)
            time.sleep(0.05)
    finally:
        over.set()
        actor.join(30)
    assert oldest_s < 4.0, f"the judge stood still for {oldest_s:.1f} s"
    return answered


def _all_is_well(watch: WatchProcess, troubles: Troubles) -> None:
    def is_well() -> bool:
        picture = look(watch.client)
        return (
            picture is not None
            and all(source.state == "connected" for source in picture.sources)
            and picture.store.state == "fine"
        )

    wait_until(is_well, "all sources and the store to be well", timeout_s=60.0)

    def values_come() -> bool:
        troubles.send()
        time.sleep(0.2)
        return all(shown(watch.client, tank, "flow") == troubles.number - 1 for tank in (0, 1))

    wait_until(values_come, "values by both ways", timeout_s=20.0)
    stalled = alarm_of(watch.client, Condition.WATCH_STALLED)
    assert stalled is None
    wait_until(
        lambda: (
            (a := alarm_of(watch.client, Condition.STORE_BEHIND)) is None or a.state is AlarmState.RETURNED
        ),
        "the end of store-behind",
    )


def test_broker_link_port_and_disk_fail_together(
    tmp_path: Path, make_mosquitto: Callable[..., MosquittoBroker]
) -> None:
    _trouble(tmp_path, make_mosquitto(), 4.0, seed=11)


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_broker_link_port_and_disk_fail_together_for_a_minute(
    tmp_path: Path, make_mosquitto: Callable[..., MosquittoBroker], seed: int
) -> None:
    _trouble(tmp_path, make_mosquitto(), 60.0, seed)
