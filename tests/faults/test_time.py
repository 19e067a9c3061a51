"""Clocks that step, start in 1970, change to summer time, repeat a second; machines that sleep.

The judge, the watchdog and the decoder are the real ones; the clock is moved by hand. Zones are those of the
tz database; the arithmetic of local days is checked against Python's zoneinfo.
"""

import json
import math
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from tankwatch.alarms.model import Condition, Transition
from tankwatch.clock import ManualClock, SystemClock
from tankwatch.config import Config
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoder
from tankwatch.reading import Reading, ServiceMark
from tankwatch.review.span import last_night
from tankwatch.snapshot import RoomSnapshot, SourceSnapshot, StoreSnapshot
from tankwatch.store.entry import LogEntry
from tankwatch.watch.judge import Judge, Timing
from tankwatch.watchdog.watchdog import Watchdog

YEAR_S = 365.25 * 86_400.0
INTERVAL_S = 30.0
TANKS = 3


@dataclass
class _Parts:
    """Inbox, sources and store in one."""

    waiting: list[Reading] = field(default_factory=list)
    steps: list[Transition] = field(default_factory=list)

    def take(self, timeout_s: float) -> list[Reading]:
        taken, self.waiting = self.waiting, []
        return taken

    def put_readings(self, readings: list[Reading]) -> None:
        """Keep nothing."""

    def put_steps(self, steps: list[Transition]) -> None:
        self.steps.extend(steps)

    def put_mark(self, tank: str, mark: ServiceMark, time_s: float, who: str) -> None:
        """Keep nothing."""

    def put_log(self, entry: LogEntry) -> None:
        """Keep nothing."""

    def put_memory(self, key: str, value: dict[str, Any]) -> None:
        """Keep nothing."""

    def health(self) -> StoreSnapshot:
        return StoreSnapshot()


class _Sources:
    def health(self) -> tuple[SourceSnapshot, ...]:
        return (SourceSnapshot("broker", "mqtt", "connected"),)


class Room:
    """Some tanks whose water swings gently, heard twice a minute."""

    def __init__(
        self, clock: ManualClock, *, probe_clock: str, zone: str = "Etc/UTC", tanks: int = TANKS, **tank: Any
    ) -> None:
        """`probe_clock`: `none` (no stamps), `right` (set by a time server), `steps` (when ours does)."""
        self.clock = clock
        self.config = Config.model_validate(
            {
                "room": {"name": "Back room", "timezone": zone},
                "source": [{"id": "broker", "kind": "mqtt"}],
                "tank": [
                    {
                        "id": f"t{n}",
                        "volume_l": 120.0,
                        "setpoint_c": 25.0,
                        "probe_interval_s": INTERVAL_S,
                        "channel": [
                            {"kind": kind, "source": "broker", "topic": f"t{n}"}
                            for kind in ("temperature", "light")
                        ],
                        **tank,
                    }
                    for n in range(tanks)
                ],
            }
        )
        self.parts = _Parts()
        self.pictures: list[RoomSnapshot] = []
        self.stalls: list[float] = []
        self.judge = Judge(
            self.config,
            Watchdog(self.config),
            inbox=self.parts,
            sources=_Sources(),
            store=self.parts,
            clock=clock,
            publish=self.pictures.append,
            timing=Timing(stalled_after_s=2.0 * INTERVAL_S),  # its turns are as far apart as the readings
            on_stood_still=self.stalls.append,
        )
        self._decoders = [
            Decoder("broker", [BoundChannel(tank.id, channel) for channel in tank.channel])
            for tank in self.config.tank
        ]
        self._probe_clock = probe_clock
        self._true_s = clock.wall
        self.silent: set[int] = set()
        self.fall_k = 0.0
        self.light = False

    def run(self, seconds: float) -> None:
        """Let time pass, with readings."""
        for _ in range(int(seconds / INTERVAL_S)):
            self.clock.advance(INTERVAL_S)
            self._true_s += INTERVAL_S
            for number, decoder in enumerate(self._decoders):
                if number not in self.silent:
                    pack = json.dumps(self._pack(number)).encode()
                    self.parts.waiting += decoder.decode(pack, self.clock.wall_s()).readings
            self.judge.turn(0.0)

    def _pack(self, number: int) -> list[dict[str, Any]]:
        swing_c = 0.2 * math.sin(self.clock.monotonic / 900.0 + number)
        head: dict[str, Any] = {"n": "temperature", "u": "Cel", "v": round(25.0 + swing_c - self.fall_k, 3)}
        if self._probe_clock == "right":
            head["bt"] = self._true_s
        elif self._probe_clock == "steps":
            head["bt"] = self.clock.wall_s()
        return [head, {"n": "light", "vb": self.light}]

    def told(self) -> list[str]:
        """Return the conditions told so far, in order."""
        return [s.alarm.condition.value for s in self.parts.steps if s.from_state.value == "normal"]


