"""Times and values as few bytes: exact, checksummed, and each blob says by itself how it was packed.

Times are whole milliseconds. Values become whole numbers of a step (0.01, 1/16, …) where that gives back
every one of them to the last bit, as it does for nearly all probes; else they stay floats. The numbers are
packed by pcodec where it is installed (extra `compact`), else by differences and zlib, which takes a little
more room for whole numbers and several times more for floats. What is kept for minutes only stays plain:
whole numbers as distances from the least of them, in as few bytes each as hold them all. Always a blob is

    codec (1 byte), step (1 byte), count (4), packed numbers, CRC-32 of all before it (4); little-endian
"""

import struct
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tankwatch.errors import StoreError

try:
    from pcodec import ChunkConfig, standalone
except ImportError:
    standalone = None

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

PCODEC, ZLIB, PLAIN = 1, 2, 3

_HEAD = struct.Struct("<BBI")
_CRC = struct.Struct("<I")
_PLAIN_HEAD = struct.Struct("<Bq")
"""Bytes of each number, and the least number."""
_WIDTHS = (1, 2, 4, 8)

_FLOAT = 255
"""In place of a step: the values are floats."""
_STEPS_PER_UNIT = (1, 10, 100, 1000, 16, 256, 10_000, 100_000, 1_000_000)
"""Steps that values are tried at, by their code. Decimal ones come first, as texts carry them; 1/16 and
1/256 are what converters give."""
_FEW = 64
_WHOLE_BELOW = 2.0**53
_ZLIB_LEVEL = 6


class BlockError(StoreError):
    """A packed block cannot be read."""


class DamagedError(BlockError):
    """A packed block cannot be read by anyone: it is not as it was written."""


def has_pcodec() -> bool:
    """Tell whether pcodec is installed."""
    return standalone is not None


def pack_times(time_ms: Ints, *, compact: bool = True) -> bytes:
    """Pack whole milliseconds since 1970 UTC, or other whole numbers."""
    return _sealed(_best() if compact else PLAIN, 0, time_ms)


def unpack_times(blob: bytes) -> Ints:
    """Return the times of `pack_times`.

    Raises:
        DamagedError: the blob is damaged.
        BlockError: it was packed by pcodec and that is missing, or by a newer tankwatch.
    """
    return _opened(blob, np.int64)[1]


def pack_values(value: Floats, *, compact: bool = True) -> bytes:
    """Pack finite values so that `unpack_values` gives back every bit."""
    code, numbers = _as_steps(value)
    return _sealed(_best() if compact else PLAIN, code, value if numbers is None else numbers)


def check(blob: bytes) -> None:
    """See that a blob is as it was written, without unpacking it.

    Raises:
        DamagedError: it is not.
    """
    if len(blob) < _HEAD.size + _CRC.size or _CRC.unpack(blob[-4:])[0] != zlib.crc32(memoryview(blob)[:-4]):
        raise DamagedError("a packed block of readings is damaged: its checksum does not fit")


def unpack_values(blob: bytes) -> Floats:
    """Return the values of `pack_values`; raises as `unpack_times` does."""
    code, numbers = _opened(blob, np.float64 if len(blob) > 1 and blob[1] == _FLOAT else np.int64)
    if code == _FLOAT:
        return numbers
    if code >= len(_STEPS_PER_UNIT):
        raise BlockError(f"a packed block has the unknown step {code}: a newer tankwatch wrote it")
    floats: Floats = numbers / float(_STEPS_PER_UNIT[code])
    return floats


def _best() -> int:
    return PCODEC if standalone is not None else ZLIB


def _as_steps(value: Floats) -> tuple[int, Ints | None]:
    """Return code and whole numbers of the coarsest step that gives `value` back exactly, if any does."""
    bits = value.view(np.int64)
    for code, per_unit in enumerate(_STEPS_PER_UNIT):
        if _steps(value[:_FEW], bits[:_FEW], float(per_unit)) is None:
            continue
        numbers = _steps(value, bits, float(per_unit))
        if numbers is not None:
            return code, numbers
    return _FLOAT, None


