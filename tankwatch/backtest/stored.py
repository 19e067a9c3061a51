"""The readings of a store as stretches: each series is asked for window by window.

No window keeps a connection open, so a running watch can fold in its log meanwhile.
"""

from collections.abc import Callable, Generator

import numpy as np

from tankwatch.backtest.stretch import CHANNEL_NUMBERS, MARKS, Stretch, TankNames, in_order, joined
from tankwatch.errors import StoreError
from tankwatch.reading import Channel
from tankwatch.store.entry import StoredMark
from tankwatch.store.room_reader import RoomReader

_WINDOW_S = 3 * 3600.0
_LONGEST_WINDOW_S = 40 * 86_400.0
_FEW, _MANY = 60_000, 240_000
"""A window that yields fewer readings is followed by a longer one, one that yields more by a shorter."""
_EVER_S = 1e11


def stored_stretches(
    reader: RoomReader,
    from_s: float | None,
    to_s: float | None,
    tanks: TankNames,
    on_share: Callable[[float], None],
    on_refused: Callable[[int, str], None],
) -> Generator[Stretch]:
    """Yield what the store holds from `from_s` to `to_s`, both included, in order.

    What is damaged is left out and told to `on_refused`.

    Raises:
        StoreError: the store cannot be read; the tank and the channel are named.
    """
    marks = reader.marks(-_EVER_S if from_s is None else from_s, _EVER_S if to_s is None else to_s)
    span = reader.span()
    ends_s = [mark.time_s for mark in marks]
    if span is not None:
        first_s = span[0] if from_s is None else max(from_s, span[0])
        last_s = span[1] if to_s is None else min(to_s, span[1])
        if first_s <= last_s:
            ends_s += [first_s, last_s]
    if not ends_s:
        return
    begin_ms, end_ms = _floor_ms(min(ends_s)), round(max(ends_s) * 1000.0) + 1
    from_ms = begin_ms if from_s is None else max(begin_ms, round(from_s * 1000.0))
    to_ms = end_ms if to_s is None else min(end_ms, round(to_s * 1000.0))
    series = sorted(reader.last_values())
    shown_ms, whole_ms = begin_ms, max(1, end_ms - begin_ms)
    width_s = _WINDOW_S
    waiting = _mark_stretch(marks, tanks)
    while begin_ms <= end_ms:
        stop_ms = min(begin_ms + round(width_s * 1000.0), end_ms + 1)
        parts = []
        for tank, channel in series:
            low_ms, high_ms = max(begin_ms, from_ms), min(stop_ms - 1, to_ms)
            if low_ms <= high_ms:
                parts.append(_part(reader, tank, channel, low_ms, high_ms, tanks, on_refused))
        due = waiting.time_us < stop_ms * 1000
        parts.append(waiting.part(due))
        waiting = waiting.part(~due)
        whole = joined(parts)
        if len(whole):
            yield in_order(whole, tanks)
        begin_ms = stop_ms
        on_share((begin_ms - shown_ms) / whole_ms)
        if len(whole) < _FEW:
            width_s = min(2.0 * width_s, _LONGEST_WINDOW_S)
        elif len(whole) > _MANY:
            width_s = max(width_s * _MANY / (2.0 * len(whole)), 1.0)


def _part(
    reader: RoomReader,
    tank: str,
    channel: Channel,
    from_ms: int,
    to_ms: int,
    tanks: TankNames,
    on_refused: Callable[[int, str], None],
) -> Stretch:
    try:
        found = reader.series(tank, channel, from_ms / 1000.0, to_ms / 1000.0)
    except StoreError as error:
        raise StoreError(
            f"tank {tank}, {channel.value}: {error} Take the readings from a backup, or leave the stretch "
            "out with --from and --to."
        ) from error
    if found.damaged:
        on_refused(len(found.damaged), f"stretch of tank {tank}, {channel.value}, damaged in the store")
    count = len(found)
    return Stretch(
        np.rint(found.time_s * 1000.0).astype(np.int64) * 1000,
        np.full(count, tanks.number(tank), np.int64),
        np.full(count, CHANNEL_NUMBERS[channel], np.int64),
        found.mean + 0.0,  # makes -0.0 plain, as an export does
    )


def _mark_stretch(marks: list[StoredMark], tanks: TankNames) -> Stretch:
    return Stretch(
        np.array([round(mark.time_s * 1e6) for mark in marks], np.int64),
        np.array([tanks.number(mark.tank) for mark in marks], np.int64),
        np.full(len(marks), CHANNEL_NUMBERS[Channel.SERVICE], np.int64),
        np.array([MARKS.index(mark.mark.value) for mark in marks], np.float64),
    )


def _floor_ms(time_s: float) -> int:
    return int(np.floor(time_s * 1000.0))
