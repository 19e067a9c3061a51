"""A thousand tanks in ten rooms, through real watches, brokers and bridges, to one screen.

Only the tanks are simulated (in this process): each of ten watches takes the readings of its hundred from a
broker of its own, judges and stores them, and publishes; bridges carry that to one broker, and one screen in
a terminal shows it all. Processor time is that of each process by /proc.
"""

import os
import statistics
import sys
import time
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import paho.mqtt.client as paho
from bench_table import Row
from paho.mqtt.enums import CallbackAPIVersion

TESTS = Path(__file__).parent.parent
sys.path[:0] = [str(TESTS / "screen"), str(TESTS / "rooms")]

from bridged import CuttableLink  # noqa: E402
from pty_measure import ScreenInTerminal  # noqa: E402
from rooms_rig import READING_EVERY_S, Rig, Room  # noqa: E402

from tankwatch.control.client import ControlClient  # noqa: E402
from tankwatch.control.protocol import Look  # noqa: E402
from tankwatch.errors import ControlError  # noqa: E402

ROOMS, TANKS = 10, 100
_SETTLE_S = 75.0
"""Every status is sent again each minute: after it the flow is what it stays."""
_WATCHED_S = 60.0
_COUNTED_S = 60.0
_OPENED_S = 40.0
_FAULTS = 8
_SEEN_WITHIN_S = 30.0


class _Screen(ScreenInTerminal):
    """`tankwatch screen --rooms` in a terminal."""

    def __init__(self, config: Path, columns: int = 120, rows: int = 40) -> None:
        command = [sys.executable, "-m", "tankwatch", "screen", "--rooms", str(config)]
        super().__init__(0, "", columns, rows, command=command)


def rooms(folder: Path) -> list[Row]:
    """Measure the whole chain."""
    rig = Rig(folder, ROOMS, TANKS)
    link = CuttableLink(rig.centre.port)
    try:
        rig.start()
        with _Screen(rig.centre_file(link.port)) as screen:
            began = screen.read(60, until=f"All {ROOMS} rooms are quiet".encode())
            if f"All {ROOMS} rooms are quiet".encode() not in began:
                raise RuntimeError(f"the rooms are not all seen as quiet: {began[-500:]!r}")
            screen.read(_SETTLE_S)
            rows = _flow(rig, link, screen)
            rows += _opened(screen)
            rows += _count(rig)
            rows += _faults(rig, screen)
            rows.append(_death(rig, screen))
        return rows
    finally:
        rig.stop()
        link.close()


def _flow(rig: Rig, link: CuttableLink, screen: _Screen) -> list[Row]:
    watches = [room.watch_pid for room in rig.rooms]
    edges = [room.broker.pid for room in rig.rooms]
    groups = {"watches": watches, "edges": edges, "centre": [rig.centre.pid], "screen": [screen.pid]}
    before = {name: _cpu_s(pids) for name, pids in groups.items()}
    bytes_before, began_s = link.bytes_back, time.monotonic()
    painted = len(screen.read(_WATCHED_S))
    took_s = time.monotonic() - began_s
    cpu = {name: (_cpu_s(pids) - before[name]) / took_s for name, pids in groups.items()}
    to_screen = (link.bytes_back - bytes_before) / took_s
    tanks = ROOMS * TANKS

    def share(what: str, cores: float, note: str = "") -> Row:
        return Row(what, f"{100 * cores:.2f} % of a core", note, cores)

    return [
        Row(f"{ROOMS} rooms of {TANKS} tanks, a reading each", f"{READING_EVERY_S:g} s", "3 values"),
        share("  one watch of the ten", cpu["watches"] / ROOMS, f"all {100 * cpu['watches']:.0f} %"),
        share("  one room's broker", cpu["edges"] / ROOMS, f"all {100 * cpu['edges']:.1f} %"),
        share("  the broker of the centre", cpu["centre"]),
        share("  the screen of all rooms", cpu["screen"], f"{1e6 * cpu['screen'] / tanks:.0f} µs/s a tank"),
        Row("  broker to screen", f"{to_screen:,.0f} B/s", f"{to_screen / tanks:.1f} B/s a tank"),
        Row("  screen to terminal 120x40", f"{painted / took_s:,.0f} B/s", ""),
        Row("  resident memory: the screen", f"{_memory_mib([screen.pid]):.0f} MiB", ""),
        Row("  one watch", f"{_memory_mib(watches) / ROOMS:.0f} MiB", f"all {_memory_mib(watches):.0f} MiB"),
        Row("  the broker of the centre", f"{_memory_mib([rig.centre.pid]):.0f} MiB", ""),
    ]


