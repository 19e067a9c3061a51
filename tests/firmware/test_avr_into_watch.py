"""Firmware, cable, watch and watchdog together: faults of a probe and of a heater as the watch sees them."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from conftest import wait_until
from firmware_tools import Board, avr_firmware

from tankwatch.alarms.model import Alarm, AlarmState, Condition
from tankwatch.clock import SystemClock
from tankwatch.config import load
from tankwatch.control.client import ControlClient
from tankwatch.control.protocol import Look
from tankwatch.errors import ControlError
from tankwatch.reading import Channel, Reading
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, TankSim, TankSpec, run
from tankwatch.snapshot import RoomSnapshot
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter
from tankwatch.watch.judge import MEMORY_KEY, Timing
from tankwatch.watch.run import Watch
from tankwatch.watchdog.watchdog import Watchdog

FIRST, SECOND = "28-000000015ae1", "28-000000025ae1"
HURRIED = Timing(source_lost_after_s=0.4, source_back_after_s=0.2, tick_s=0.1)


class _FastClock:
    """A clock that runs `factor` times as fast as the machine's, so that minutes pass in seconds."""

    def __init__(self, factor: float) -> None:
        self._factor = factor
        self._began_s = time.monotonic()
        self._wall_s = time.time()

    def monotonic_s(self) -> float:
        return (time.monotonic() - self._began_s) * self._factor

    def wall_s(self) -> float:
        return self._wall_s + self.monotonic_s()


@pytest.fixture(autouse=True)
def _own_runtime_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


def _config(folder: Path, channels: str) -> Path:
    path = folder / "tankwatch.toml"
    path.write_text(
        f"""\
[room]
name = "Bench"
[store]
path = "room.db"
[[source]]
id = "bench"
kind = "serial"
port = "{folder / "port"}"
[[tank]]
id = "t01"
volume_l = 10.0
setpoint_c = 25.0
heater_w = 100.0
{channels}"""
    )
    return path


def _channel(kind: str, name: str | None = None, tank: str = "") -> str:
    text = f'[[tank.channel]]\nkind = "{kind}"\nsource = "bench"\n'
    return text + (f'name = "{name}"\n' if name else "") + tank


@contextmanager
def _watching(path: Path, clock: _FastClock | None = None) -> Iterator[ControlClient]:
    watch = Watch(load(path), timing=Timing(tick_s=1.0) if clock else HURRIED, clock=clock)
    watch.start()
    try:
        yield ControlClient(watch.socket_path)
    finally:
        watch.stop()


def _look(client: ControlClient) -> RoomSnapshot | None:
    try:
        return client.request(Look())
    except ControlError:
        return None


def _value(client: ControlClient, channel: str = "temperature", tank: int = 0) -> float | None:
    picture = _look(client)
    live = picture.tanks[tank].values.get(channel) if picture else None
    return live.value if live else None


def _refused(client: ControlClient) -> dict[str, int]:
    picture = _look(client)
    return picture.sources[0].refused if picture else {}


def _alarm(client: ControlClient, condition: Condition) -> Alarm | None:
    picture = _look(client)
    alarms = picture.alarms if picture else ()
    return next((alarm for alarm in alarms if alarm.condition is condition), None)


def _stored(folder: Path) -> list[float]:
    return [
        float(v) for v in StoreReader(folder / "room.db").series("t01", Channel.TEMPERATURE, 0.0, 1e11).mean
    ]


