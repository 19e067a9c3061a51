"""The results of a back-test as lines: tables for people, JSON for programs."""

import heapq
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from tankwatch.alarms.model import Condition
from tankwatch.backtest.compare import Change, Matter, counted
from tankwatch.backtest.episode import Episode
from tankwatch.backtest.task import RoomResult
from tankwatch.printing import LONGEST_LINE, utc
from tankwatch.safetext import safe_json, safe_text

_ORDER = {condition.value: place for place, condition in enumerate(Condition)}
_ROOM = "(room)"
_COUNTS = ("alarms", "hours", "longest h")


def alarm_table(results: Sequence[RoomResult]) -> Iterator[str]:
    """Yield a table of alarms by condition and tank, room by room.

    Hours count alarms that have an end; one that stood at the end of the recording is marked with `…`.
    """
    for number, result in enumerate(results):
        if number:
            yield ""
        yield safe_text(f"{result.room}: {_alarms(len(result.episodes))}", LONGEST_LINE)
        groups: dict[tuple[str, str], list[Episode]] = defaultdict(list)
        for episode in result.episodes:
            groups[episode.alarm, episode.tank or episode.subject or _ROOM].append(episode)
        if not groups:
            continue
        rows = [["condition", "tank", *_COUNTS, "first told"]]
        conditions = sorted({alarm for alarm, _ in groups}, key=_ORDER.__getitem__)
        for alarm in conditions:
            of_alarm = sorted((key, found) for key, found in groups.items() if key[0] == alarm)
            for place, ((_, tank), found) in enumerate(of_alarm):
                rows.append(["" if place else alarm, tank, *_figures(found)])
        yield from _aligned(rows, left=2)


def change_table(
    matters: Sequence[tuple[str, Matter]], before: str, after: str, *, several: bool
) -> Iterator[str]:
    """Yield the changes by condition, then each of them; `matters` come with their room's name."""
    counts = counted(matter for _, matter in matters)
    number_before: Counter[str] = Counter()
    number_after: Counter[str] = Counter()
    for _, matter in matters:
        number_before[matter.first.alarm] += len(matter.before)
        number_after[matter.first.alarm] += len(matter.after)
    rows = [["condition", "before", "after", *(change.value for change in Change)]]
    for alarm in sorted(counts, key=_ORDER.__getitem__):
        cells = [str(counts[alarm][change]) for change in Change]
        rows.append([alarm, str(number_before[alarm]), str(number_after[alarm]), *cells])
    every = [str(sum(of[change] for of in counts.values())) for change in Change]
    rows.append(["all", str(number_before.total()), str(number_after.total()), *every])
    yield safe_text(f"alarms before, with {before}, and after, with {after}:", LONGEST_LINE)
    yield from _aligned(rows, left=1)
    for room, matter in matters:
        if matter.change is not Change.SAME:
            yield _change_line(room if several else None, matter)


def step_lines(results: Sequence[RoomResult]) -> Iterator[str]:
    """Yield the steps of all rooms in time order; of one room exactly as plain replay prints them.

    Of several rooms each line has the name of its room as well.
    """
    if len(results) == 1:
        yield from (line for _, line in results[0].lines)
        return
    streams = [
        [(time_s, place, line) for time_s, line in result.lines] for place, result in enumerate(results)
    ]
    for _, place, line in heapq.merge(*streams, key=lambda item: item[:2]):
        room = safe_json(results[place].room)
        yield f'{line[:-1]}, "room": {room}}}'


def change_lines(matters: Iterable[tuple[str, Matter]]) -> Iterator[str]:
    """Yield every matter as one JSON object on one line, those that stay the same too."""
    for room, matter in matters:
        first = matter.first
        record: dict[str, Any] = {
            "time": utc(first.begin_s),
            "room": room,
            "tank": first.tank,
            "alarm": first.alarm,
            "change": matter.change.value,
            "minutes_later": matter.minutes_later,
            "before": [_as_json(episode) for episode in matter.before],
            "after": [_as_json(episode) for episode in matter.after],
        }
        if first.subject is not None:
            record["subject"] = first.subject
        yield safe_json(record)


def _change_line(room: str | None, matter: Matter) -> str:
    first = matter.first
    later = matter.minutes_later
    place = first.tank or first.subject or _ROOM
    where = place if room is None else f"{room}, {place}"
    by = "" if later is None else f" by {abs(later):.0f} min"
    return safe_text(
        f"{matter.change.value}{by}  {utc(first.begin_s)}  {where}  {first.alarm} ({first.priority})  "
        f"{first.message}",
        LONGEST_LINE,
    )


def _as_json(episode: Episode) -> dict[str, Any]:
    return {
        "begin": utc(episode.begin_s),
        "end": None if episode.end_s is None else utc(episode.end_s),
        "priority": episode.priority,
        "message": episode.message,
    }


def _figures(found: Sequence[Episode]) -> list[str]:
    hours = [(e.end_s - e.begin_s) / 3600.0 for e in found if e.end_s is not None]
    stands = " …" if len(hours) < len(found) else ""
    longest = f"{max(hours):.1f}" if hours else "-"
    return [str(len(found)), f"{sum(hours):.1f}{stands}", longest, utc(found[0].begin_s)]


def _alarms(count: int) -> str:
    return "1 alarm" if count == 1 else f"{count or 'no'} alarms"


def _aligned(rows: Sequence[Sequence[str]], *, left: int) -> Iterator[str]:
    """Yield rows with columns of one width, the first `left` and the last left-aligned."""
    clean = [[safe_text(cell, LONGEST_LINE) for cell in row] for row in rows]
    widths = [max(len(row[column]) for row in clean) for column in range(len(clean[0]))]
    for row in clean:
        cells = [
            cell.ljust(width) if column < left else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield "  ".join(cells).rstrip()
