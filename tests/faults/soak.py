"""A large room under load for long: what the watch's process takes, sampled while it runs."""

import contextlib
import json
import math
import socket
import threading
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from rooms import WatchProcess, is_connected, look, room_text, shown, write_config

from tankwatch.control.protocol import Follow, request_line
from tankwatch.reading import Channel
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import TankSim, TankSpec
from tankwatch.store.reader import StoreReader

SIMULATED = 10
"""So many tanks have the physics of heated water; the rest a sine, which costs less to make."""


@dataclass(frozen=True)
class Sample:
    """The process at one moment."""

    at_s: float
    data_h: float
    """Hours of stamps published so far."""
    resident_mb: float
    handles: int
    threads: int
    wal_mb: float
    store_mb: float
    waiting: int
    dropped: int
    cpu_s: float
    alarms: int
    picture_age_s: float


class Soak:
    """Publishes `hours` of stamps of `tanks` tanks within `wall_s` seconds, and samples the watch."""

    def __init__(self, folder: Path, port: int, *, tanks: int, hours: float, step_s: float, wall_s: float):
        """Prepare; the watch is started by `run`."""
        self._config = write_config(folder, room_text(port, tanks))
        self._port = port
        self._tanks = tanks
        self._rounds = int(hours * 3600.0 / step_s)
        self._step_s = step_s
        self._wall_s = wall_s
        self._start_s = round(time.time() - hours * 3600.0 - 600.0)
        self._number = 0
        self.samples: list[Sample] = []
        self.stored = 0
        self.published = 0

    def run(self, sample_every_s: float) -> None:
        """Run to the end of the stamps."""
        with WatchProcess(self._config) as watch, contextlib.ExitStack() as stack:
            while not is_connected(watch.client):
                time.sleep(0.05)
            # A screen that has hung: it follows and never reads. It must cost the watch nothing.
            hung = stack.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM))
            hung.connect(str(watch.client.path))
            hung.sendall(request_line(Follow()))
            publisher = threading.Thread(target=self._publish, daemon=True)
            publisher.start()
            while publisher.is_alive():
                publisher.join(sample_every_s)
                self._sample(watch)
            deadline_s = time.monotonic() + 60.0
            while time.monotonic() < deadline_s:
                if shown(watch.client, self._tanks - 1, "flow") == self._number:
                    break
                time.sleep(0.2)
            self._sample(watch)
            watch.stop()
        self.stored = self._count()

    def _count(self) -> int:
        """Return how many readings are in the store."""
        reader = StoreReader(self._config.parent / "room.db")
        channels = (Channel.TEMPERATURE, Channel.HEATER, Channel.FLOW)
        return sum(
            len(reader.series(f"t{tank:03}", channel, 0.0, 1e11))
            for tank in range(self._tanks)
            for channel in channels
        )

    def _publish(self) -> None:
        client = paho.Client(CallbackAPIVersion.VERSION2)
        client.max_inflight_messages_set(2000)
        client.connect("127.0.0.1", self._port)
        client.loop_start()
        air = RoomAir()
        sims = [
            TankSim(TankSpec(f"t{n:03}", interval_s=self._step_s), air, float(self._start_s), seed=n)
            for n in range(min(SIMULATED, self._tanks))
        ]
        began = time.monotonic()
        for number in range(self._rounds):
            stamp_s = self._start_s + self._step_s * number
            last = None
            for tank in range(self._tanks):
                if tank < len(sims):
                    sims[tank].advance(stamp_s)
                    celsius, heater = sims[tank].probe_c() or 25.0, sims[tank].heater_on
                else:
                    phase = 2.0 * math.pi * (stamp_s / 3600.0 + tank / 300.0)
                    celsius, heater = 25.0 + 0.3 * math.sin(phase), math.cos(phase) > 0.0
                payload = (
                    f'[{{"bt":{stamp_s},"n":"temperature","u":"Cel","v":{celsius:.2f}}},'
                    f'{{"n":"heater","vb":{"true" if heater else "false"}}},{{"n":"flow","v":{number}}}]'
                )
                last = client.publish(f"fish/t{tank:03}/state", payload, qos=1)
                self.published += 1
            self._number = number
            if last is not None:
                last.wait_for_publish(60)
            due_s = began + self._wall_s * (number + 1) / self._rounds
            time.sleep(max(0.0, due_s - time.monotonic()))
        client.disconnect()
        client.loop_stop()

    def _sample(self, watch: WatchProcess) -> None:
        began = time.monotonic()
        picture = look(watch.client)
        if picture is None:
            return
        process = Path(f"/proc/{watch.process.pid}")
        status = dict(line.split(":", 1) for line in (process / "status").read_text().splitlines())
        ticks = (process / "stat").read_text().rpartition(")")[2].split()
        self.samples.append(
            Sample(
                at_s=round(began, 1),
                data_h=round(self._number * self._step_s / 3600.0, 2),
                resident_mb=round(int(status["VmRSS"].split()[0]) / 1024.0, 1),
                handles=len(list((process / "fd").iterdir())),
                threads=int(status["Threads"]),
                wal_mb=round(picture.store.wal_bytes / 2**20, 1),
                store_mb=round(picture.store.size_bytes / 2**20, 1),
                waiting=picture.store.waiting,
                dropped=picture.store.dropped + picture.sources[0].dropped,
                cpu_s=round((int(ticks[11]) + int(ticks[12])) / 100.0, 1),
                alarms=len(picture.alarms),
                picture_age_s=round(time.time() - picture.time_s, 2),
            )
        )

    def figures(self) -> str:
        """Return the first, the middle and the last sample, and the extremes, as JSON lines."""
        chosen = [self.samples[0], self.samples[len(self.samples) // 2], self.samples[-1]]
        lines = [json.dumps(asdict(sample)) for sample in chosen]
        lines.append(
            json.dumps(
                {
                    "tanks": self._tanks,
                    "wall_s": round(self.samples[-1].at_s - self.samples[0].at_s),
                    "packs": self.published,
                    "readings_stored": self.stored,
                    "highest_resident_mb": max(s.resident_mb for s in self.samples),
                    "highest_handles": max(s.handles for s in self.samples),
                    "highest_wal_mb": max(s.wal_mb for s in self.samples),
                    "oldest_picture_s": max(s.picture_age_s for s in self.samples),
                }
            )
        )
        return "\n".join(lines)
