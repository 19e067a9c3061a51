"""A tank's last day in rows of a few numbers, one every ten minutes, for what looks back further than hours.

Columns are arrays: a row of three takes 24 bytes, where a tuple of floats takes about 140. In a room of a
thousand tanks that is the larger part of what a tank needs.
"""

from array import array
from bisect import bisect_left
from collections.abc import Iterator


class Slots:
    """Rows in order of time, newest last; the first column is the time, s, on the tank's own clock."""

    __slots__ = ("_most", "columns")

    def __init__(self, columns: int, most: int) -> None:
        """Start empty, with `columns` numbers a row; the oldest row goes when there are more than `most`."""
        self._most = most
        self.columns: tuple[array[float], ...] = tuple(array("d") for _ in range(columns))

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.columns[0])

    def __iter__(self) -> Iterator[tuple[float, ...]]:
        """Yield the rows, oldest first."""
        return zip(*self.columns, strict=True)

    @property
    def time_s(self) -> "array[float]":
        """Times of the rows, s."""
        return self.columns[0]

    def append(self, *row: float) -> None:
        """Add the newest row."""
        for column, value in zip(self.columns, row, strict=True):
            column.append(value)
            if len(column) > self._most:
                del column[0]

    def drop_before(self, time_s: float) -> None:
        """Forget the rows from before `time_s`."""
        old = 0
        for row_s in self.time_s:
            if row_s >= time_s:
                break
            old += 1
        if old:
            for column in self.columns:
                del column[:old]

    def first_from(self, time_s: float) -> int:
        """Return the index of the first row at `time_s` or later; the number of rows where there is none."""
        return bisect_left(self.time_s, time_s)

    def clear(self) -> None:
        """Forget all rows."""
        for column in self.columns:
            del column[:]
