"""Sealed blocks: a few thousand neighbouring readings of one series in one row.

A block holds whole hours, and no hour is in two blocks of a series. What is asked most often of it (ends,
extremes, sum) stands beside it in plain columns, so that a long chart seldom unpacks one. Channels whose
readings come in the same packs share the row with their times.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray

from tankwatch.store import codec

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

HOUR_MS = 3_600_000
READINGS = 4096
"""A block is closed before it would hold more, unless a single hour does."""

_COLUMNS = (
    "series_id, begin_h, end_h, first_ms, last_ms, count, low, high, total, last_value, bytes, "
    "stamps_id, values_id"
)


@dataclass(frozen=True, slots=True)
class Block:
    """What stands beside the packed readings."""

    series_id: int
    begin_h: int
    """First hour that belongs to it, counted since 1970 UTC."""
    end_h: int
    """First hour after it."""
    first_ms: int
    last_ms: int
    count: int
    low: float
    high: float
    total: float
    """Sum of the values."""
    last_value: float
    bytes: int
    """Packed size; shared times are counted with the block that brought them."""
    stamps_id: int
    values_id: int


def blocks_between(
    connection: sqlite3.Connection, series_id: int, from_ms: int, to_ms: int, *, most: int = -1
) -> list[Block]:
    """Return the blocks that may hold readings from `from_ms` to `to_ms`, both included, in order."""
    return _blocks(
        connection,
        "series_id = ? AND begin_h BETWEEN coalesce((SELECT max(begin_h) FROM block "
        "WHERE series_id = ? AND begin_h <= ?), ?) AND ? AND last_ms >= ? AND first_ms <= ? "
        "ORDER BY begin_h LIMIT ?",
        (
            series_id,
            series_id,
            from_ms // HOUR_MS,
            from_ms // HOUR_MS,
            to_ms // HOUR_MS,
            from_ms,
            to_ms,
            most,
        ),
    )


def block_before(connection: sqlite3.Connection, series_id: int, hour: int) -> Block | None:
    """Return the last block that begins before `hour`."""
    found = _blocks(
        connection, "series_id = ? AND begin_h < ? ORDER BY begin_h DESC LIMIT 1", (series_id, hour)
    )
    return found[0] if found else None


def blocks_ended_by(connection: sqlite3.Connection, series_id: int, hour: int, most: int) -> list[Block]:
    """Return the oldest blocks that hold nothing from `hour` on, at most so many."""
    return _blocks(
        connection,
        "series_id = ? AND begin_h < ? AND end_h <= ? ORDER BY begin_h LIMIT ?",
        (series_id, hour, hour, most),
    )


def block_from(connection: sqlite3.Connection, series_id: int, hour: int) -> Block | None:
    """Return the first block that begins at `hour` or later."""
    found = _blocks(connection, "series_id = ? AND begin_h >= ? ORDER BY begin_h LIMIT 1", (series_id, hour))
    return found[0] if found else None


def times_of(connection: sqlite3.Connection, block: Block) -> Ints:
    """Return the times of a block, in ms since 1970 UTC.

    Raises:
        BlockError: they cannot be unpacked.
    """
    return codec.unpack_times(
        _data(connection, "SELECT data FROM stamps WHERE stamps_id = ?", block.stamps_id)
    )


def readings_of(connection: sqlite3.Connection, block: Block) -> tuple[Ints, Floats]:
    """Return times and values of a block.

    Raises:
        BlockError: they cannot be unpacked.
    """
    times = times_of(connection, block)
    value = codec.unpack_values(
        _data(connection, "SELECT data FROM block_values WHERE values_id = ?", block.values_id)
    )
    if len(times) != len(value):
        raise codec.DamagedError("a packed block of readings is damaged: it has more times than values")
    return times, value


def insert_block(connection: sqlite3.Connection, series_id: int, time_ms: Ints, value: Floats) -> None:
    """Pack readings (in time order, at least one) into a block, in the transaction that is open."""
    packed = codec.pack_values(value)
    values_id = connection.execute("INSERT INTO block_values (data) VALUES (?)", (packed,)).lastrowid
    stamps_id, stamps_bytes = _put_stamps(connection, codec.pack_times(time_ms))
    first_ms, last_ms = int(time_ms[0]), int(time_ms[-1])
    row = (
        series_id,
        first_ms // HOUR_MS,
        last_ms // HOUR_MS + 1,
        first_ms,
        last_ms,
        len(time_ms),
        float(value.min()),
        float(value.max()),
        _sum(value),
        float(value[-1]),
        len(packed) + stamps_bytes,
        stamps_id,
        values_id,
    )
    marks = ", ".join("?" * len(row))
    connection.execute(f"INSERT INTO block ({_COLUMNS}) VALUES ({marks})", row)  # noqa: S608


def delete_blocks(connection: sqlite3.Connection, blocks: Iterable[Block]) -> None:
    """Delete blocks, and times that no block shares any more, in the transaction that is open."""
    for block in blocks:
        connection.execute(
            "DELETE FROM block WHERE series_id = ? AND begin_h = ?", (block.series_id, block.begin_h)
        )
        connection.execute("DELETE FROM block_values WHERE values_id = ?", (block.values_id,))
        connection.execute(
            "DELETE FROM stamps WHERE stamps_id = :stamps_id "
            "AND NOT EXISTS (SELECT 1 FROM block WHERE stamps_id = :stamps_id)",
            {"stamps_id": block.stamps_id},
        )


def whole_hours(time_ms: Ints) -> list[slice]:
    """Cut readings in time order into stretches of whole hours that make one block each."""
    hour = time_ms // HOUR_MS
    begins = np.flatnonzero(np.diff(hour, prepend=hour[0] - 1)).tolist()
    ends = [*begins[1:], len(time_ms)]
    cuts, begin = [], 0
    for hour_begin, hour_end in zip(begins, ends, strict=True):
        if hour_end - begin > READINGS and hour_begin > begin:
            cuts.append(slice(begin, hour_begin))
            begin = hour_begin
    cuts.append(slice(begin, len(time_ms)))
    return cuts


def merged(parts: Sequence[tuple[Ints, Floats]]) -> tuple[Ints, Floats]:
    """Return readings from several places in time order; of two with one time the earlier part's stays."""
    if not parts:
        return np.empty(0, np.int64), np.empty(0)
    time_ms = np.concatenate([part[0] for part in parts])
    value = np.concatenate([part[1] for part in parts])
    if len(time_ms) and np.any(np.diff(time_ms) <= 0):
        time_ms, first = np.unique(time_ms, return_index=True)  # the first of equal ones is kept
        value = value[first]
    return time_ms, value


