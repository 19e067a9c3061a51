"""A small room of our own invention for the tests of the screen: pictures, history and feed."""

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from textual.pilot import Pilot

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority, Transition
from tankwatch.clock import ManualClock
from tankwatch.config import Config
from tankwatch.errors import ControlError, NotKeptError, StoreError
from tankwatch.reading import Channel, ServiceMark
from tankwatch.screen.app import TankwatchApp
from tankwatch.snapshot import (
    Estimate,
    LiveValue,
    ModelSnapshot,
    RoomSnapshot,
    SourceSnapshot,
    StoreSnapshot,
    TankSnapshot,
)
from tankwatch.store.entry import LogEntry, StoredMark

NOW_S = 1_795_572_000.0  # 2026-11-25 02:00 UTC
Floats = npt.NDArray[np.float64]

NAMES = ("Long tank", "Driftwood", "Nursery", "Fern wall", "Quarantine", "Stone arch")
EVIL = "[/red][0] [bold \x1b[2J 水族館"
"""A name that would be markup, an escape sequence, and wide."""


def make_config(count: int = 6) -> Config:
    """Return a room of `count` tanks."""
    return Config.model_validate(
        {
            "room": {"name": "Back room", "timezone": "Europe/Lisbon"},
            "tank": [
                {
                    "id": f"t{i + 1:02d}",
                    "name": name_of(i),
                    "volume_l": 120.0,
                    "setpoint_c": 25.0,
                    "low_c": 23.0,
                    "high_c": 27.0,
                }
                for i in range(count)
            ],
        }
    )


def name_of(index: int) -> str:
    """Return the name of tank `index`."""
    return NAMES[index] if index < len(NAMES) else f"Shelf {index + 1}"


def make_tank(index: int = 0, water_c: float = 25.0, **changes: object) -> TankSnapshot:
    """Return a healthy tank, with `changes` to its fields."""
    tank = TankSnapshot(
        tank_id=f"t{index + 1:02d}",
        name=name_of(index),
        setpoint_c=25.0,
        low_c=23.0,
        high_c=27.0,
        values={
            "temperature": LiveValue(water_c, NOW_S - 5, 5.0),
            "heater": LiveValue(1.0, NOW_S - 5, 5.0),
            "light": LiveValue(0.0, NOW_S - 5, 5.0),
        },
        rate_c_per_h=0.02,
        swing_24h_c=0.6,
        duty_1h=0.3,
        duty_6h=0.31,
        duty_24h=0.33,
        light_hours_today=5.5,
        light_hours_max=10.0,
        model=ModelSnapshot(
            heater_w=Estimate(143.0, 3.0),
            loss_w_per_k=Estimate(7.1, 0.2),
            expected_duty=Estimate(0.31, 0.02),
            stuck_on_c=Estimate(31.4, 0.6),
            minutes_to_low=Estimate(200.0 + 10 * index, 10.0),
            minutes_to_high=Estimate(400.0, 10.0),
            cycles_seen=64,
        ),
    )
    return replace(tank, **changes)  # type: ignore[arg-type]


def make_alarm(
    alarm_id: int = 1,
    tank: str | None = "t01",
    condition: Condition = Condition.HEATER_NO_HEAT,
    priority: Priority = Priority.CRITICAL,
    state: AlarmState = AlarmState.UNACKNOWLEDGED,
    **changes: object,
) -> Alarm:
    """Return an alarm that began forty minutes ago."""
    alarm = Alarm(
        alarm_id,
        tank,
        condition,
        state,
        priority,
        since_s=NOW_S - 2400,
        changed_s=NOW_S - 2400,
        message="The heater draws power but the water falls.",
        margin_min=38.0,
        evidence={"heater_on_min": 180.0},
    )
    return replace(alarm, **changes)  # type: ignore[arg-type]