def test_probe_faults_never_become_temperatures(tmp_path: Path) -> None:
    tank_two = (
        '[[tank]]\nid = "t02"\nvolume_l = 60.0\nsetpoint_c = 25.0\n'
        + _channel("temperature", f"{SECOND}/temperature")
    )  # fmt: skip
    path = _config(tmp_path, _channel("temperature", f"{FIRST}/temperature") + _channel("heater") + tank_two)
    firmware = avr_firmware("avr_ds18b20", 1000)
    with Board(firmware, tmp_path / "port", sensors=2, speed=5.0) as board, _watching(path) as client:

        def sees(value: float, tank: int = 0) -> Callable[[], bool]:
            return lambda: _value(client, tank=tank) == value

        board.command("celsius 0 24.8125")
        board.command("celsius 1 25.5")
        wait_until(sees(24.8125), "the first sensor")
        wait_until(sees(25.5, tank=1), "the second sensor")
        # Damaged bytes on the 1-wire bus: the other sensor goes on, this one is not heard of.
        board.command("damage 0 1")
        board.command("celsius 0 24.0")
        board.command("celsius 1 25.75")
        wait_until(sees(25.75, tank=1), "the second sensor beside a damaged one")
        assert _value(client) == 24.8125
        board.command("damage 0 0")
        wait_until(sees(24.0), "the first sensor again")
        # A sensor that loses its power again and again says 85.0 in between.
        for _ in range(12):
            board.command("plug 0 0")
            board.command("plug 0 1")
            time.sleep(0.03)
        board.command("celsius 0 24.25")
        wait_until(sees(24.25), "the first sensor after its loose contact")
        # Bytes that turn over on the cable: the line's checksum tells them.
        board.command("noise 211")
        wait_until(lambda: _refused(client).get("bad checksum", 0) >= 3, "lines refused for their checksum")
        board.command("noise 0")
        board.command("celsius 0 25.0")
        wait_until(sees(25.0), "the first sensor over a quiet cable")
        # The cable is pulled out and plugged in again.
        board.command("cable 0")
        wait_until(lambda: _alarm(client, Condition.SOURCE_LOST) is not None, "the alarm of the lost source")
        board.command("celsius 0 25.25")
        board.command("cable 1")
        wait_until(sees(25.25), "the first sensor after the cable was out")
        wait_until(
            lambda: (a := _alarm(client, Condition.SOURCE_LOST)) and a.state is AlarmState.RETURNED,
            "the end of that alarm",
        )
    assert set(_stored(tmp_path)) <= {24.8125, 24.0, 24.25, 25.0, 25.25}


def _learn(path: Path, sim: TankSim, until_s: float) -> None:
    """Let a day of the tank pass, and leave in the store what the watchdog learned of it."""
    config = load(path)
    watchdog = Watchdog(config)
    for name, time_s, value in run(sim, until_s, light=False):
        watchdog.feed(Reading("t01", Channel(name), time_s, float(value), source="bench"))
    store = StoreWriter(config.store.path, SystemClock())
    store.start()
    store.put_memory(MEMORY_KEY, watchdog.remember())
    assert store.flush(10.0)
    store.stop()


def test_heater_that_does_not_stop_is_named(tmp_path: Path) -> None:
    """The contacts weld: a simulated tank warms, and thermistor and pilot lamp play on the board's inputs."""
    path = _config(tmp_path, _channel("temperature") + _channel("heater"))
    firmware = avr_firmware("avr_thermistor", 1000)
    now_s = time.time()
    sim = TankSim(
        TankSpec("t01", volume_l=10.0, heater_w=100.0, loss_w_per_k=3.0),
        RoomAir(start_s=now_s - 86_400, days=2),
        now_s - 86_400,
        faults=(Fault(FaultKind.STUCK_ON, now_s),),
    )
    _learn(path, sim, now_s - 10)
    # The board runs five times as fast and the watch fifty times: a line every ten seconds of the room.
    clock = _FastClock(50)
    with Board(firmware, tmp_path / "port", speed=5.0) as board, _watching(path, clock) as client:
        board.thermistor(sim.water_c)
        board.lamps(heater=False)
        begun_s = clock.wall_s()
        wait_until(lambda: clock.wall_s() > begun_s + 200, "a few minutes of the room")
        assert _value(client, "heater") == 0.0
        while _alarm(client, Condition.HEATER_STUCK_ON) is None:
            sim.advance(clock.wall_s())
            assert sim.water_c < 27.0, f"the stuck heater is not named: {_look(client)}"
            board.thermistor(sim.water_c)
            board.lamps(heater=sim.heater_on)
            time.sleep(0.1)
        alarm = _alarm(client, Condition.HEATER_STUCK_ON)
        assert alarm is not None
        assert alarm.tank == "t01"
        assert alarm.value == pytest.approx(sim.water_c, abs=0.3)
        assert "unplug the heater" in alarm.message
        assert _alarm(client, Condition.TOO_WARM) is None
