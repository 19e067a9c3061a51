"""Sealing: old readings of one series become a block and figures, in one transaction.

They are taken oldest first, whole hours at a time. Where blocks lie in the same hours (late readings), or a
small block lies just before, they are packed anew together. An interruption at any point leaves the readings
either where they were or in the block, never in both and never in neither.
"""

import sqlite3

import numpy as np

from tankwatch.reading import ON_OFF_CHANNELS
from tankwatch.store.block import (
    HOUR_MS,
    READINGS,
    Block,
    Floats,
    Ints,
    block_before,
    block_from,
    blocks_between,
    delete_blocks,
    insert_block,
    merged,
    readings_of,
    whole_hours,
)
from tankwatch.store.rollups import put_rollups

MOST_BLOCKS = 4
"""Blocks packed anew in one go, at most: alarms wait for no more than that."""

_ON_OFF = frozenset(channel.value for channel in ON_OFF_CHANNELS)
_ROWS = "SELECT time_ms, value FROM reading WHERE series_id = ? AND time_ms < ? ORDER BY time_ms LIMIT ?"


def ripe(connection: sqlite3.Connection, series_id: int, before_ms: int, waited_ms: int) -> bool:
    """Tell whether a series has rows older than `before_ms` that are worth a block.

    They are if they fill one, or if the oldest is older than `waited_ms`.
    """
    (oldest,) = connection.execute(
        "SELECT min(time_ms) FROM reading WHERE series_id = ?", (series_id,)
    ).fetchone()
    if oldest is None or oldest >= before_ms:
        return False
    if oldest < waited_ms:
        return True
    filling = connection.execute(
        "SELECT 1 FROM reading WHERE series_id = ? AND time_ms < ? ORDER BY time_ms LIMIT 1 OFFSET ?",
        (series_id, before_ms, READINGS - 1),
    ).fetchone()
    return filling is not None


def seal_some(connection: sqlite3.Connection, series_id: int, before_ms: int) -> int:
    """Seal the oldest rows of a series in the transaction that is open; return how many.

    `before_ms` is the start of an hour: rows from then on stay as they are.

    Raises:
        BlockError: a block in the same hours cannot be unpacked; then nothing may be committed.
    """
    rows = connection.execute(_ROWS, (series_id, before_ms, READINGS + 1)).fetchall()
    if not rows:
        return 0
    end_h = _whole_hours_in(rows)
    if end_h is None:  # a single hour holds more: take all of it
        end_h = rows[0][0] // HOUR_MS + 1
        rows = connection.execute(_ROWS, (series_id, min(end_h * HOUR_MS, before_ms), -1)).fetchall()
    rows = [row for row in rows if row[0] < end_h * HOUR_MS]
    time_ms = np.array([row[0] for row in rows], np.int64)
    count = seal_readings(connection, series_id, time_ms, np.array([row[1] for row in rows], np.float64))
    connection.execute(
        "DELETE FROM reading WHERE series_id = ? AND time_ms BETWEEN ? AND ?",
        (series_id, rows[0][0], rows[count - 1][0]),
    )
    return count


def seal_readings(connection: sqlite3.Connection, series_id: int, time_ms: Ints, value: Floats) -> int:
    """Seal the oldest of some readings in the transaction that is open; return how many, at least one.

    They are in order of time, all that are to be sealed of their hours, and in no block yet. Blocks beside
    them are the reason to leave some for another go.

    Raises:
        BlockError: a block in the same hours cannot be unpacked; nothing is changed then.
    """
    first_h, end_h = int(time_ms[0]) // HOUR_MS, int(time_ms[-1]) // HOUR_MS + 1
    touched = blocks_between(
        connection, series_id, first_h * HOUR_MS, end_h * HOUR_MS - 1, most=MOST_BLOCKS + 1
    )
    if len(touched) > MOST_BLOCKS:
        touched = touched[:MOST_BLOCKS]
        end_h = touched[-1].end_h
    count = int(np.searchsorted(time_ms, end_h * HOUR_MS))
    small = _small_block_before(connection, series_id, first_h)
    replaced = ([small] if small else []) + touched
    time_ms, value = merged(
        [*(readings_of(connection, block) for block in replaced), (time_ms[:count], value[:count])]
    )
    followed = block_from(connection, series_id, int(time_ms[0]) // HOUR_MS)
    delete_blocks(connection, replaced)
    for cut in whole_hours(time_ms):
        insert_block(connection, series_id, time_ms[cut], value[cut])
    (channel,) = connection.execute("SELECT channel FROM series WHERE series_id = ?", (series_id,)).fetchone()
    put_rollups(
        connection,
        series_id,
        time_ms,
        value,
        on_off=channel in _ON_OFF,
        followed_ms=None if followed is None else followed.first_ms,
    )
    return count


def _whole_hours_in(rows: list[tuple[int, float]]) -> int | None:
    """Return the hour before which `rows` are whole; None if not one hour is."""
    last_h: int = rows[-1][0] // HOUR_MS
    if len(rows) <= READINGS:
        return last_h + 1
    return last_h if rows[0][0] // HOUR_MS < last_h else None


def _small_block_before(connection: sqlite3.Connection, series_id: int, hour: int) -> Block | None:
    before = block_before(connection, series_id, hour)
    return before if before is not None and before.end_h <= hour and before.count <= READINGS // 2 else None