def make_room(
    count: int = 6, alarms: Sequence[Alarm] = (), tanks: Sequence[TankSnapshot] | None = None
) -> RoomSnapshot:
    """Return a picture of a room of `count` healthy tanks with `alarms`."""
    return RoomSnapshot(
        time_s=NOW_S,
        room="Back room",
        timezone="Europe/Lisbon",
        started_s=NOW_S - 3 * 86_400,
        tanks=tuple(tanks) if tanks is not None else tuple(make_tank(i) for i in range(count)),
        alarms=tuple(alarms),
        sources=(
            SourceSnapshot(
                "broker", "mqtt", "connected", "127.0.0.1:1883", 1.0, 1200, 2400, {"not SenML": 3}
            ),
            SourceSnapshot("bench", "serial", "lost", "device gone", 310.0, 50, 50, {}, 12, 4, EVIL),
        ),
        store=StoreSnapshot("tank.db", "fine", "", 12, 5_200_000, 0, 0.0, 99_000_000, 4_000_000),
        version="0.1.0",
    )


TROUBLE = (
    make_alarm(1),
    make_alarm(
        2,
        "t05",
        Condition.PROBE_SILENT,
        Priority.HIGH,
        message="No reading for 25 min.",
        margin_min=None,
    ),
    make_alarm(
        3,
        "t04",
        Condition.LIGHT_OVERRUN,
        Priority.MEDIUM,
        AlarmState.ACKNOWLEDGED,
        message="The light has been on 11 h today; 10 h are let pass.",
        margin_min=None,
        who="keeper",
    ),
)


def troubled_room(count: int = 6) -> RoomSnapshot:
    """Return a room with three alarms, a silent probe and hands in one tank."""
    tanks = [make_tank(i, 25.0 + 0.1 * (i % 3)) for i in range(count)]
    tanks[0] = make_tank(0, 23.6, rate_c_per_h=-0.55, duty_1h=1.0)
    tanks[4] = make_tank(4, values={"temperature": LiveValue(25.2, NOW_S - 1500, 1500.0, stale=True)})
    tanks[5] = make_tank(5, service="work", service_since_s=NOW_S - 600)
    return make_room(count, TROUBLE, tanks)


@dataclass
class FakeSeries:
    """A series as the store returns it."""

    time_s: Floats
    low: Floats
    high: Floats
    mean: Floats
    damaged: tuple[tuple[float, float], ...] = field(default=(), kw_only=True)


@dataclass
class FakeHistory:
    """A store that knows a day and more of every tank; with `broken` it raises."""

    broken: bool = False
    damaged: bool = False
    asked: list[tuple[str, Channel, float, float]] = field(default_factory=list)

    def series(self, tank: str, channel: Channel, from_s: float, to_s: float, buckets: int) -> FakeSeries:
        """Return smooth water, a heater of 30 % and light from 10 to 18 h."""
        if self.broken:
            raise StoreError("tank.db: there is no store yet")
        self.asked.append((tank, channel, from_s, to_s))
        width = (to_s - from_s) / buckets
        time_s = from_s + (np.arange(buckets, dtype=np.float64) + 0.5) * width
        if channel is Channel.TEMPERATURE:
            mean: Floats = 25.0 + 0.3 * np.sin(time_s / 1500.0)
        elif channel is Channel.HEATER:
            mean = np.full(buckets, 0.3)
        else:
            hour = time_s / 3600.0 % 24
            mean = ((hour >= 10) & (hour < 18)).astype(np.float64)
        spread = 0.02 if channel is Channel.TEMPERATURE else 0.0
        hurt = ((from_s, from_s + 3600.0),) if self.damaged else ()
        return FakeSeries(time_s, mean - spread, mean + spread, mean, damaged=hurt)

    def steps(self, from_s: float, to_s: float, tank: str | None = None) -> list[Transition]:
        """Return the begin of one alarm."""
        if self.broken:
            raise StoreError("tank.db: there is no store yet")
        step = Transition(make_alarm(), AlarmState.NORMAL, NOW_S - 2400)
        return [step] if tank in (None, "t01") and from_s <= step.time_s <= to_s else []

    def marks(self, from_s: float, to_s: float, tank: str | None = None) -> list[StoredMark]:
        """Return one piece of work."""
        marks = [
            StoredMark("t01", ServiceMark.WORK, NOW_S - 54_000, "keeper"),
            StoredMark("t01", ServiceMark.END, NOW_S - 52_000, "keeper"),
        ]
        return [m for m in marks if from_s <= m.time_s <= to_s and tank in (None, m.tank)]

    def log(self, from_s: float, to_s: float, tank: str | None = None) -> list[LogEntry]:
        """Return one entry."""
        return [LogEntry(NOW_S - 180_000, "t01", "change", "keeper", "30 L at 25.2 °C")]

    def last_values(self) -> Mapping[tuple[str, Channel], tuple[float, float]]:
        """Return the last temperature of two tanks."""
        if self.broken:
            raise StoreError("tank.db: there is no store yet")
        return {
            ("t01", Channel.TEMPERATURE): (NOW_S - 7200, 24.4),
            ("t02", Channel.TEMPERATURE): (NOW_S - 7200, 25.1),
        }


