"""Late readings: those in hours that are sealed already.

They are kept until they are sealed in their turn, unless the block has that very time: of two readings with
one stamp the first to arrive stays.
"""

import logging
import sqlite3
from collections.abc import Mapping, Sequence
from itertools import groupby
from operator import itemgetter

import numpy as np

from tankwatch.store.block import HOUR_MS, blocks_between, times_of
from tankwatch.store.codec import BlockError

_log = logging.getLogger(__name__)

_Row = tuple[int, int, float]

_series = itemgetter(0)
_time = itemgetter(1)


def sealed_ends(connection: sqlite3.Connection, series_id: int | None = None) -> dict[int, int]:
    """Return up to when each series that has blocks (or the one given) is sealed, in ms since 1970 UTC."""
    rows = connection.execute(
        "SELECT series_id, (SELECT end_h FROM block AS b WHERE b.series_id = s.series_id "
        "ORDER BY begin_h DESC LIMIT 1) FROM series AS s "
        "WHERE :series_id IS NULL OR series_id = :series_id",
        {"series_id": series_id},
    ).fetchall()
    return {number: end_h * HOUR_MS for number, end_h in rows if end_h is not None}


def without_sealed(
    connection: sqlite3.Connection, rows: Sequence[_Row], sealed_to_ms: Mapping[int, int]
) -> Sequence[_Row]:
    """Return `rows` (in the order of the table) without those whose series and time are in a block."""
    if not rows or not sealed_to_ms or min(map(_time, rows)) >= max(sealed_to_ms.values()):
        return rows
    kept: list[_Row] = []
    for series_id, group in groupby(rows, key=_series):
        of_series = list(group)
        end_ms = sealed_to_ms.get(series_id)
        if end_ms is None or of_series[0][1] >= end_ms:
            kept.extend(of_series)
            continue
        times = np.array([row[1] for row in of_series], np.int64)
        is_new = ~np.isin(times, _sealed_times(connection, series_id, times))
        kept.extend(row for row, new in zip(of_series, is_new.tolist(), strict=True) if new)
    return kept


def without_rows(connection: sqlite3.Connection, rows: Sequence[_Row]) -> Sequence[_Row]:
    """Return `rows` (in the order of the table) without those whose series and time are kept as rows."""
    known: set[tuple[int, int]] = set()
    for series_id, group in groupby(rows, key=_series):
        times = [row[1] for row in group]
        known.update(
            connection.execute(
                "SELECT series_id, time_ms FROM reading WHERE series_id = ? AND time_ms BETWEEN ? AND ?",
                (series_id, times[0], times[-1]),
            )
        )
    return [row for row in rows if row[:2] not in known] if known else rows


def _sealed_times(
    connection: sqlite3.Connection, series_id: int, times: "np.ndarray[tuple[int], np.dtype[np.int64]]"
) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
    """Return the times of all blocks that some of `times` (in order) fall into."""
    found = [np.empty(0, np.int64)]
    place = 0
    while place < len(times):
        block = next(
            iter(blocks_between(connection, series_id, int(times[place]), int(times[-1]), most=1)), None
        )
        if block is None:
            break
        if np.any((times >= block.first_ms) & (times <= block.last_ms)):
            try:
                found.append(times_of(connection, block))
            except BlockError as error:  # the reading is kept as if new; whoever reads both tells them apart
                _log.error("late readings cannot be compared with what is sealed: %s", error)
        place = int(np.searchsorted(times, block.last_ms, side="right"))
    return np.concatenate(found)
