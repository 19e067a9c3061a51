"""Readings of many series in one blob, ordered by series, then time.

    length of the packed series numbers (4 bytes, little-endian), length of the packed times (4),
    series numbers (one a reading), times, values

Each part is packed and checksummed by `codec`: a few readings as plain numbers of the fewest bytes, many by
the best codec there is.
"""

import struct

import numpy as np
from numpy.typing import NDArray

from tankwatch.store import codec

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_LENGTHS = struct.Struct("<II")
_COMPACT_FROM = 64
"""Fewer readings stay plain: what a codec says of itself would take more room than it saves."""


def pack_mixed(series: Ints, time_ms: Ints, value: Floats) -> bytes:
    """Pack readings that are in the order of series, then time."""
    compact = len(series) >= _COMPACT_FROM
    parts = (
        codec.pack_times(series, compact=compact),
        codec.pack_times(time_ms, compact=compact),
        codec.pack_values(value, compact=compact),
    )
    return _LENGTHS.pack(len(parts[0]), len(parts[1])) + b"".join(parts)


def unpack_mixed(blob: bytes) -> tuple[Ints, Ints, Floats]:
    """Return series numbers, times and values.

    Raises:
        DamagedError: the blob is damaged.
        BlockError: it was packed by a codec that is missing here.
    """
    series, times, values = _parts(blob)
    unpacked = codec.unpack_times(series), codec.unpack_times(times), codec.unpack_values(values)
    _see_that_they_fit(*unpacked)
    return unpacked


def unpack_one(blob: bytes, series_id: int) -> tuple[Ints, Floats]:
    """Return times and values of one series; raises as `unpack_mixed` does."""
    series, time_ms, value = unpack_mixed(blob)
    begin, end = np.searchsorted(series, (series_id, series_id + 1)).tolist()
    return time_ms[begin:end], value[begin:end]


def _parts(blob: bytes) -> tuple[bytes, bytes, bytes]:
    if len(blob) < _LENGTHS.size:
        raise codec.DamagedError("fresh readings are damaged: there are too few bytes")
    first, second = _LENGTHS.unpack_from(blob)
    begin, middle = _LENGTHS.size, _LENGTHS.size + first
    return blob[begin:middle], blob[middle : middle + second], blob[middle + second :]


def _see_that_they_fit(series: Ints, time_ms: Ints, value: Floats) -> None:
    if not len(series) == len(time_ms) == len(value):
        raise codec.DamagedError("fresh readings are damaged: there are more times than values")