@dataclass
class FakeFeed:
    """A watch whose pictures are put in by the test; None breaks the link."""

    calls: list[tuple[object, ...]] = field(default_factory=list)
    refuse: str = ""
    unkept: bool = False
    absent: bool = False
    pictures: asyncio.Queue[RoomSnapshot | None] = field(default_factory=asyncio.Queue)

    async def snapshots(self) -> AsyncIterator[RoomSnapshot]:
        """Yield what is put in."""
        if self.absent:
            raise ControlError("back.sock: no watch answers")
        while (picture := await self.pictures.get()) is not None:
            yield picture
        raise ControlError("back.sock: the watch has stopped")

    async def acknowledge(self, alarm_id: int, who: str) -> None:
        """Note the call."""
        self._note("acknowledge", alarm_id, who)

    async def shelve(self, alarm_id: int, minutes: float, why: str, who: str) -> None:
        """Note the call."""
        self._note("shelve", alarm_id, minutes, why, who)

    async def unshelve(self, alarm_id: int, who: str) -> None:
        """Note the call."""
        self._note("unshelve", alarm_id, who)

    async def take_out_of_service(self, tank: str, condition: Condition, why: str, who: str) -> None:
        """Note the call."""
        self._note("take_out_of_service", tank, condition, why, who)

    async def return_to_service(self, alarm_id: int, who: str) -> None:
        """Note the call."""
        self._note("return_to_service", alarm_id, who)

    async def reset(self, alarm_id: int, who: str) -> None:
        """Note the call."""
        self._note("reset", alarm_id, who)

    async def mark(self, tank: str, mark: ServiceMark, who: str) -> None:
        """Note the call."""
        self._note("mark", tank, mark, who)

    async def log(self, tank: str | None, kind: str, text: str, who: str) -> None:
        """Note the call."""
        self._note("log", tank, kind, text, who)

    def _note(self, *call: object) -> None:
        if self.refuse:
            raise ControlError(self.refuse)
        self.calls.append(call)
        if self.unkept:
            raise NotKeptError("done, but not on the disk yet")


def make_app(
    room: RoomSnapshot | None,
    *,
    history: FakeHistory | None = None,
    count: int = 6,
    slow: bool = False,
) -> tuple[TankwatchApp, FakeFeed, ManualClock]:
    """Return an app whose feed has one picture, or without `room` no watch at all."""
    clock = ManualClock(wall=NOW_S)
    feed = FakeFeed(absent=room is None)
    if room is not None:
        feed.pictures.put_nowait(room)
        count = len(room.tanks)
    app = TankwatchApp(make_config(count), feed, history or FakeHistory(), clock, slow=slow, who="keeper")
    return app, feed, clock


async def settle(pilot: Pilot[None]) -> None:
    """Let workers, messages and the repaint after them finish."""
    calm = 0
    for _ in range(50):  # a worker's end may start the next one; on a busy machine that takes its time
        await pilot.pause()
        running = [w for w in pilot.app.workers if w.group != "link" and not w.is_finished]
        calm = 0 if running else calm + 1
        if calm >= 2:
            break
        for worker in running:
            await worker.wait()
    await pilot.pause()
