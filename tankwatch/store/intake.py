"""What the writer takes in: readings nobody has yet, kept as one fresh batch.

A reading newer than all of its series is new without a question. Any other (late, out of order, sent twice)
is looked for wherever it could be: of two readings with one stamp the first to arrive stays.
"""

import sqlite3
from collections.abc import Sequence

import numpy as np

from tankwatch.store.fresh import put_fresh, without_fresh
from tankwatch.store.late import without_rows, without_sealed
from tankwatch.store.rows import ReadingRow, SeriesIds


def take_in(
    connection: sqlite3.Connection, rows: Sequence[ReadingRow], ids: SeriesIds, written_ms: int
) -> int:
    """Keep `rows` (in the order of series, then time) in the open transaction; return how many were new."""
    newest_ms = ids.newest_ms
    ahead: list[ReadingRow] = []
    behind: list[ReadingRow] = []
    before: tuple[int, int] | None = None
    for row in rows:
        place = row[:2]
        if place == before:
            continue
        before = place
        (ahead if row[1] > newest_ms.get(row[0], _LONG_AGO_MS) else behind).append(row)
    if behind:
        late = without_sealed(connection, behind, ids.sealed_to_ms)
        late = without_fresh(connection, without_rows(connection, late))
        if late:
            ahead = sorted([*ahead, *late], key=_place)
    if not ahead:
        return 0
    series = np.array([row[0] for row in ahead], np.int64)
    time_ms = np.array([row[1] for row in ahead], np.int64)
    put_fresh(connection, (series, time_ms, np.array([row[2] for row in ahead], np.float64)), written_ms)
    lasts = np.flatnonzero(np.diff(series, append=-1))
    for number, ms in zip(series[lasts].tolist(), time_ms[lasts].tolist(), strict=True):
        newest_ms[number] = max(ms, newest_ms.get(number, _LONG_AGO_MS))
    return len(ahead)


_LONG_AGO_MS = -(1 << 60)


def _place(row: ReadingRow) -> tuple[int, int]:
    return row[0], row[1]
