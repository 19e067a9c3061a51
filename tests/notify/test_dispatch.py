"""Who is told what, when and how often, on a clock that is moved by hand."""

import json
from typing import Any

import pytest
from telling import MIDNIGHT_S, Desk, kinds, make_config

from tankwatch.alarms.model import Condition, Priority
from tankwatch.errors import UsageError
from tankwatch.notify.message import Kind, message_of_json

MIN = 60.0


def test_one_alarm_gives_one_message_and_its_end_another() -> None:
    desk = Desk()
    desk.begin()
    (message,) = desk.run(5 * MIN)
    assert (message.kind, message.person, message.tanks) == (Kind.ALARM, "sam", ("t000",))
    desk.acknowledge_all()
    assert desk.run(60 * MIN) == []
    desk.end()
    (cleared,) = desk.run(10 * MIN)
    assert cleared.kind is Kind.CLEARED
    assert desk.run(600 * MIN) == []
    assert desk.dispatcher.remember()["cases"] == {}


def test_critical_is_told_within_seconds_and_the_rest_gathers() -> None:
    desk = Desk()
    desk.begin("t000", priority=Priority.CRITICAL)
    desk.begin("t001", Condition.PROBE_FROZEN, Priority.HIGH)
    assert kinds(desk.run(4.0)) == [Kind.ALARM]
    assert kinds(desk.run(20.0)) == [Kind.ALARM]


def test_one_condition_in_many_tanks_is_one_message() -> None:
    desk = Desk(make_config(tanks=300))
    for number in range(300):
        desk.begin(f"t{number:03}")
    messages = desk.run(10 * MIN)
    assert kinds(messages) == [Kind.ALARM]
    assert len(messages[0].alarms) == 300
    assert "300 tanks" in messages[0].text


def test_what_returned_before_it_was_told_wakes_nobody() -> None:
    desk = Desk()
    desk.begin()
    desk.run(5.0)
    desk.end()
    assert desk.run(30 * MIN) == []


def test_a_brief_return_is_no_new_alarm_and_no_end() -> None:
    desk = Desk()
    desk.begin()
    desk.run(MIN)
    desk.end()
    desk.run(60.0)
    desk.begin()
    assert desk.run(5 * MIN) == []
    desk.end()
    assert kinds(desk.run(10 * MIN)) == [Kind.CLEARED]
    desk.begin()
    assert kinds(desk.run(MIN)) == [Kind.ALARM]


def test_a_rise_in_priority_is_told() -> None:
    desk = Desk()
    desk.begin(priority=Priority.MEDIUM)
    assert kinds(desk.run(3 * MIN)) == [Kind.ALARM]
    desk.begin(priority=Priority.CRITICAL)
    assert kinds(desk.run(5.0)) == [Kind.WORSE]
    desk.begin(priority=Priority.HIGH)
    desk.begin(priority=Priority.CRITICAL)
    assert desk.run(MIN) == []


def test_what_nobody_acknowledges_is_repeated_ever_more_slowly_until_someone_does() -> None:
    desk = Desk(step_s=10.0)
    desk.begin(priority=Priority.CRITICAL)
    start_s = desk.now_s
    messages = desk.run(12 * 3600.0)
    assert set(kinds(messages[1:])) == {Kind.REMINDER}
    at_min = [round((m.made_s - start_s) / MIN) for m in messages[1:5]]
    assert at_min == [15, 45, 105, 225]
    assert len({m.message_id for m in messages}) == len(messages)
    desk.acknowledge_all()
    assert desk.run(12 * 3600.0) == []


