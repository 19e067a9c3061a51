"""A load for a watch that is to be killed: readings, alarms that come and go, people who act and are told.

All that a keeper could have seen is noted with the time at which it was seen, to be asked of the store later.
"""

import math
import random
import threading
import time
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from rooms import WatchProcess, look, pack

from tankwatch.alarms.model import AlarmState
from tankwatch.control.client import ControlClient
from tankwatch.control.protocol import Acknowledge, Mark, Note
from tankwatch.errors import ControlError
from tankwatch.reading import ServiceMark
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import TankSim, TankSpec
from tankwatch.snapshot import RoomSnapshot

AGO_S = 30 * 86_400.0
"""The stamps begin so long ago, so that days go by in seconds."""


@dataclass(frozen=True)
class Pace:
    """How fast the load comes."""

    tanks: int
    pause_s: float
    """Between two packs of a tank."""
    step_s: float
    """Between two packs of a tank, by their stamps."""
    longest_s: float
    """How long most lives last at most."""
    window_s: float
    """A reading this old is on the disk: gathered for a second, in a large room for up to ten; written."""


@dataclass
class Seen:
    """What was seen or answered, with the monotonic time of it."""

    pictures: list[tuple[float, RoomSnapshot]] = field(default_factory=list)
    acknowledged: dict[str, tuple[int, float]] = field(default_factory=dict)
    """Alarm number and time by the name that acknowledged it; no name is used twice."""
    entries: dict[str, float] = field(default_factory=dict)
    """By text: none is used twice."""
    marks: dict[str, float] = field(default_factory=dict)
    """By name."""


class Publisher:
    """Publishes packs of every tank at QoS 1, over one connection."""

    def __init__(self, port: int, pace: Pace) -> None:
        """Connect."""
        self._pace = pace
        self.start_s = round(time.time() - AGO_S)
        self.next_number = 0
        self._tanks = pace.tanks
        spec = TankSpec(
            "t000",
            volume_l=20.0,
            heater_w=100.0,
            loss_w_per_k=4.0,
            hysteresis_k=0.5,
            interval_s=pace.step_s,
        )
        self._heated = TankSim(spec, RoomAir(), float(self.start_s), seed=7)
        self._unanswered: deque[paho.MQTTMessageInfo] = deque()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(1000)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def publish_round(self) -> None:
        """Publish one pack of each tank."""
        number = self.next_number
        self.next_number += 1
        stamp_s = self.start_s + self._pace.step_s * number
        self._heated.advance(stamp_s)
        for tank in range(self._tanks):
            if tank == 0:
                celsius, heater = self._heated.probe_c() or 25.0, self._heated.heater_on
            else:  # in and out of the limits within some hours of stamps
                celsius = 25.0 + 3.2 * math.sin((stamp_s - self.start_s) / 900.0 + tank)
                heater = False
            sent = self._client.publish(
                f"fish/t{tank:03}/state", pack(stamp_s, round(celsius, 2), number, heater=heater), qos=1
            )
        self._unanswered.append(sent)
        if len(self._unanswered) > 50:  # a broker that is behind is not driven further behind
            self._unanswered.popleft().wait_for_publish(10)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


class Round:
    """One life of the watch: loaded from the first picture until it is killed."""

    def __init__(
        self, watch: WatchProcess, publisher: Publisher, number: int, seen: Seen, pace: Pace
    ) -> None:
        """Begin to load the watch."""
        self._pace = pace
        self._client: ControlClient = watch.client
        self._publisher = publisher
        self._number = number
        self._seen = seen
        self._stop = threading.Event()
        self._random = random.Random(number)
        self._threads = [threading.Thread(target=work) for work in (self._publish, self._watch, self._act)]
        for thread in self._threads:
            thread.start()

    def end(self) -> None:
        """Stop loading, after the watch was killed."""
        self._stop.set()
        for thread in self._threads:
            thread.join(30)
            assert not thread.is_alive()

    def _publish(self) -> None:
        while not self._stop.wait(self._pace.pause_s):
            self._publisher.publish_round()

    def _watch(self) -> None:
        while not self._stop.wait(0.03):
            picture = look(self._client)
            if picture is not None:
                self._seen.pictures.append((time.monotonic(), picture))

    def _act(self) -> None:
        count = 0
        while not self._stop.wait(self._random.uniform(0.0, 0.1)):
            count += 1
            name = f"Ada {self._number}.{count}"
            try:
                self._act_once(count, name)
            except ControlError:
                continue  # refused or cut off: nothing was promised

    def _act_once(self, count: int, name: str) -> None:
        if count % 3 == 0:
            self._client.request(Note(tank=None, kind="note", text=name, who="Ada"))
            self._seen.entries[name] = time.monotonic()
        elif count % 7 == 0:
            self._client.request(Mark(tank="t001", mark=ServiceMark.END, who=name))
            self._seen.marks[name] = time.monotonic()
        elif self._seen.pictures and self._random.random() < 0.2:  # people are told before someone acts
            _, picture = self._seen.pictures[-1]
            for alarm in picture.alarms:
                if alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED) and alarm.alarm_id:
                    self._client.request(Acknowledge(alarm_id=alarm.alarm_id, who=name))
                    self._seen.acknowledged[name] = (alarm.alarm_id, time.monotonic())
                    return


BELL = """\
import json, os, sys
line = (json.loads(sys.stdin.read())["message_id"] + "\\n").encode()
out = os.open(sys.argv[1], os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
os.write(out, line)
os.close(out)
"""


def telling(folder: Path, python: str) -> str:
    """Return the part of a configuration that has two people told by a program that notes each message."""
    program = folder / "bell.py"
    program.write_text(BELL)
    command = [python, "-I", str(program), str(folder / "told.txt")]
    text = f'[[way]]\nid = "bell"\nkind = "command"\ncommand = {command!r}\n'
    for name in ("sam", "kim", "ola"):
        text += f'[[person]]\nid = "{name}"\nways = ["bell"]\nfrom_priority = "low"\n'
    return text


def told(folder: Path) -> list[str]:
    """Return the ids of the messages that people got, in order."""
    path = folder / "told.txt"
    return path.read_text().split() if path.exists() else []