def _steps(value: Floats, bits: Ints, per_unit: float) -> Ints | None:
    with np.errstate(all="ignore"):
        scaled = np.rint(value * per_unit)
        if not np.all(np.abs(scaled) < _WHOLE_BELOW):
            return None
        numbers = scaled.astype(np.int64)
        # Bit by bit, so that -0.0 is told from 0.0.
        same = np.array_equal((numbers / per_unit).view(np.int64), bits)
    return numbers if same else None


def _sealed(codec: int, code: int, numbers: NDArray[Any]) -> bytes:
    numbers = np.ascontiguousarray(numbers)
    if codec == PLAIN:
        packed = _plain_packed(numbers)
    elif codec == PCODEC:
        packed = standalone.simple_compress(numbers, ChunkConfig())
    else:
        packed = _zlib_packed(numbers)
    body = _HEAD.pack(codec, code, len(numbers)) + packed
    return body + _CRC.pack(zlib.crc32(body))


def _opened(blob: bytes, kind: Any) -> tuple[int, NDArray[Any]]:
    check(blob)
    codec, code, count = _HEAD.unpack_from(blob)
    packed = blob[_HEAD.size : -_CRC.size]
    if codec == PCODEC:
        if standalone is None:
            raise BlockError(
                "readings were packed with pcodec, which is missing here: pip install 'tankwatch[compact]'"
            )
        numbers = standalone.simple_decompress(packed)
    elif codec == ZLIB:
        numbers = _zlib_unpacked(packed, count, kind)
    elif codec == PLAIN:
        numbers = _plain_unpacked(packed, kind)
    else:
        raise BlockError(f"readings were packed in the unknown way {codec}: a newer tankwatch wrote them")
    if numbers is None or len(numbers) != count or numbers.dtype != kind:
        raise DamagedError("a packed block of readings holds another number of them than it says")
    return code, numbers


def _zlib_packed(numbers: NDArray[Any]) -> bytes:
    whole = numbers.view(np.int64)
    steps = np.diff(whole, prepend=np.int64(0))  # wraps around, and back when it is summed
    folded = (steps << 1) ^ (steps >> 63)  # small ones of either sign get high bytes of zero
    planes = folded.view(np.uint8).reshape(-1, 8).T
    return zlib.compress(planes.tobytes(), _ZLIB_LEVEL)


def _zlib_unpacked(packed: bytes, count: int, kind: Any) -> NDArray[Any]:
    planes = np.frombuffer(zlib.decompress(packed), dtype=np.uint8)
    if len(planes) != 8 * count:
        raise DamagedError("a packed block of readings holds another number of them than it says")
    folded = np.ascontiguousarray(planes.reshape(8, count).T).view(np.uint64).reshape(-1)
    steps = (folded >> np.uint64(1)).astype(np.int64) ^ -(folded & np.uint64(1)).astype(np.int64)
    return np.cumsum(steps).view(kind)


def _plain_packed(numbers: NDArray[Any]) -> bytes:
    if numbers.dtype == np.float64 or len(numbers) == 0:
        return _PLAIN_HEAD.pack(8, 0) + numbers.tobytes()
    least, most = int(numbers.min()), int(numbers.max())
    width = next(width for width in _WIDTHS if most - least < 1 << (8 * width))
    return _PLAIN_HEAD.pack(width, least) + (numbers - least).astype(f"<u{width}").tobytes()


def _plain_unpacked(packed: bytes, kind: Any) -> NDArray[Any]:
    width, least = _PLAIN_HEAD.unpack_from(packed)
    if kind == np.float64:
        return np.frombuffer(packed, np.float64, offset=_PLAIN_HEAD.size)
    numbers = np.frombuffer(packed, f"<u{width}", offset=_PLAIN_HEAD.size).astype(np.int64)
    numbers += least
    return numbers
