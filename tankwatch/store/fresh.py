"""Fresh readings: what came in the last hours, of all series together, in the order in which it came.

A batch of the writer is one row of `fresh`, appended at the end of the file however many series it holds: a
room of 300 tanks writes a page or two where a row a reading, each in its series' own place, would write 900.
Some dozens of batches are then folded into a run of `sheet` rows: the same readings in the order of series,
some thousand to a row, so that one series is found in few of them. `sheets` folds them, and seals them into
blocks in the end. A reading is in one place only at any time: in a batch, a sheet, a row or a block.

`first_series` and `last_series` of a sheet say which series count: what it holds of others is sealed already.
"""

import logging
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray

from tankwatch.store.block import merged
from tankwatch.store.codec import BlockError, DamagedError
from tankwatch.store.mixed import pack_mixed, unpack_mixed

_log = logging.getLogger(__name__)

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Mixed = tuple[Ints, Ints, Floats]
"""Series numbers, times in ms since 1970 UTC and values, in the order of series, then time."""

OnDamage = Callable[[int, int], None]
"""Told the first and last time (ms since 1970 UTC) of readings that are damaged and left out."""

DAMAGED = -1
"""Level of a sheet that cannot be unpacked: it stays as it is, for whoever can save something of it."""

_COLUMNS = "first_series, last_series, first_ms, last_ms"
_OVERLAPS = (
    "first_series <= :last_series AND last_series >= :first_series "
    "AND first_ms <= :last_ms AND last_ms >= :first_ms"
)
_PLACES = (
    f"SELECT {_COLUMNS}, data FROM fresh WHERE {_OVERLAPS} UNION ALL "  # noqa: S608
    f"SELECT {_COLUMNS}, (SELECT data FROM sheet_data AS d WHERE d.sheet_id = s.sheet_id) "
    f"FROM sheet AS s WHERE {_OVERLAPS}"
)
_PUT = f"INSERT INTO fresh (written_ms, {_COLUMNS}, count, data) VALUES (?, ?, ?, ?, ?, ?, ?)"  # noqa: S608

_ANY_SERIES = (0, 1 << 60)
_ANY_TIME = (-(1 << 60), 1 << 60)


def put_fresh(connection: sqlite3.Connection, mixed: Mixed, written_ms: int) -> None:
    """Keep readings, at least one and none of them known yet, as one batch in the open transaction."""
    series, time_ms, value = mixed
    place = (int(series[0]), int(series[-1]), int(time_ms.min()), int(time_ms.max()))
    connection.execute(_PUT, (written_ms, *place, len(series), pack_mixed(series, time_ms, value)))


def fresh_readings(
    connection: sqlite3.Connection,
    series_id: int,
    from_ms: int,
    to_ms: int,
    on_damage: OnDamage | None = None,
) -> tuple[Ints, Floats]:
    """Return times and values of one series in a stretch, both ends included, in order of time."""
    parts = []
    for series, time_ms, value in _mixed_between(
        connection, (series_id, series_id), (from_ms, to_ms), on_damage
    ):
        begin, end = np.searchsorted(series, (series_id, series_id + 1)).tolist()
        parts.append((time_ms[begin:end], value[begin:end]))
    time_ms, value = merged(parts)
    begin, end = np.searchsorted(time_ms, (from_ms, to_ms + 1)).tolist()
    return time_ms[begin:end], value[begin:end]


def without_fresh(
    connection: sqlite3.Connection, rows: Sequence[tuple[int, int, float]]
) -> Sequence[tuple[int, int, float]]:
    """Return `rows` (in the order of series, then time) without those whose series and time are fresh."""
    if not rows:
        return rows
    times = [row[1] for row in rows]
    stretch = (min(times), max(times))
    known: set[tuple[int, int]] = set()
    wanted = np.unique(np.array([row[0] for row in rows], np.int64))
    between = _mixed_between(connection, (rows[0][0], rows[-1][0]), stretch, passed_over=BlockError)
    for series, time_ms, _ in between:
        same = (time_ms >= stretch[0]) & (time_ms <= stretch[1]) & np.isin(series, wanted)
        known.update(zip(series[same].tolist(), time_ms[same].tolist(), strict=True))
    return [row for row in rows if row[:2] not in known] if known else rows


def fresh_span(connection: sqlite3.Connection) -> tuple[int, int] | None:
    """Return the times of the first and the last fresh reading, or None if there is none."""
    rows = connection.execute(
        "SELECT min(first_ms), max(last_ms) FROM fresh UNION ALL "
        "SELECT min(first_ms), max(last_ms) FROM sheet WHERE level <> ?",
        (DAMAGED,),
    ).fetchall()
    ends = [(first, last) for first, last in rows if first is not None]
    return (min(first for first, _ in ends), max(last for _, last in ends)) if ends else None


