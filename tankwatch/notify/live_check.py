"""A test message through each configured way, and what came of it."""

import threading
from dataclasses import dataclass

from tankwatch.alarms.model import Priority
from tankwatch.clock import Clock, SystemClock
from tankwatch.config import Config
from tankwatch.errors import DeliveryError
from tankwatch.notify.make_ways import make_ways
from tankwatch.notify.masking import mask_secrets
from tankwatch.notify.message import Kind, Message
from tankwatch.notify.way import Way

WITHIN_S = 30.0


@dataclass(frozen=True, slots=True)
class WayResult:
    """What came of the test message of one way."""

    way: str
    kind: str
    ok: bool
    detail: str
    """What happened, in words, without secrets."""


def send_test(config: Config, *, clock: Clock | None = None, within_s: float = WITHIN_S) -> list[WayResult]:
    """Send a test message through each way of `config`, all at once; return the results in its order.

    A way that does not answer within `within_s` seconds has failed. Nothing is raised for a way that fails.
    """
    clock = clock or SystemClock()
    ways = make_ways(config, clock)
    outcomes: dict[str, str | None] = {}
    threads = []
    for way_id, way in ways.items():
        people = [person.id for person in config.person if way_id in person.ways]
        message = _test_message(people[0] if people else "test", clock.wall_s(), config.room.name, way_id)
        thread = threading.Thread(
            target=_try, args=(way, message, outcomes), name=f"test-{way_id}", daemon=True
        )
        thread.start()
        threads.append(thread)
    end_s = clock.monotonic_s() + within_s
    for thread in threads:
        thread.join(max(0.0, end_s - clock.monotonic_s()))
    late = f"no answer within {within_s:g} s"
    results = []
    for way_config in config.way:
        outcome = outcomes.get(way_config.id, late)
        detail = "the test message was taken" if outcome is None else mask_secrets(outcome)
        results.append(WayResult(way_config.id, way_config.kind, outcome is None, detail))
    return results


def _try(way: Way, message: Message, outcomes: dict[str, str | None]) -> None:
    try:
        way.start()
        try:
            way.send(message)
        finally:
            way.stop()
    except DeliveryError as error:
        outcomes[way.way_id] = str(error)
    except Exception as error:  # a fault of one way must not hide the results of the others
        outcomes[way.way_id] = f"{type(error).__name__}: {error}"
    else:
        outcomes[way.way_id] = None


def _test_message(person: str, now_s: float, room: str, way_id: str) -> Message:
    message_id = f"{int(now_s * 1000) & 0xFFFFFFFFFFFF:012x}test"
    mark = f"#{message_id[:8]}"
    return Message(
        message_id=message_id,
        person=person,
        kind=Kind.TEST,
        priority=Priority.LOW,
        title=f"tankwatch: test of {way_id}",
        text=f"Test message of the watch over {room[:80]}: this way works. Nothing is wrong. {mark}",
        made_s=now_s,
    )
