"""What became of the messages about an alarm, from the outbox: who was reached, by which way, when."""

from collections.abc import Iterable
from dataclasses import replace

from tankwatch.review.alarm_record import AlarmRecord, Delivery
from tankwatch.store.entry import StoredMessage


def with_deliveries(
    records: Iterable[AlarmRecord], outbox: Iterable[StoredMessage], from_s: float, to_s: float
) -> tuple[AlarmRecord, ...]:
    """Return `records` with the messages about each that were made between two times, oldest first."""
    by_alarm: dict[int, list[Delivery]] = {}
    for stored in outbox:
        content = stored.content
        made_s = float(content.get("made_s", 0.0))
        if not from_s <= made_s <= to_s:
            continue
        found = Delivery(
            person=str(content.get("person", "")),
            way=stored.way,
            kind=str(content.get("kind", "")),
            made_s=made_s,
            state=stored.state,
            settled_s=stored.settled_s,
            attempts=stored.attempts,
        )
        for number in content.get("alarms", ()):
            by_alarm.setdefault(number, []).append(found)
    return tuple(
        replace(record, deliveries=tuple(sorted(by_alarm.get(record.alarm_id, ()), key=lambda d: d.made_s)))
        for record in records
    )