def test_quiet_hours_hold_back_all_but_critical_and_tell_the_rest_at_their_end() -> None:
    config = make_config([{"id": "sam", "ways": ["bell"], "quiet": ["22:00", "07:00"]}])
    desk = Desk(config, now_s=MIDNIGHT_S + 3 * 3600.0, step_s=5.0)
    desk.begin("t000", Condition.HEATER_DUTY_HIGH, Priority.MEDIUM)
    desk.begin("t001", Condition.PROBE_SILENT, Priority.HIGH)
    assert desk.run(3600.0) == []
    desk.begin("t002", Condition.HEATER_STUCK_ON, Priority.CRITICAL)
    assert [m.tanks for m in desk.run(MIN)] == [("t002",)]
    desk.end("t001", Condition.PROBE_SILENT)
    quiet = [m for m in desk.run(175 * MIN) if m.kind is not Kind.REMINDER]
    assert quiet == []
    morning = [m for m in desk.run(15 * MIN) if m.kind is not Kind.REMINDER]
    assert {m.kind: m.tanks for m in morning} == {Kind.ALARM: ("t000",), Kind.MISSED: ("t001",)}


def test_someone_else_is_told_when_nobody_acknowledges() -> None:
    people: list[dict[str, Any]] = [
        {"id": "sam", "ways": ["bell"]},
        {"id": "kim", "ways": ["bell"], "after_min": 15},
    ]
    desk = Desk(make_config(people))
    desk.begin()
    assert {m.person for m in desk.run(14 * MIN)} == {"sam"}
    (escalated,) = [m for m in desk.run(2 * MIN) if m.person == "kim"]
    assert escalated.kind is Kind.ESCALATED
    assert escalated.text.startswith("NOBODY ANSWERED: ")


def test_nobody_else_is_told_once_someone_has_acknowledged() -> None:
    people: list[dict[str, Any]] = [
        {"id": "sam", "ways": ["bell"]},
        {"id": "kim", "ways": ["bell"], "after_min": 15},
    ]
    desk = Desk(make_config(people))
    desk.begin(priority=Priority.CRITICAL)
    desk.run(5 * MIN)
    desk.acknowledge_all()
    assert desk.run(60 * MIN) == []


def test_off_duty_only_critical_comes_and_only_while_nobody_is_on_duty() -> None:
    people: list[dict[str, Any]] = [
        {"id": "day", "ways": ["bell"], "hours": ["08:00", "18:00"]},
        {"id": "weekend", "ways": ["bell"], "days": ["sat", "sun"]},
    ]
    desk = Desk(make_config(people), now_s=MIDNIGHT_S + 12 * 3600.0)
    desk.begin("t000", priority=Priority.CRITICAL)
    assert {m.person for m in desk.run(MIN)} == {"day"}
    desk = Desk(make_config(people), now_s=MIDNIGHT_S + 3 * 3600.0)
    desk.begin("t000", priority=Priority.CRITICAL)
    desk.begin("t001", Condition.PROBE_SILENT)
    messages = desk.run(MIN)
    assert {(m.person, m.tanks) for m in messages} == {("day", ("t000",)), ("weekend", ("t000",))}


def test_chattering_is_told_once_and_as_such() -> None:
    desk = Desk()

    def flutter() -> None:
        if int(desk.now_s) % 20 == 0:
            desk.begin()
        elif int(desk.now_s) % 20 == 10:
            desk.end()

    messages = desk.run(14 * MIN, flutter)
    assert kinds(messages).count(Kind.CHATTERING) == 1
    assert len(messages) <= 2
    assert "times in a minute" in messages[-1].text


def test_a_code_acknowledges_the_alarms_of_its_message_until_it_expires() -> None:
    desk = Desk()
    desk.begin()
    (message,) = desk.run(MIN)
    assert message.code is not None
    typed = f" {message.code[:3].lower()}-{message.code[3:].lower()} "
    assert desk.dispatcher.permit_of_code(typed, desk.now_s).alarms == message.alarms
    assert f"Ack code {message.code}" in message.text
    with pytest.raises(UsageError, match="no code"):
        desk.dispatcher.permit_of_code(message.code, desk.now_s + 12 * 3600.0)
    with pytest.raises(UsageError, match="no code"):
        desk.dispatcher.permit_of_code("ZZZZZZ", desk.now_s)


