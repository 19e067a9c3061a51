"""A room of twelve tanks on a real broker, and its watches, each in a process of its own."""

import json
import math
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import paho.mqtt.client as paho
from conftest import wait_until
from paho.mqtt.enums import CallbackAPIVersion

from tankwatch.alarms.model import Alarm, AlarmState, Condition
from tankwatch.config import Config, load
from tankwatch.config_split import seen_by
from tankwatch.control.client import ControlClient
from tankwatch.control.path import socket_path
from tankwatch.control.protocol import Look
from tankwatch.errors import ControlError
from tankwatch.reading import Channel
from tankwatch.snapshot import RoomSnapshot
from tankwatch.store.reader import StoreReader

NAMES = ("a", "b", "c")
TANKS = tuple(f"t{number:03}" for number in range(12))
LEASE_S = 3.0
STATED_S = LEASE_S + 3.0
"""No tank is without a watch for longer."""


def room_config(folder: Path, port: int, *, more: str = "", lease_s: float = LEASE_S) -> Path:
    """Write the configuration of the room; return its path."""
    text = '[room]\nname = "Large room"\n[store]\npath = "room.db"\n'
    text += f'[split]\nwatches = ["a", "b", "c"]\nlease_s = {lease_s}\n{more}\n'
    text += f'[[source]]\nid = "broker"\nkind = "mqtt"\nport = {port}\n'
    for tank in TANKS:
        text += f'[[tank]]\nid = "{tank}"\nvolume_l = 120.0\nsetpoint_c = 25.0\nheater_w = 150.0\n'
        for kind in ("temperature", "flow"):
            text += f'[[tank.channel]]\nkind = "{kind}"\nsource = "broker"\ntopic = "fish/{tank}/state"\n'
    path = folder / "room.toml"
    path.write_text(text)
    return path


class OneWatch:
    """One watch of the room, that may be killed, held up, stopped and started again."""

    def __init__(self, path: Path, name: str) -> None:
        """Plan it."""
        self.name = name
        self.config: Config = seen_by(load(path), name)
        self.client = ControlClient(socket_path(self.config))
        self._path = path
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it; do not wait."""
        with (self._path.parent / f"{self.name}.out").open("ab") as out:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tankwatch", "watch", str(self._path), "--as", self.name],
                stdout=out,
                stderr=out,
                env=dict(os.environ),
            )

    def send(self, number: signal.Signals) -> None:
        """Send it a signal."""
        assert self._process is not None
        self._process.send_signal(number)

    def kill(self) -> None:
        """End it at once."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)

    def stop(self) -> None:
        """End it as it should end."""
        assert self._process is not None
        self._process.send_signal(signal.SIGTERM)
        assert self._process.wait(30) == 0

    def look(self) -> RoomSnapshot | None:
        """Return its newest picture, or None if it does not answer."""
        try:
            return self.client.request(Look())
        except (ControlError, OSError):
            return None

    def holds(self) -> set[str]:
        """Return the tanks that it shows."""
        picture = self.look()
        return {tank.tank_id for tank in picture.tanks} if picture else set()

    def alarms(self) -> list[Alarm]:
        """Return the alarms of tanks that it shows."""
        picture = self.look()
        return [alarm for alarm in picture.alarms if alarm.tank] if picture else []

    @property
    def reader(self) -> StoreReader:
        """Its store."""
        return StoreReader(self.config.store.path)

    def log(self) -> str:
        """Return what it wrote to its log."""
        return (self._path.parent / f"{self.name}.out").read_text()


class Feeder:
    """Publishes a pack of each tank again and again; each bears its number, as a `flow`.

    Stamps run ahead a minute for each pack, so that the water is judged within seconds.
    """

    def __init__(self, port: int, every_s: float) -> None:
        """Connect."""
        self.sent_s: list[float] = []
        """Wall time of each pack; the index is its number."""
        self.celsius: dict[str, float] = dict.fromkeys(TANKS, 25.0)
        self._every_s = every_s
        self._first_s = time.time() - 30 * 86_400.0
        self._stop = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> "Feeder":
        """Begin."""
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        """End."""
        self._stop.set()
        self._thread.join(10)
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            now_s = time.time()
            number = len(self.sent_s)
            for tank in TANKS:
                celsius = self.celsius[tank] + 0.2 * math.sin(number / 7.0)
                stamp_s = self._first_s + 60.0 * number
                records = [
                    {"bt": stamp_s, "n": "temperature", "u": "Cel", "v": round(celsius, 2)},
                    {"n": "flow", "v": number},
                ]
                text = json.dumps(records)
                self._client.publish(f"fish/{tank}/state", text, qos=1)
            self.sent_s.append(now_s)


def stored_numbers(watches: Mapping[str, OneWatch], tank: str) -> Counter[int]:
    """Return how often each pack of a tank stands in the stores of all watches."""
    found: Counter[int] = Counter()
    for watch in watches.values():
        if watch.config.store.path.exists():
            found.update(int(v) for v in watch.reader.series(tank, Channel.FLOW, 0.0, 1e11).mean.tolist())
    return found


def unwatched_s(feeder: Feeder, stored: Counter[int], since_s: float) -> float:
    """Return how long after `since_s`, wall time, the first pack was sent that somebody judged."""
    for number, sent_s in enumerate(feeder.sent_s):
        if sent_s >= since_s and number in stored:
            return sent_s - since_s
    return math.inf


def begun_alarms(watches: Mapping[str, OneWatch], tank: str) -> list[Condition]:
    """Return the condition of every alarm of a tank that a watch itself began, by the stores."""
    return [
        step.alarm.condition
        for watch in watches.values()
        if watch.config.store.path.exists()
        for step in watch.reader.steps(0.0, 1e11, tank)
        if step.from_state is AlarmState.NORMAL and not (step.why or "").startswith("taken over")
    ]


def wait_for_shares(watches: Mapping[str, OneWatch], names: str, timeout_s: float = 30.0) -> None:
    """Wait until each of `names` holds a share, and together they hold every tank once."""

    def shared() -> bool:
        held = [watches[name].holds() for name in names]
        return all(held) and sum(map(len, held)) == len(TANKS) and set().union(*held) == set(TANKS)

    wait_until(shared, f"{names} to share the tanks", timeout_s)


BELL = """\
import os, sys
out = os.open(sys.argv[1], os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
os.write(out, sys.stdin.read().encode() + b"\\n")
os.close(out)
"""


def bell(folder: Path) -> str:
    """Return the part of a configuration that has one person told by a program that notes each message."""
    program = folder / "bell.py"
    program.write_text(BELL)
    command = [sys.executable, "-I", str(program), str(folder / "told.txt")]
    person = '[[person]]\nid = "sam"\nways = ["bell"]\n'
    return (
        f'[notify]\nrepeat_min = 600\n[[way]]\nid = "bell"\nkind = "command"\ncommand = {command!r}\n{person}'
    )


def told(folder: Path, kind: str, tank: str) -> set[str]:
    """Return the ids of the messages of a kind about a tank that the person got."""
    path = folder / "told.txt"
    messages = [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []
    return {m["message_id"] for m in messages if m["kind"] == kind and tank in m["tanks"]}
