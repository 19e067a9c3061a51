"""What the store holds, row by row in order of time, with little memory however much there is.

Each series is asked for in windows that are sized to hold a few thousand readings; no window keeps a
connection open, so a running watch can fold in its log meanwhile.
"""

import heapq
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from tankwatch.reading import Channel
from tankwatch.store.entry import StoredMark
from tankwatch.store.room_reader import RoomReader

Progress = Callable[[float], None]
"""Told the share that is done, 0..1."""

_WINDOW_S = 3 * 3600.0
_LONGEST_WINDOW_S = 400 * 86_400.0
_FEW, _MANY = 1_000, 4_000
"""A window that yields fewer readings is made longer, one that yields more shorter."""
_TELL_EVERY = 20_000
_EVER_S = 1e11


@dataclass(slots=True)
class Row:
    """All that one tank said at one time."""

    time_us: int
    """Microseconds since 1970 UTC; readings are kept to the millisecond."""
    tank: str
    values: dict[Channel, float]
    """In the unit of each channel; the service channel never is among them."""
    mark: str | None = None
    """Service word."""
    mark_by: str | None = None


def stored_rows(
    reader: RoomReader,
    from_s: float | None = None,
    to_s: float | None = None,
    tanks: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Iterator[Row]:
    """Yield the rows of a stretch (by default everything), ordered by time, then tank.

    Raises:
        StoreError: the store cannot be read.
    """
    span = reader.span() or (0.0, 0.0)
    first_s = span[0] if from_s is None else max(from_s, span[0])
    last_s = span[1] if to_s is None else min(to_s, span[1])
    streams = [
        _series(reader, tank, channel, first_s, last_s)
        for tank, channel in sorted(reader.last_values())
        if tanks is None or tank in tanks
    ]
    streams.append(_marks(reader, from_s, to_s, tanks))
    merged = groupby(heapq.merge(*streams, key=_place), key=_place)
    for count, ((time_us, tank), group) in enumerate(merged, 1):
        yield from _rows(time_us, tank, group)
        if progress is not None and count % _TELL_EVERY == 0:
            progress(min(1.0, max(0.0, (time_us / 1e6 - first_s) / max(last_s - first_s, 1e-9))))
    if progress is not None:
        progress(1.0)


_Item = tuple[int, str, Channel, float, StoredMark | None]


def _place(item: _Item) -> tuple[int, str]:
    return item[0], item[1]


def _rows(time_us: int, tank: str, group: Iterator[_Item]) -> Iterator[Row]:
    row = Row(time_us, tank, {})
    for _, _, channel, value, mark in group:
        if mark is None:
            row.values[channel] = value
            continue
        if row.mark is not None:  # two words at one moment: a row each
            yield row
            row = Row(time_us, tank, {})
        row.mark, row.mark_by = mark.mark.value, mark.who
    yield row


def _series(reader: RoomReader, tank: str, channel: Channel, from_s: float, to_s: float) -> Iterator[_Item]:
    begin_ms, end_ms = round(from_s * 1000.0), round(to_s * 1000.0)
    width_s = _WINDOW_S
    while begin_ms <= end_ms:
        last_ms = min(begin_ms + round(width_s * 1000.0) - 1, end_ms)
        part = reader.series(tank, channel, begin_ms / 1000.0, last_ms / 1000.0)
        begin_ms = last_ms + 1
        if len(part) < _FEW:
            width_s = min(2.0 * width_s, _LONGEST_WINDOW_S)
        elif len(part) > _MANY:
            width_s = max(width_s * _MANY / (2.0 * len(part)), 1.0)
        for time_s, value in zip(part.time_s.tolist(), part.mean.tolist(), strict=True):
            # Adding zero makes -0.0 plain: not every reader of a file keeps that sign.
            yield round(time_s * 1000.0) * 1000, tank, channel, value + 0.0, None


def _marks(
    reader: RoomReader, from_s: float | None, to_s: float | None, tanks: Sequence[str] | None
) -> Iterator[_Item]:
    marks = reader.marks(-_EVER_S if from_s is None else from_s, _EVER_S if to_s is None else to_s)
    for mark in sorted(marks, key=lambda m: (round(m.time_s * 1e6), m.tank)):
        if tanks is None or mark.tank in tanks:
            yield round(mark.time_s * 1e6), mark.tank, Channel.SERVICE, 0.0, mark
