"""What was delivered about an alarm and acknowledged, from a real outbox."""

from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from nights import BEGIN_S, HOUR_S, SPAN

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Condition, Priority
from tankwatch.clock import ManualClock
from tankwatch.config import Config
from tankwatch.reading import Channel, Reading
from tankwatch.review.alarm_words import alarm_text
from tankwatch.review.report_json import as_json
from tankwatch.review.review import RoomReview, review_room
from tankwatch.screen.ink import plain
from tankwatch.screen.nightdraw import draw_ranking, stops_of
from tankwatch.store.bulk import write_history
from tankwatch.store.entry import OutboxEntry
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter

UTC = ZoneInfo("Etc/UTC")
TOLD_S = BEGIN_S + 3 * HOUR_S


def entry(number: int, person: str, made_s: float, kind: str = "alarm") -> OutboxEntry:
    message_id = f"{number}{person}{kind}"
    content = {"message_id": message_id, "person": person, "made_s": made_s, "kind": kind, "alarms": [number]}
    return OutboxEntry(message_id, "phone", person, made_s, kind, "medium", content)


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Config:
    """One alarm reached sam and not kim, one reached nobody, one made no message."""
    path = tmp_path_factory.mktemp("delivery") / "room.db"
    book = AlarmBook()
    tanks = ["t1", "t2", "t3"]
    for tank in tanks:
        book.begin(tank, Condition.LIGHT_OVERRUN, Priority.MEDIUM, TOLD_S, message="Light is on for long.")
    numbers = {alarm.tank: alarm.alarm_id for alarm in book.standing}
    book.acknowledge(numbers["t1"], "sam", TOLD_S + 600.0)
    readings = [
        Reading(tank, Channel.TEMPERATURE, BEGIN_S + 60.0 * minute, 25.0)
        for minute in range(12 * 60 + 1)
        for tank in tanks
    ]
    write_history(path, readings, book.take_steps())
    clock = ManualClock(wall=TOLD_S)
    store = StoreWriter(path, clock)
    one, two = numbers["t1"], numbers["t2"]
    entries = [
        entry(one, "sam", TOLD_S + 20.0),
        entry(one, "sam", TOLD_S + 900.0, "reminder"),
        entry(one, "kim", TOLD_S + 20.0),
        entry(two, "sam", TOLD_S + 30.0),
        entry(numbers["t3"], "sam", SPAN.to_s + 60.0),
    ]
    store.start()
    store.put_outbox(entries, "notify", {})
    clock.advance(120.0)
    for sent in (entries[0], entries[1]):
        store.settle_outbox(sent.message_id, "phone", "sent", 1)
    store.settle_outbox(entries[2].message_id, "phone", "given up", 12, "refused")
    store.settle_outbox(entries[3].message_id, "phone", "waiting", 4, "refused")
    assert store.flush(5.0)
    store.stop(5.0)
    return Config.model_validate(
        {
            "room": {"name": "Trial room"},
            "store": {"path": path},
            "tank": [{"id": tank, "volume_l": 100.0, "setpoint_c": 25.0} for tank in tanks],
            "way": [{"id": "phone", "kind": "command", "command": ["/bin/true"]}],
            "person": [{"id": "sam", "ways": ["phone"]}, {"id": "kim", "ways": ["phone"]}],
        }
    )


@pytest.fixture(scope="module")
def review(config: Config) -> RoomReview:
    return review_room(config, StoreReader(config.store.path), SPAN, SPAN.to_s)


def text_of(review: RoomReview, tank: str) -> str:
    (alarm,) = next(one for one in review.tanks if one.tank.id == tank).alarms
    return alarm_text(alarm, UTC)


def test_who_was_reached_when_and_who_was_not(review: RoomReview) -> None:
    text = text_of(review, "t1")
    assert "acknowledged 21 Sep 23:10 by sam" in text
    assert "delivered to sam by phone 21 Sep 23:02, 2 messages" in text
    assert "NOT delivered to kim by phone, given up after 12 attempts" in text
    assert "NOT delivered to sam by phone, waiting after 4 attempts" in text_of(review, "t2")
    assert "no message went out" in text_of(review, "t3"), "one made after the stretch is none of it"


def test_an_alarm_that_reached_nobody_needs_attention(review: RoomReview) -> None:
    reasons = {one.tank.id: one.reasons for one in review.tanks}
    assert reasons["t2"][-1] == "a message about an alarm reached nobody"
    assert not any("reached nobody" in reason for reason in (*reasons["t1"], *reasons["t3"]))


def test_json_carries_the_deliveries(review: RoomReview) -> None:
    tank = next(one for one in as_json(review)["tanks"] if one["tank"] == "t1")
    first = next(d for d in tank["alarms"][0]["deliveries"] if d["person"] == "sam")
    assert (first["person"], first["way"], first["state"]) == ("sam", "phone", "sent")
    assert (first["made"], first["settled"]) == ("2026-09-21T23:00:20Z", "2026-09-21T23:02:00Z")


def test_a_room_with_nobody_to_be_told_says_nothing_of_messages(config: Config, tmp_path: Path) -> None:
    alone = config.model_copy(update={"person": ()})
    review = review_room(alone, StoreReader(config.store.path), SPAN, SPAN.to_s)
    assert "message" not in text_of(review, "t2")
    assert not any("message" in reason for one in review.tanks for reason in one.reasons)


def test_an_alarm_that_stands_and_nobody_has_acknowledged_needs_attention(review: RoomReview) -> None:
    reasons = {one.tank.id: one.reasons for one in review.tanks}
    assert "nobody has acknowledged light overrun" in reasons["t3"]
    assert not any("acknowledged" in reason for reason in reasons["t1"])
    assert review.needs_attention


def test_without_an_incident_the_night_is_stepped_through_from_alarm_to_alarm(review: RoomReview) -> None:
    assert {(stop.tank, stop.time_s) for stop in stops_of(review)} == {
        ("t1", TOLD_S),
        ("t2", TOLD_S),
        ("t3", TOLD_S),
    }
    rows = plain(draw_ranking(review, 0, None, 120))
    assert any("25.0 to 25.0 °C, 1 alarm" in row for row in rows), "acknowledged, yet not hidden"