STEPS_S = (3600.0, -3600.0, 10 * YEAR_S, -10 * YEAR_S, -1.0)


@pytest.mark.parametrize("step_s", STEPS_S, ids=lambda s: f"{s:+.0f}s")
@pytest.mark.parametrize("probe_clock", ["none", "right", "steps"])
def test_a_stepped_clock_tells_nothing_false_and_mutes_nothing(step_s: float, probe_clock: str) -> None:
    """The last step is a leap second as most systems keep it: the clock is set back by one."""
    clock = ManualClock()
    room = Room(clock, probe_clock=probe_clock)
    room.run(2 * 3600.0)
    clock.step_wall(step_s)
    room.run(2 * 3600.0)
    assert room.told() == []
    newest = room.pictures[-1].tanks[0].values["temperature"]
    assert not newest.stale
    assert newest.age_s <= INTERVAL_S
    # Falling by 3 K in 2 h, the water passes its low limit (23 °C) after 80 min: that is told as if nothing
    # had been.
    for _ in range(120):
        room.run(60.0)
        room.fall_k += 0.025
    assert room.told().count("too-cold") == TANKS
    # A probe that falls silent is told within 15 minutes.
    room.silent = {0}
    room.run(900.0)
    assert "probe-silent" in room.told()


@pytest.mark.parametrize("probe_clock", ["none", "right", "steps"])
def test_a_board_that_starts_in_1970_watches_before_and_after_it_is_set(probe_clock: str) -> None:
    true_s = 1_790_000_000.0
    clock = ManualClock(wall=30.0)
    room = Room(clock, probe_clock=probe_clock)
    room._true_s = true_s
    room.run(2 * 3600.0)
    assert room.told() == []
    clock.step_wall(true_s - 30.0)
    room.run(2 * 3600.0)
    assert room.told() == []
    for _ in range(120):
        room.run(60.0)
        room.fall_k += 0.025
    assert room.told().count("too-cold") == TANKS
    told = next(s for s in room.parts.steps if s.alarm.condition is Condition.TOO_COLD)
    assert abs(told.time_s - clock.wall) < 3 * 3600.0, "told in the wrong year"


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, 10 * YEAR_S, -10 * YEAR_S])
def test_a_step_adds_no_hours_of_light(step_s: float) -> None:
    clock = ManualClock(wall=datetime(2026, 9, 22, 6, tzinfo=UTC).timestamp())
    room = Room(clock, probe_clock="none", light_hours_max=8.0)
    room.light = True
    room.run(4 * 3600.0)
    clock.step_wall(step_s)
    room.run(3.5 * 3600.0)
    room.light = False
    room.run(3600.0)
    assert "light-overrun" not in room.told()


# -- summer time -----------------------------------------------------------------------------------------

CHANGES = [
    # Zone and a local day on which its clocks change: forward and back, north and south, by half an hour.
    ("Europe/Lisbon", 2026, 3, 29),
    ("Europe/Lisbon", 2026, 10, 25),
    ("America/St_Johns", 2026, 3, 8),
    ("America/St_Johns", 2026, 11, 1),
    ("Pacific/Auckland", 2026, 4, 5),
    ("Pacific/Auckland", 2026, 9, 27),
    ("Australia/Lord_Howe", 2026, 4, 5),
    ("Australia/Lord_Howe", 2026, 10, 4),
]