def put_newest(
    connection: sqlite3.Connection,
    newest: dict[int, tuple[int, float]],
    *,
    passed_over: type[BlockError] = DamagedError,
) -> None:
    """Put time and value of the newest fresh reading of each series in place of older ones in `newest`.

    What cannot be unpacked is passed over, by default only what is damaged.

    Raises:
        BlockError: something cannot be unpacked for another reason.
    """
    fresh = _mixed_between(connection, _ANY_SERIES, _ANY_TIME, table="fresh", passed_over=passed_over)
    _put_newer(list(fresh), newest)
    sheets = connection.execute(
        "SELECT sheet_id, first_series, last_series, last_ms FROM sheet WHERE level <> ?", (DAMAGED,)
    ).fetchall()
    numbers = [number for (number,) in connection.execute("SELECT series_id FROM series ORDER BY series_id")]
    position = np.array(numbers, np.int64)
    known_ms = np.array([newest[n][0] if n in newest else _ANY_TIME[0] for n in numbers], np.int64)
    # The newest first: most others then hold nothing that is newer than what is known.
    for sheet_id, first, last, last_ms in sorted(sheets, key=itemgetter(3), reverse=True):
        begin, end = np.searchsorted(position, (first, last + 1)).tolist()
        if not np.any(known_ms[begin:end] < last_ms):
            continue
        _put_newer(list(_sheet(connection, sheet_id, first, last, passed_over)), newest)
        known_ms[begin:end] = [newest[n][0] if n in newest else _ANY_TIME[0] for n in numbers[begin:end]]


def _put_newer(parts: Sequence[Mixed], newest: dict[int, tuple[int, float]]) -> None:
    if not parts:
        return
    series, time_ms, value = in_order(parts)
    lasts = np.flatnonzero(np.diff(series, append=np.iinfo(np.int64).max))
    for number, ms, last in zip(
        series[lasts].tolist(), time_ms[lasts].tolist(), value[lasts].tolist(), strict=True
    ):
        if number not in newest or newest[number][0] < ms:
            newest[number] = (ms, last)


def in_order(parts: Sequence[Mixed]) -> Mixed:
    """Return the readings of all parts in the order of series, then time."""
    series = np.concatenate([np.empty(0, np.int64), *(part[0] for part in parts)])
    time_ms = np.concatenate([np.empty(0, np.int64), *(part[1] for part in parts)])
    value = np.concatenate([np.empty(0), *(part[2] for part in parts)])
    order = np.lexsort((time_ms, series))
    return series[order], time_ms[order], value[order]


def _sheet(
    connection: sqlite3.Connection, sheet_id: int, first: int, last: int, passed_over: type[BlockError]
) -> Iterator[Mixed]:
    row = connection.execute("SELECT data FROM sheet_data WHERE sheet_id = ?", (sheet_id,)).fetchone()
    if row is not None:
        try:
            yield _cut(unpack_mixed(row[0]), first, last)
        except passed_over as error:
            _log.error("a sheet of fresh readings is passed over: %s", error)


def _mixed_between(
    connection: sqlite3.Connection,
    series: tuple[int, int],
    stretch: tuple[int, int],
    on_damage: OnDamage | None = None,
    *,
    table: str | None = None,
    passed_over: type[BlockError] = DamagedError,
) -> Iterator[Mixed]:
    """Yield what may hold readings of such series in such a stretch; both ends are included."""
    question = _PLACES if table is None else _PLACES.split(" UNION ALL ", maxsplit=1)[0]
    wanted = dict(
        zip(("first_series", "last_series", "first_ms", "last_ms"), (*series, *stretch), strict=True)
    )
    for first, last, first_ms, last_ms, data in connection.execute(question, wanted).fetchall():
        try:
            if data is None:
                raise DamagedError("a sheet of fresh readings has lost its readings")
            yield _cut(unpack_mixed(data), first, last)
        except passed_over as error:
            _log.error("fresh readings are passed over: %s", error)
            if on_damage is not None:
                on_damage(first_ms, last_ms)


def _cut(mixed: Mixed, first: int, last: int) -> Mixed:
    """Return what of `mixed` is of series that count."""
    series, time_ms, value = mixed
    begin, end = np.searchsorted(series, (first, last + 1)).tolist()
    return series[begin:end], time_ms[begin:end], value[begin:end]
