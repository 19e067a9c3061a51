"""A week of three hundred tanks with realistic faults: few messages, and nothing dangerous untold."""

import random
from collections.abc import Callable
from typing import Any

from telling import MIDNIGHT_S, Desk, make_config

from tankwatch.alarms.model import AlarmState, Condition, Priority

DAY_S = 86_400.0
STEP_S = 20.0
TANKS = 300

# Condition, priority, faults in 1,000 tank days, hours that they last. Invented, and rather worse than life.
FAULTS = [
    (Condition.HEATER_NO_HEAT, Priority.HIGH, 4.0, 6.0),
    (Condition.HEATER_STUCK_ON, Priority.CRITICAL, 1.0, 1.0),
    (Condition.HEATER_DUTY_HIGH, Priority.MEDIUM, 6.0, 12.0),
    (Condition.HEATER_SHORT_CYCLING, Priority.LOW, 4.0, 12.0),
    (Condition.THERMOSTAT_DRIFT, Priority.LOW, 3.0, 24.0),
    (Condition.PROBE_SILENT, Priority.HIGH, 12.0, 2.0),
    (Condition.PROBE_FAULTY, Priority.MEDIUM, 4.0, 3.0),
    (Condition.LIGHT_OVERRUN, Priority.LOW, 20.0, 4.0),
    (Condition.LIGHT_MISSED, Priority.LOW, 4.0, 10.0),
    (Condition.WIDE_SWING, Priority.LOW, 15.0, 6.0),
    (Condition.COOLING_FAST, Priority.MEDIUM, 6.0, 1.0),
]

Event = tuple[float, str, str | None, Condition, Priority]


def _events(rng: random.Random) -> list[Event]:
    events: list[Event] = []

    def fault(
        start_s: float, hours: float, tank: int | None, condition: Condition, priority: Priority
    ) -> None:
        name = None if tank is None else f"t{tank:03}"
        events.append((start_s, "begin", name, condition, priority))
        events.append((start_s + hours * 3600.0, "end", name, condition, priority))

    for condition, priority, per_1000_days, hours in FAULTS:
        for _ in range(round(per_1000_days * TANKS * 7 / 1000.0)):
            fault(
                rng.uniform(0, 7 * DAY_S),
                rng.expovariate(1 / hours),
                rng.randrange(TANKS),
                condition,
                priority,
            )
    for _ in range(60):  # a cold night: the weak heaters give in one by one
        start_s = 2.1 * DAY_S + rng.uniform(0, 2.5 * 3600.0)
        fault(start_s, 5.0, rng.randrange(TANKS), Condition.HEATER_OVERLOADED, Priority.HIGH)
    for number in range(100):  # a network switch dies
        fault(4.5 * DAY_S + rng.uniform(0, 120.0), 0.5, number, Condition.PROBE_SILENT, Priority.HIGH)
    fault(5.2 * DAY_S, 1.5, None, Condition.POWER_LOSS, Priority.CRITICAL)
    for number in range(25):  # the tanks that went too cold before it came back
        fault(
            5.2 * DAY_S + 3600.0 + rng.uniform(0, 1800.0), 3.0, number, Condition.TOO_COLD, Priority.CRITICAL
        )
    for start_s in (1.3 * DAY_S, 3.7 * DAY_S, 6.1 * DAY_S):
        fault(start_s, 0.2, None, Condition.SOURCE_LOST, Priority.HIGH)
    for number in range(240):  # a loose contact, for three hours
        fault(3.0 * DAY_S + 45.0 * number, 20.0 / 3600.0, 7, Condition.PROBE_FAULTY, Priority.MEDIUM)
    return sorted(events, key=lambda event: (event[0], event[1]))


def _keeper(desk: Desk, rng: random.Random) -> Callable[[], None]:
    """Someone who acknowledges within a quarter of an hour by day, and at night only what is critical."""
    due: dict[int, float] = {}

    def act() -> None:
        hour = (desk.now_s - MIDNIGHT_S) % DAY_S / 3600.0
        by_day = 7.0 <= hour < 23.0
        for alarm in desk.book.standing:
            if alarm.state is not AlarmState.UNACKNOWLEDGED:
                due.pop(alarm.alarm_id, None)
            elif by_day or alarm.priority is Priority.CRITICAL:
                when_s = due.setdefault(alarm.alarm_id, desk.now_s + rng.uniform(120.0, 1200.0))
                if desk.now_s >= when_s:
                    desk.book.acknowledge(alarm.alarm_id, "sam", desk.now_s)
        if by_day and int(desk.now_s) % 1800 < STEP_S:
            for alarm in desk.book.standing:
                if alarm.state is AlarmState.RETURNED:
                    desk.book.acknowledge(alarm.alarm_id, "sam", desk.now_s)

    return act


def _week(seed: int, people: list[dict[str, Any]] | None = None) -> tuple[Desk, dict[int, float]]:
    rng = random.Random(seed)
    desk = Desk(make_config(people, tanks=TANKS), now_s=MIDNIGHT_S, step_s=STEP_S)
    waiting = _events(rng)[::-1]
    keeper = _keeper(desk, rng)
    dangers: dict[int, float] = {}

    def life() -> None:
        while waiting and MIDNIGHT_S + waiting[-1][0] <= desk.now_s:
            _, what, tank, condition, priority = waiting.pop()
            if what == "begin":
                desk.begin(tank, condition, priority)
            else:
                desk.end(tank, condition)
        for step in desk.book.take_steps():
            alarm = step.alarm
            if alarm.state is AlarmState.UNACKNOWLEDGED and alarm.priority is Priority.CRITICAL:
                dangers.setdefault(alarm.alarm_id, step.time_s)
        keeper()

    desk.run(7 * DAY_S, life)
    return desk, dangers


def test_a_week_stays_under_the_published_rates_and_tells_every_danger() -> None:
    """At most one in ten minutes on average, ten in ten minutes in a flood (EEMUA 191, ANSI/ISA-18.2)."""
    desk, dangers = _week(seed=1)
    times = sorted(message.made_s for message in desk.messages)
    assert len(desk.messages) / (7 * 144) <= 1.0
    assert max(sum(0 <= later - first < 600.0 for later in times) for first in times) <= 10
    assert len(dangers) >= 20
    for number, began_s in dangers.items():
        told = [m.made_s for m in desk.messages if number in m.alarms and m.made_s >= began_s]
        assert told, f"alarm {number} was never told"
        assert min(told) - began_s <= 600.0 + STEP_S
    assert all(len(message.text) < 300 for message in desk.messages)
    assert len({message.message_id for message in desk.messages}) == len(desk.messages)


def test_nobody_is_woken_for_what_can_wait() -> None:
    people: list[dict[str, Any]] = [{"id": "sam", "ways": ["bell"], "quiet": ["22:00", "07:00"]}]
    desk, _ = _week(seed=2, people=people)
    for message in desk.messages:
        hour = (message.made_s - MIDNIGHT_S) % DAY_S / 3600.0
        assert 7.0 <= hour < 22.0 or message.priority is Priority.CRITICAL, message