@pytest.mark.parametrize(
    ("zone", "year", "month", "day"),
    [*CHANGES[-1:], *(pytest.param(*change, marks=pytest.mark.slow) for change in CHANGES[:-1])],
)
def test_light_hours_follow_the_local_clock_over_a_change(zone: str, year: int, month: int, day: int) -> None:
    place = ZoneInfo(zone)
    midnight = datetime(year, month, day, tzinfo=place)
    changed = midnight.utcoffset() != (midnight + timedelta(days=1)).utcoffset()
    assert changed, "the tz database knows of no change on this day"
    start_s = (midnight - timedelta(days=1)).timestamp()
    clock = ManualClock(wall=start_s)
    room = Room(
        clock, probe_clock="none", zone=zone, tanks=1, light_hours_max=8.0, light_window=["10:00", "18:00"]
    )
    end_s = (midnight + timedelta(days=2)).timestamp()
    while clock.wall < end_s:
        local = datetime.fromtimestamp(clock.wall, place)
        room.light = 10 <= local.hour < 17
        room.run(60.0)
    assert room.told() == []
    # The next day the lamp comes on an hour early by the local clock: told within ten minutes of light.
    before_s = datetime(year, month, day, 9, tzinfo=place) + timedelta(days=2)
    room.run(before_s.timestamp() - clock.wall)
    room.light = True
    room.run(600.0)
    assert room.told() == ["light-after-hours"]


@pytest.mark.parametrize(("zone", "year", "month", "day"), CHANGES)
def test_the_night_of_a_change_is_as_long_as_it_was(zone: str, year: int, month: int, day: int) -> None:
    place = ZoneInfo(zone)
    noon = datetime(year, month, day, 12, tzinfo=place)
    night = last_night(noon.timestamp(), place)
    shift_h = (
        datetime(year, month, day, 12, tzinfo=place).utcoffset() or timedelta()
    ).total_seconds() / 3600.0 - (
        (noon - timedelta(days=1)).replace(hour=20).utcoffset() or timedelta()
    ).total_seconds() / 3600.0
    assert shift_h != 0.0
    assert night.hours == pytest.approx(12.0 - shift_h)
    begin, end = (datetime.fromtimestamp(s, place) for s in (night.from_s, night.to_s))
    assert (begin.strftime("%H:%M"), end.strftime("%H:%M")) == ("20:00", "08:00")


# -- sleep -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("asleep_h", [0.5, 8.0, 72.0])
def test_a_machine_that_slept_tells_that_nobody_watched_and_nothing_false(asleep_h: float) -> None:
    clock = ManualClock()
    room = Room(clock, probe_clock="right")
    room.run(2 * 3600.0)
    clock.advance(asleep_h * 3600.0)
    room._true_s += asleep_h * 3600.0
    room.judge.turn(0.0)  # before any probe was heard again
    picture = room.pictures[-1]
    assert all(tank.values["temperature"].stale for tank in picture.tanks), "old values pass for fresh"
    (alarm,) = picture.alarms
    assert alarm.condition is Condition.WATCH_STALLED
    assert f"stood still for {asleep_h * 3600.0 + 0:.0f}"[:20] in alarm.message
    assert room.stalls == [pytest.approx(asleep_h * 3600.0, abs=INTERVAL_S)]
    room.run(2 * 3600.0)
    assert set(room.told()) == {"watch-stalled"}
    assert not room.pictures[-1].tanks[0].values["temperature"].stale
    room.silent = {0}
    room.run(900.0)
    assert "probe-silent" in room.told()


def test_ages_go_on_while_the_machine_sleeps() -> None:
    if not hasattr(time, "CLOCK_BOOTTIME"):
        pytest.skip("this system has no clock that counts sleep by itself")
    before = time.clock_gettime(time.CLOCK_BOOTTIME)
    now = SystemClock().monotonic_s()
    assert before <= now <= time.clock_gettime(time.CLOCK_BOOTTIME)
