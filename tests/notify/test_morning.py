"""The message of the morning: once, at its time, to those on duty; never silence where something failed."""

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from telling import SIGNER

from tankwatch.clock import ManualClock
from tankwatch.config import Config
from tankwatch.errors import StoreError
from tankwatch.notify.message import LONGEST_TEXT, Kind, Message
from tankwatch.notify.notifier import Notifier
from tankwatch.reading import Channel, Reading
from tankwatch.review.night_told import NightTold, tell_night
from tankwatch.review.review import review_room
from tankwatch.review.span import last_night
from tankwatch.snapshot import RoomSnapshot
from tankwatch.store.bulk import write_history
from tankwatch.store.entry import OutboxEntry
from tankwatch.store.reader import StoreReader

MIDNIGHT_S = datetime(2026, 9, 22, tzinfo=UTC).timestamp()
"""A Tuesday."""
QUIET = NightTold("Back room: a quiet night", "Night of 2026-09-21: quiet, all 2 tanks.", False)


def at_s(clock_time: str, day: int = 0) -> float:
    hours, minutes = clock_time.split(":")
    return MIDNIGHT_S + day * 86_400.0 + int(hours) * 3600.0 + int(minutes) * 60.0


@dataclass
class Kept:
    """An outbox in memory."""

    entries: list[OutboxEntry] = field(default_factory=list)
    memory: dict[str, Any] | None = None

    def put_outbox(self, messages: Sequence[OutboxEntry], memory_key: str, memory: dict[str, Any]) -> None:
        self.entries += messages
        self.memory = memory

    def settle_outbox(self, message_id: str, way: str, state: str, attempts: int, detail: str = "") -> None:
        pass

    def prune_outbox(self, before_s: float) -> None:
        pass

    def flush(self, timeout_s: float) -> bool:
        return True


@dataclass
class Room:
    """A notifier that is looked at minute by minute."""

    begin: str = "07:00"
    people: list[dict[str, Any]] = field(default_factory=lambda: [{"id": "sam", "ways": ["bell"]}])
    morning_at: str | None = "07:30"
    night: Callable[[float], NightTold] = lambda _: QUIET
    run_aside: Callable[[Callable[[], None]], None] = lambda work: work()
    memory: dict[str, Any] | None = None
    asked: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.clock = ManualClock(wall=at_s(self.begin))
        self.outbox = Kept(memory=self.memory)
        self.start()

    def start(self) -> None:
        config = Config.model_validate(
            {
                "room": {"name": "Back room"},
                "tank": [{"id": "t01", "volume_l": 120.0, "setpoint_c": 25.0}],
                "notify": {"morning_at": self.morning_at} if self.morning_at else {},
                "way": [{"id": "bell", "kind": "command", "command": ["/bin/true"]}],
                "person": self.people,
            }
        )

        def tell(now_s: float) -> NightTold:
            self.asked.append(now_s)
            return self.night(now_s)

        self.notifier = Notifier(
            config,
            self.outbox,
            SIGNER,
            self.clock,
            acknowledge=lambda _number, _who: Future(),
            memory=self.outbox.memory,
            tell_night=tell,
            run_aside=self.run_aside,
        )

    def run_until(self, clock_time: str, day: int = 0) -> list[tuple[str, Message]]:
        made = []
        while self.clock.wall < at_s(clock_time, day):
            self.clock.advance(60.0)
            self.notifier.publish(RoomSnapshot(self.clock.wall, "Back room", "Etc/UTC", self.clock.wall))
            now = datetime.fromtimestamp(self.clock.wall, UTC).strftime("%H:%M")
            made += [(now, message) for message in self.notifier.look()]
        return made


def test_each_person_is_told_once_a_day_at_the_time_of_the_configuration() -> None:
    room = Room(people=[{"id": "sam", "ways": ["bell"]}, {"id": "kim", "ways": ["bell"]}])
    first, second = room.run_until("23:59")
    assert [(when, m.person) for when, m in (first, second)] == [("07:30", "sam"), ("07:30", "kim")]
    assert room.asked == [at_s("07:30")], "one night is rebuilt once"
    message = first[1]
    assert (message.kind, message.priority.value) == (Kind.MORNING, "low")
    assert message.title == QUIET.title
    assert message.text == f"{QUIET.text} #{message.message_id[:8]}"
    assert (message.code, message.alarms) == (None, ())
    assert [e.person for e in room.outbox.entries] == ["sam", "kim"]
    again = room.run_until("12:00", day=1)
    assert [when for when, _ in again] == ["07:30", "07:30"]
    assert again[0][1].message_id != message.message_id


