"""Many rooms as they would be: each with broker, watch and probes, bridged to the broker of the centre.

    python tests/bench/rooms_rig.py FOLDER ROOMS TANKS

runs them until interrupted and prints the command that shows them. Only the tanks are simulated: every
reading goes over real MQTT into a real watch, and every status over a real bridge.
"""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import paho.mqtt.client as paho
from conftest import MosquittoBroker
from paho.mqtt.enums import CallbackAPIVersion

from tankwatch.demo.publisher import tank_pack
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import TankSim, TankSpec

NAMES = (
    "Back room", "Cellar", "North hall", "South hall", "Nursery", "Quarantine", "Upper floor", "Annexe",
    "Window row", "Old store",
)  # fmt: skip
READING_EVERY_S = 7.5
"""Midway between the 5 s and 10 s that probes usually take."""


class Room:
    """One room: its broker, its watch, and its simulated tanks."""

    def __init__(self, folder: Path, number: int, tanks: int, centre_port: int, *, publish: str = "") -> None:
        self.name = NAMES[number % len(NAMES)] + (
            "" if number < len(NAMES) else f" {number // len(NAMES) + 1}"
        )
        self.room_id = f"room-{number:02}"
        self.folder = folder / self.room_id
        self.folder.mkdir(parents=True, exist_ok=True)
        topics = [f"topic tankwatch/1/{self.room_id}/{name} out 1" for name in _OUT]
        self.broker = MosquittoBroker(
            self.folder,
            settings=(
                "allow_anonymous true",
                f"connection {self.room_id}",
                f"address 127.0.0.1:{centre_port}",
                "bridge_protocol_version mqttv50",
                "cleansession true",
                "notifications false",
                "restart_timeout 1",
                *topics,
                f"topic tankwatch/1/{self.room_id}/acknowledge in 1",
            ),
        )
        now_s = time.time()
        air = RoomAir(start_s=now_s - 3600, days=2, seed=number + 1)
        self.sims = [_sim(n, air, now_s - 600.0, seed=1000 * number + n) for n in range(tanks)]
        self.config = self.folder / "room.toml"
        self._publish_keys = publish
        self._process: subprocess.Popen[bytes] | None = None
        self._client = paho.Client(CallbackAPIVersion.VERSION2)

    def start(self) -> None:
        self.broker.start()
        self.config.write_text(self._config_text())
        self._client.connect("127.0.0.1", self.broker.port)
        self._client.loop_start()
        self.start_watch()

    def start_watch(self) -> None:
        with (self.folder / "watch.out").open("ab") as out:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tankwatch", "watch", str(self.config)],
                stdout=out,
                stderr=out,
                env={**os.environ, "XDG_RUNTIME_DIR": str(self.folder)},
            )

    @property
    def watch_pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def kill_watch(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(20)
        self._client.disconnect()
        self._client.loop_stop()
        self.broker.stop()

    def read_tank(self, number: int) -> None:
        """Let the probe of one tank send what it reads now."""
        sim, now_s = self.sims[number], time.time()
        sim.advance(now_s)
        self.send(number, tank_pack(sim, now_s))

    def send(self, number: int, pack: list[dict[str, object]]) -> None:
        """Publish records as the probe of a tank."""
        self._client.publish(f"fish/{self.sims[number].spec.tank_id}", json.dumps(pack), qos=1)

    def _config_text(self) -> str:
        parts = [
            f'[room]\nname = "{self.name}"\nid = "{self.room_id}"\n[store]\npath = "room.db"\n'
            f'[[source]]\nid = "broker"\nkind = "mqtt"\nport = {self.broker.port}\n'
            f"[publish]\nport = {self.broker.port}\n{self._publish_keys}\n"
        ]
        for number, sim in enumerate(self.sims):
            spec = sim.spec
            parts.append(
                f'[[tank]]\nid = "{spec.tank_id}"\nname = "Shelf {number + 1}"\nvolume_l = {spec.volume_l}\n'
                f"setpoint_c = {spec.setpoint_c}\nheater_w = {spec.heater_w}\n"
                f"probe_interval_s = {READING_EVERY_S}\n"
            )
            parts.extend(
                f'[[tank.channel]]\nkind = "{kind}"\nsource = "broker"\ntopic = "fish/{spec.tank_id}"\n'
                for kind in ("temperature", "heater", "light", "service")
            )
        return "".join(parts)


_OUT = ("online", "state", "tank/+", "permit/+")


def _sim(number: int, air: RoomAir, start_s: float, seed: int) -> TankSim:
    spec = TankSpec(
        tank_id=f"t{number + 1:03}",
        volume_l=60.0 + 10.0 * (number % 12),
        heater_w=100.0 + 10.0 * (number % 10),
        setpoint_c=24.5 + 0.5 * (number % 5),
        loss_w_per_k=4.0 + 0.3 * (number % 12),
        interval_s=READING_EVERY_S,
    )
    return TankSim(spec, air, start_s, seed=seed)


class Rig:
    """All rooms and the broker of the centre."""

    def __init__(self, folder: Path, rooms: int, tanks: int, *, publish: str = "") -> None:
        self.folder = folder
        centre_folder = folder / "centre"
        centre_folder.mkdir(parents=True, exist_ok=True)
        self.centre = MosquittoBroker(centre_folder)
        self.centre.start()
        self.rooms = [Room(folder, n, tanks, self.centre.port, publish=publish) for n in range(rooms)]
        self._stop = threading.Event()
        self._probes = threading.Thread(target=self._read_all, name="probes", daemon=True)

    def start(self) -> None:
        for room in self.rooms:
            room.start()
        self._probes.start()

    def _read_all(self) -> None:
        """Let every tank send in its turn, spread evenly."""
        turns = self._turns()
        count = sum(len(room.sims) for room in self.rooms)
        due_s = time.monotonic()
        while not self._stop.wait(max(0.0, due_s - time.monotonic())):
            room, number = next(turns)
            room.read_tank(number)
            due_s = max(due_s + READING_EVERY_S / count, time.monotonic() - READING_EVERY_S)

    def _turns(self) -> Iterator[tuple[Room, int]]:
        while True:
            for number in range(max(len(room.sims) for room in self.rooms)):
                for room in self.rooms:
                    if number < len(room.sims):
                        yield room, number

    def centre_file(self, port: int) -> Path:
        """Write the configuration of a centre that hears the broker at `port`."""
        path = self.folder / "centre.toml"
        path.write_text(f'[room]\nname = "Centre"\n[centre]\nport = {port}\n')
        return path

    def stop(self) -> None:
        self._stop.set()
        if self._probes.is_alive():
            self._probes.join(5.0)
        for room in self.rooms:
            room.stop()
        self.centre.stop()


def _leave(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _main() -> None:
    signal.signal(signal.SIGTERM, _leave)  # a rig in the background must not leave its rooms behind
    signal.signal(signal.SIGINT, _leave)
    folder = Path(sys.argv[1])
    rig = Rig(folder, int(sys.argv[2]), int(sys.argv[3]))
    rig.start()
    try:
        print(f"tankwatch screen --rooms {rig.centre_file(rig.centre.port)}", flush=True)
        for line in sys.stdin:  # room tank JSON: sent as that tank's probe
            number, tank, pack = line.split(maxsplit=2)
            rig.rooms[int(number)].send(int(tank), json.loads(pack))
        threading.Event().wait()
    except KeyboardInterrupt:
        print("stopping", file=sys.stderr)
    finally:
        rig.stop()


if __name__ == "__main__":
    _main()