def _opened(screen: _Screen) -> list[Row]:
    """Measure what the screen takes while one room with its tanks is looked at."""
    screen.press(b"\r")
    screen.read(10.0)
    cost = screen.measure(_OPENED_S)
    screen.press(b"u")
    return [
        Row(f"  one room of {TANKS} opened: to terminal", f"{cost.bytes_per_s:,.0f} B/s", "120x40"),
        Row("  processor", f"{cost.cpu_percent:.2f} % of a core", "", cost.cpu_percent / 100),
    ]


def _count(rig: Rig) -> list[Row]:
    """Count what the broker of the centre hands to a reader, by kind."""
    messages: Counter[str] = Counter()
    size: Counter[str] = Counter()

    def note(client: paho.Client, userdata: object, message: paho.MQTTMessage) -> None:
        if not message.retain:
            kind = message.topic.split("/")[3]
            messages[kind] += 1
            size[kind] += len(message.payload)

    reader = paho.Client(CallbackAPIVersion.VERSION2)
    reader.on_message = note
    reader.connect("127.0.0.1", rig.centre.port)
    reader.subscribe("tankwatch/#", qos=1)
    reader.loop_start()
    time.sleep(_COUNTED_S)
    reader.disconnect()
    reader.loop_stop()
    return [
        Row(
            f"  statuses of kind {kind}",
            f"{messages[kind] / _COUNTED_S:.1f} a second",
            f"{size[kind] / messages[kind]:.0f} B each",
        )
        for kind in sorted(messages)
    ]


def _faults(rig: Rig, screen: _Screen) -> list[Row]:
    """Lower the level under a heater that is on, in one room after the other; time how it is seen."""
    told, seen = [], []
    for number, room in enumerate(rig.rooms[:_FAULTS]):
        tank = 11 + number
        screen.read(2.0)
        began_s = time.monotonic()
        room.send(tank, [{"n": "service", "vs": "water-out"}, {"n": "heater", "vb": True}])
        in_room_s = _until_told(room) - began_s
        if b"heater exposed" not in (got := screen.read(_SEEN_WITHIN_S, until=b"heater exposed")):
            raise RuntimeError(f"the fault was not seen: {got[-300:]!r}")
        told.append(in_room_s)
        seen.append(time.monotonic() - began_s)
        room.send(tank, [{"n": "heater", "vb": False}, {"n": "service", "vs": "end"}])
        screen.read(3.0)
    return [
        Row(f"  fault to alarm in the room, median of {_FAULTS}", f"{statistics.median(told):.2f} s", ""),
        Row(
            "  fault to the screen of all rooms",
            f"{statistics.median(seen):.2f} s",
            f"worst {max(seen):.2f} s",
        ),
    ]


def _until_told(room: Room) -> float:
    """Return when the room's own watch shows the alarm."""
    client = ControlClient(next(room.folder.glob("tankwatch/*.sock")))
    end_s = time.monotonic() + _SEEN_WITHIN_S
    while time.monotonic() < end_s:
        try:
            picture = client.request(Look())
        except ControlError:
            picture = None
        if picture is not None and any(alarm.condition == "heater-exposed" for alarm in picture.alarms):
            return time.monotonic()
        time.sleep(0.02)
    raise RuntimeError(f"{room.name} does not tell of the fault")


def _death(rig: Rig, screen: _Screen) -> Row:
    """Kill a watch, and time until its room is shown as signed off."""
    screen.read(3.0)
    began_s = time.monotonic()
    rig.rooms[-1].kill_watch()
    if b"signed off" not in screen.read(_SEEN_WITHIN_S, until=b"signed off"):
        raise RuntimeError("the death of a watch was not seen")
    return Row("  death of a watch to the screen", f"{time.monotonic() - began_s:.2f} s", "its last will")


def _cpu_s(pids: Iterable[int]) -> float:
    total = 0
    for pid in pids:
        fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        total += int(fields[11]) + int(fields[12])
    return total / os.sysconf("SC_CLK_TCK")


def _memory_mib(pids: Iterable[int]) -> float:
    total = 0
    for pid in pids:
        status = Path(f"/proc/{pid}/status").read_text()
        total += int(next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS")))
    return total / 1024
