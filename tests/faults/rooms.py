"""An invented room on a real broker, with a watch in this process or in one of its own."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from conftest import wait_until

from tankwatch.alarms.model import Alarm, Condition
from tankwatch.config import Config, load
from tankwatch.control.client import ControlClient
from tankwatch.control.path import socket_path
from tankwatch.control.protocol import Look
from tankwatch.errors import ControlError
from tankwatch.snapshot import RoomSnapshot
from tankwatch.watch.judge import Timing
from tankwatch.watch.run import Watch

HURRIED = Timing(source_lost_after_s=0.4, source_back_after_s=0.2, tick_s=0.1)


def room_text(port: int, tanks: int = 1, *, more: str = "", source: str = "") -> str:
    """Return the configuration of a room of `tanks` tanks, each with temperature, heater and a counter.

    The counter is a channel of kind `flow`: each pack bears its number, so that a lost one is seen.
    """
    text = f'[room]\nname = "Back room"\n[store]\npath = "room.db"\n{more}\n'
    text += f'[[source]]\nid = "broker"\nkind = "mqtt"\nport = {port}\n{source}\n'
    for number in range(tanks):
        text += f'[[tank]]\nid = "t{number:03}"\nvolume_l = 120.0\nsetpoint_c = 25.0\nheater_w = 150.0\n'
        for kind in ("temperature", "heater", "flow"):
            text += (
                f'[[tank.channel]]\nkind = "{kind}"\nsource = "broker"\ntopic = "fish/t{number:03}/state"\n'
            )
    return text


def write_config(folder: Path, text: str) -> Path:
    """Write the configuration file; return its path."""
    path = folder / "tankwatch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def pack(time_s: float, celsius: float, number: int, *, heater: bool = False) -> str:
    """Return one SenML pack of a tank."""
    records: list[dict[str, Any]] = [
        {"bt": time_s, "n": "temperature", "u": "Cel", "v": celsius},
        {"n": "heater", "vb": heater},
        {"n": "flow", "v": number},
    ]
    return json.dumps(records)


@contextmanager
def watching(config: Config, timing: Timing = HURRIED) -> Iterator[ControlClient]:
    """Run a watch in this process."""
    watch = Watch(config, timing=timing)
    watch.start()
    try:
        yield ControlClient(watch.socket_path)
    finally:
        watch.stop()


class WatchProcess:
    """A watch in a process of its own, to be killed."""

    def __init__(
        self,
        path: Path,
        command: Sequence[str] = ("-m", "tankwatch", "watch"),
        environment: Mapping[str, str] | None = None,
        prefix: Sequence[str] = (),
    ) -> None:
        """Start it, with `environment` beside our own and below the program `prefix`; wait for a picture."""
        self.out = path.parent / "watch.out"
        with self.out.open("ab") as out:
            self.process = subprocess.Popen(
                [*prefix, sys.executable, *command, str(path)],
                stdout=out,
                stderr=out,
                env={**os.environ, **(environment or {})},
            )
        self.client = ControlClient(socket_path(load(path)))
        try:
            wait_until(lambda: look(self.client) is not None, "the first picture", timeout_s=30.0)
        except BaseException:
            self.kill()
            raise

    def kill(self) -> None:
        """End it at once, as a power cut does."""
        self.process.kill()
        self.process.wait(10)

    def __enter__(self) -> "WatchProcess":
        """Leave it running for a block."""
        return self

    def __exit__(self, *error: object) -> None:
        """See that it is gone."""
        self.kill()

    def stop(self) -> None:
        """End it as it should end."""
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(30) == 0


def look(client: ControlClient) -> RoomSnapshot | None:
    """Return the newest picture, or None if no watch answers."""
    try:
        return client.request(Look())
    except ControlError:
        return None


def source_state(client: ControlClient, number: int = 0) -> str:
    """Return how a source stands, in a word."""
    picture = look(client)
    return picture.sources[number].state if picture else "no picture"


def is_connected(client: ControlClient) -> bool:
    """Tell whether the first source is connected."""
    return source_state(client) == "connected"


def shown(client: ControlClient, tank: int = 0, channel: str = "temperature") -> float | None:
    """Return the value that the picture shows."""
    picture = look(client)
    live = picture.tanks[tank].values.get(channel) if picture else None
    return live.value if live else None


def alarm_of(client: ControlClient, condition: Condition, tank: str | None = None) -> Alarm | None:
    """Return the standing alarm of a condition."""
    picture = look(client)
    alarms = picture.alarms if picture else ()
    return next((a for a in alarms if a.condition is condition and tank in (None, a.tank)), None)
