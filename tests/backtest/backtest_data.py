"""Invented rooms in all forms that a back-test reads: a store, Parquet, SenML lines."""

import subprocess
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from tankwatch.reading import Channel, Reading
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, TankSim, TankSpec, Work, run
from tankwatch.store.bulk import write_history
from tankwatch.store.reader import StoreReader
from tankwatch.transfer.parquet_file import write_parquet
from tankwatch.transfer.senml_file import write_senml
from tankwatch.transfer.stored_rows import Row, stored_rows

T0_S = 1_789_948_800.0
"""2026-09-21T00:00:00Z."""
HOUR_S = 3600.0
TANKS = 3


def simulated(seed: int, hours: float, faults: Sequence[Fault] = ()) -> Iterator[Reading]:
    """Yield the readings of a room of three tanks; `faults` befall all tanks, the first is worked in."""
    air = RoomAir(mean_c=19.0, start_s=T0_S, seed=seed)
    for number in range(TANKS):
        works = [Work(T0_S + 20 * HOUR_S, share=0.2)] if number == 0 else []
        spec = TankSpec(f"t{number + 1:02}", interval_s=60.0)
        sim = TankSim(spec, air, T0_S, seed=10 * seed + number, faults=faults, works=works)
        for channel, time_s, value in run(sim, T0_S + hours * HOUR_S, air=number == 0):
            if isinstance(value, str):
                yield Reading(spec.tank_id, Channel.SERVICE, time_s, 0.0, value)
            else:
                yield Reading(spec.tank_id, Channel(channel), time_s, float(value))


def power_cut(from_h: float, to_h: float) -> Fault:
    """Return a power cut between two hours of the recording."""
    return Fault(FaultKind.POWER_CUT, T0_S + from_h * HOUR_S, T0_S + to_h * HOUR_S)


@dataclass(frozen=True)
class RoomFiles:
    """One recording in every form, and configurations that fit it."""

    folder: Path
    name: str

    @property
    def config(self) -> Path:
        return self.folder / f"{self.name}.toml"

    @property
    def store(self) -> Path:
        return self.folder / f"{self.name}.db"

    @property
    def parquet(self) -> Path:
        return self.folder / f"{self.name}.parquet"

    @property
    def senml(self) -> Path:
        return self.folder / f"{self.name}.jsonl"

    def write_config(self, suffix: str = "", **limits: float) -> Path:
        """Write a configuration with these limits for every tank; return its path."""
        path = self.folder / f"{self.name}{suffix}.toml"
        text = f'[room]\nname = "{self.name.title()} room"\n[store]\npath = "{self.name}.db"\n'
        for number in range(TANKS):
            text += f'[[tank]]\nid = "t{number + 1:02}"\nvolume_l = 120.0\nsetpoint_c = 25.0\n'
            text += "heater_w = 150.0\nprobe_interval_s = 60\n"
            text += "".join(f"{key} = {value}\n" for key, value in limits.items())
        path.write_text(text)
        return path

    def rows(self) -> Iterator[Row]:
        """Yield the rows of the store, as an export has them."""
        return stored_rows(StoreReader(self.store))


def room_files(folder: Path, name: str, readings: Iterable[Reading]) -> RoomFiles:
    """Write a recording in every form."""
    files = RoomFiles(folder, name)
    write_history(files.store, readings)
    write_parquet(files.rows(), files.parquet)
    with files.senml.open("w", encoding="utf-8") as out:
        write_senml(files.rows(), out)
    files.write_config()
    return files


Rooms = tuple[RoomFiles, RoomFiles]


def two_rooms(folder: Path) -> Rooms:
    """Record two rooms in which the power fails for six hours."""
    return (
        room_files(folder, "north", simulated(1, 34.0, [power_cut(25.0, 31.0)])),
        room_files(folder, "south", simulated(2, 34.0, [power_cut(26.0, 32.0)])),
    )


def falling(folder: Path) -> RoomFiles:
    """Record a tank without a heater that falls from 25 to 22 °C by 0.5 K an hour, and comes back so."""
    readings = []
    for minute in range(18 * 60):
        hours = minute / 60.0
        water_c = (
            25.0 - 0.5 * hours if hours < 6 else 22.0 if hours < 8 else min(25.0, 22.0 + 0.5 * (hours - 8))
        )
        readings.append(Reading("t02", Channel.TEMPERATURE, T0_S + minute * 60.0, water_c))
    return room_files(folder, "falling", readings)


def printed(*arguments: object, capsys: pytest.CaptureFixture[str]) -> str:
    """Run `tankwatch replay` in this process; return its standard output."""
    from tankwatch.cli import run as run_command

    assert run_command(["replay", "--jobs", "1", *map(str, arguments)]) == 0
    return capsys.readouterr().out


def command(*arguments: object, timeout_s: float = 60.0) -> "subprocess.CompletedProcess[str]":
    """Run `tankwatch replay` with `arguments` in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "tankwatch", "replay", *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
