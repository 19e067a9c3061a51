"""Fit a series into columns of pixels and keep every minimum and maximum."""

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Columns:
    """One value range per pixel column, NaN where nothing was read.

    Arrays of one length: `low`, `high`, `mean`, in the unit of the series.
    """

    low: Floats
    high: Floats
    mean: Floats

    def __len__(self) -> int:
        """Return the number of columns."""
        return len(self.mean)


def into_columns(
    time_s: Floats, low: Floats, high: Floats, mean: Floats, from_s: float, to_s: float, count: int
) -> Columns:
    """Gather rows of a series into `count` columns between two times.

    A column holds the smallest `low` and the largest `high` of its rows, so that the one reading that
    matters is never averaged away; rows that are NaN or outside [from_s, to_s) are left out.

    Raises:
        ValueError: `to_s` is not after `from_s`, or `count` is not positive.
    """
    if to_s <= from_s or count <= 0:
        raise ValueError(f"expected from_s < to_s and count > 0, got {from_s}, {to_s}, {count}")
    lows = np.full(count, np.inf)
    highs = np.full(count, -np.inf)
    sums = np.zeros(count)
    numbers = np.zeros(count)
    good = np.isfinite(mean) & (time_s >= from_s) & (time_s < to_s)
    index = ((time_s[good] - from_s) * (count / (to_s - from_s))).astype(np.intp)
    index = np.minimum(index, count - 1)
    np.minimum.at(lows, index, low[good])
    np.maximum.at(highs, index, high[good])
    np.add.at(sums, index, mean[good])
    np.add.at(numbers, index, 1.0)
    empty = numbers == 0
    lows[empty] = np.nan
    highs[empty] = np.nan
    means = np.full(count, np.nan)
    np.divide(sums, numbers, out=means, where=~empty)
    return Columns(lows, highs, means)


def bridge(columns: Columns, longest: int) -> Columns:
    """Draw straight lines over runs of at most `longest` empty columns between two full ones.

    A series slower than the columns would otherwise fall apart into dots; a longer gap stays a gap, since
    nobody knows what the water did.
    """
    full = np.flatnonzero(np.isfinite(columns.mean))
    if len(full) < 2:
        return columns
    low, high, mean = columns.low.copy(), columns.high.copy(), columns.mean.copy()
    for start, end in itertools.pairwise(full):
        empty = end - start - 1
        if 0 < empty <= longest:
            inside = np.arange(start + 1, end)
            line = np.interp(inside, [start, end], [mean[start], mean[end]])
            low[inside] = high[inside] = mean[inside] = line
    return Columns(low, high, mean)


def hold(columns: Columns, longest: int) -> Columns:
    """Carry the last value over at most `longest` empty columns: for channels that speak on change."""
    low, high, mean = columns.low.copy(), columns.high.copy(), columns.mean.copy()
    last = -1
    for i in range(len(mean)):
        if np.isfinite(columns.mean[i]):
            last = i
        elif last >= 0 and i - last <= longest:
            # What was on at the end of a mixed column is not known; its majority is carried on.
            low[i] = high[i] = mean[i] = round(float(columns.mean[last]))
    return Columns(low, high, mean)