def _blocks(connection: sqlite3.Connection, where: str, values: tuple[int, ...]) -> list[Block]:
    rows = connection.execute(f"SELECT {_COLUMNS} FROM block WHERE {where}", values).fetchall()  # noqa: S608
    return [Block(*row) for row in rows]


def _data(connection: sqlite3.Connection, question: str, number: int) -> bytes:
    row = connection.execute(question, (number,)).fetchone()
    if row is None:
        raise codec.DamagedError("a packed block of readings has lost its readings")
    data: bytes = row[0]
    return data


def _put_stamps(connection: sqlite3.Connection, packed: bytes) -> tuple[int, int]:
    """Return number and added size of the row that holds `packed`, making it unless there is one."""
    digest = int.from_bytes(blake2b(packed, digest_size=8).digest(), "little", signed=True)
    for stamps_id, data in connection.execute(
        "SELECT stamps_id, data FROM stamps WHERE digest = ?", (digest,)
    ).fetchall():
        if data == packed:
            return int(stamps_id), 0
    made = connection.execute("INSERT INTO stamps (digest, data) VALUES (?, ?)", (digest, packed)).lastrowid
    return int(made or 0), len(packed)


def _sum(value: Floats) -> float:
    with np.errstate(over="ignore", invalid="ignore"):
        return float(value.sum())
