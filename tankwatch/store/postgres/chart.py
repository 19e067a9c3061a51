"""A stretch of one series in equal parts, from figures of days and hours where they lie in one part.

Only the hours that lie across an edge of parts are read reading by reading, so that a chart of any length
reads at most two days of hours, and the readings of one hour, for each of its parts. Every lowest and
highest reading is kept.
"""

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tankwatch.store.chart import Parts, Tally

if TYPE_CHECKING:
    import psycopg

    Connection = psycopg.Connection[tuple[Any, ...]]

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

Stretches = list[tuple[int, int]]
"""Beginnings and ends in ms, the ends not included."""

_CELLS = (
    "SELECT cell, low, high, total, count FROM rollup WHERE place_id = %s AND channel_id = %s AND step = %s "
    "AND cell BETWEEN %s AND %s ORDER BY cell"
)
_READINGS = (
    "SELECT time_ms, value FROM unnest(%s::bigint[], %s::bigint[]) AS s (begins, ends) CROSS JOIN LATERAL "
    "(SELECT time_ms, value FROM reading WHERE place_id = %s AND channel_id = %s "
    "AND time_ms >= begins AND time_ms < ends) AS r ORDER BY time_ms"
)


def chart(connection: "Connection", ids: tuple[Any, ...] | None, parts: Parts) -> NDArray[np.float64]:
    """Return (part, low, high, mean, count) of each part that holds something, in order.

    `ids` are the numbers of place and channel; None holds nothing.
    """
    tally = Tally(parts)
    if ids is None:
        return tally.rows()
    left: Stretches = [(parts.from_ms, parts.to_ms + 1)]
    for step, cell_ms in ((24, DAY_MS), (1, HOUR_MS)):
        if parts.span_ms >= parts.count * cell_ms:
            left = _add_cells(connection, ids, step, cell_ms, left, tally)
    begins, ends = [begin for begin, _ in left], [end for _, end in left]
    rows = connection.execute(_READINGS, (begins, ends, *ids)).fetchall()
    tally.add_readings(np.array([r[0] for r in rows], np.int64), np.array([r[1] for r in rows], np.float64))
    return tally.rows()


def _add_cells(
    connection: "Connection",
    ids: tuple[Any, ...],
    step: int,
    cell_ms: int,
    stretches: Stretches,
    tally: Tally,
) -> Stretches:
    """Add the cells that lie in one stretch and one part; return what they leave of the stretches.

    A cell that is not there holds no reading; it stays in what is left, where it costs nothing.
    """
    parts = tally.parts
    left: Stretches = []
    first, last = stretches[0][0] // cell_ms, (stretches[-1][1] - 1) // cell_ms
    cells = connection.execute(_CELLS, (*ids, step, first, last)).fetchall()
    place = 0
    for begin, end in stretches:
        while place < len(cells) and cells[place][0] * cell_ms < begin:
            place += 1
        while place < len(cells) and (cells[place][0] + 1) * cell_ms <= end:
            cell, *figures = cells[place]
            place += 1
            start_ms = cell * cell_ms
            part = parts.of_one(start_ms)
            if part != parts.of_one(start_ms + cell_ms - 1):
                continue
            tally.add_figures(part, *figures)
            if begin < start_ms:
                left.append((begin, start_ms))
            begin = start_ms + cell_ms
        if begin < end:
            left.append((begin, end))
    return left or [(parts.to_ms + 1, parts.to_ms + 1)]