def test_what_is_put_away_is_not_told() -> None:
    desk = Desk(step_s=5.0)
    desk.begin(priority=Priority.CRITICAL)
    desk.run(MIN)
    (alarm,) = desk.book.standing
    desk.book.shelve(alarm.alarm_id, "sam", desk.now_s, until_s=desk.now_s + 3600.0, why="known")
    assert desk.run(3590.0) == []
    desk.book.pass_time(desk.now_s + 10.0)
    assert kinds(desk.run(MIN)) == [Kind.ALARM]


def test_a_flood_is_ten_messages_at_most_and_then_digests() -> None:
    desk = Desk(make_config(tanks=300))
    conditions = [c for c in Condition if c.value.startswith(("heater", "light", "probe", "too"))]
    number = 0

    def another() -> None:
        nonlocal number
        if number < 600:
            priority = list(Priority)[number % 4]
            desk.begin(f"t{number % 300:03}", conditions[number % len(conditions)], priority)
            number += 1

    first = desk.run(10 * MIN, another)
    assert 3 <= len(first) <= 10
    assert Kind.DIGEST in kinds(first)
    for start in range(len(desk.messages)):
        window = [m for m in desk.messages if 0 <= m.made_s - desk.messages[start].made_s < 600.0]
        assert len(window) <= 10
    desk.step_s = 20.0
    later = desk.run(60 * MIN)
    told = {number for message in desk.messages for number in message.alarms}
    loud = {a.alarm_id for a in desk.book.standing if a.priority is not Priority.LOW}
    assert loud <= told
    assert len(later) <= 60


def test_a_restart_at_any_moment_tells_the_same_messages_with_the_same_ids() -> None:
    def story(restart_every_s: float | None) -> list[tuple[str, str]]:
        desk = Desk()
        start_s = desk.now_s

        def events() -> None:
            at_s = desk.now_s - start_s
            if at_s == 10.0:
                desk.begin("t000", priority=Priority.CRITICAL)
            if at_s == 15.0:
                desk.begin("t001", Condition.PROBE_SILENT)
            if at_s == 400.0:
                desk.begin("t001", Condition.PROBE_SILENT, Priority.CRITICAL)
            if at_s == 2000.0:
                desk.acknowledge_all()
            if at_s == 2500.0:
                desk.end("t000")
            if restart_every_s is not None and at_s % restart_every_s == 0.0:
                json.dumps(desk.dispatcher.remember())
                desk.restart()

        desk.run(3600.0, events)
        return [(m.kind.value, m.message_id) for m in desk.messages]

    undisturbed = story(None)
    assert len(undisturbed) >= 5
    for every_s in (7.0, 61.0, 500.0):
        assert story(every_s) == undisturbed


def test_a_clock_that_went_back_before_the_start_blocks_nothing() -> None:
    desk = Desk()
    for number in range(3):
        desk.begin(f"t{number:03}", list(Condition)[number], Priority.CRITICAL)
    desk.run(5 * MIN)
    desk.now_s -= 1e9
    desk.restart()
    desk.begin("t000", Condition.HEATER_EXPOSED, Priority.CRITICAL)
    assert Kind.ALARM in kinds(desk.run(MIN))


def test_memory_of_another_version_is_set_aside_and_what_stands_is_told() -> None:
    desk = Desk()
    desk.begin()
    desk.run(MIN)
    broken = {**desk.dispatcher.remember(), "cases": {"1": {"alarm": {}}}}
    again = Desk(book=desk.book, now_s=desk.now_s)
    again.dispatcher = type(again.dispatcher)(again.config, again.dispatcher._signer, broken)
    assert kinds(again.run(MIN)) == [Kind.ALARM]


def test_a_token_is_not_kept_and_made_again_as_it_was() -> None:
    desk = Desk()
    desk.begin()
    (message,) = desk.run(MIN)
    kept = message_of_json(message.to_keep())
    assert kept.token is None
    assert message.token is not None
    assert desk.dispatcher.with_token(kept) == message
    assert message.token not in json.dumps(desk.dispatcher.remember())
    desk.acknowledge_all()
    desk.end()
    (cleared,) = desk.run(10 * MIN)
    assert desk.dispatcher.with_token(cleared).token is None