def test_without_the_key_nobody_is_told() -> None:
    room = Room(morning_at=None)
    assert room.run_until("12:00") == []
    assert room.asked == []


def test_a_restart_does_not_tell_it_again_and_a_late_start_tells_it_late() -> None:
    room = Room()
    assert len(room.run_until("07:45")) == 1
    room.start()
    assert room.run_until("12:00") == []
    late = Room(begin="09:10", memory=room.outbox.memory)
    late.clock.wall += 86_400.0
    late.start()
    assert [when for when, _ in late.run_until("12:00", day=1)] == ["09:11"]
    too_late = Room(begin="12:00", memory=room.outbox.memory)
    too_late.clock.wall += 86_400.0
    too_late.start()
    assert too_late.run_until("23:00", day=1) == []


def test_the_first_start_of_all_tells_nothing_of_a_night_without_a_watch() -> None:
    room = Room(begin="08:00")
    assert room.run_until("23:00") == []
    assert [when for when, _ in room.run_until("09:00", day=1)] == ["07:30"]


def test_quiet_hours_put_it_off_and_days_off_leave_it_out() -> None:
    people = [
        {"id": "sleeps", "ways": ["bell"], "quiet": ["22:00", "09:00"]},
        {"id": "sleeps-long", "ways": ["bell"], "quiet": ["22:00", "13:00"]},
        {"id": "off", "ways": ["bell"], "days": ["mon", "wed"]},
        {"id": "sam", "ways": ["bell"]},
    ]
    told = [(when, m.person) for when, m in Room(people=people).run_until("23:00")]
    assert told == [("07:30", "sam"), ("09:00", "sleeps")]


def test_a_review_that_takes_long_holds_nothing_up() -> None:
    works: list[Callable[[], None]] = []
    room = Room(run_aside=works.append)
    assert room.run_until("07:40") == []
    assert len(works) == 1
    works[0]()
    assert [when for when, _ in room.run_until("08:00")] == ["07:41"]


@pytest.mark.parametrize(
    ("error", "words"),
    [(StoreError("The store room.db cannot be read: gone."), "gone"), (ValueError("x"), "see the log")],
)
def test_a_night_that_cannot_be_reviewed_is_told_as_that(error: Exception, words: str) -> None:
    def fails(_now_s: float) -> NightTold:
        raise error

    ((_, message),) = Room(night=fails).run_until("09:00")
    assert message.priority.value == "medium"
    assert "could not be reviewed" in message.text
    assert words in message.text


def test_a_long_account_is_cut_to_what_a_telephone_shows() -> None:
    ((_, message),) = Room(night=lambda _: NightTold("t", "cold water; " * 60, True)).run_until("09:00")
    assert len(message.text) <= LONGEST_TEXT
    assert message.text.endswith(f"… #{message.message_id[:8]}")


def test_the_words_are_those_of_the_review(tmp_path: Path) -> None:
    tanks = [
        {
            "id": f"t{n}",
            "name": f"Tank {n}",
            "volume_l": 100.0,
            "setpoint_c": 25.0,
            "low_c": 23.0,
            "high_c": 27.0,
        }
        for n in (1, 2)
    ]
    config = Config.model_validate(
        {"room": {"name": "Back room"}, "store": {"path": tmp_path / "room.db"}, "tank": tanks}
    )

    def water_c(tank: str, minute: int) -> float:
        return 22.0 if tank == "t2" and 600 < minute < 660 else 25.0

    begin_s = at_s("20:00", -1)
    readings = [
        Reading(tank, Channel.TEMPERATURE, begin_s + 60.0 * minute, water_c(tank, minute))
        for minute in range(12 * 60 + 1)
        for tank in ("t1", "t2")
    ]
    write_history(tmp_path / "room.db", readings)
    reader, now_s = StoreReader(tmp_path / "room.db"), at_s("08:00")
    night = last_night(now_s, config.room.zone, config.room.night)
    told = tell_night(review_room(config, reader, night, now_s))
    assert told.needs_attention
    assert told.title == "Back room: the night needs a look"
    assert "1 of 2 tanks: Tank 2 (t2): " in told.text
    assert "the water left its band" in told.text
    assert "22.0 to 25.0 °C" in told.text
    assert "Tank 1" not in told.text
    quiet = tell_night(review_room(config, reader, night, now_s, ["t1"]))
    assert quiet.text == "Night of 2026-09-21: quiet, 1 tank."
    assert not quiet.needs_attention
