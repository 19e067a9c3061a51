"""Whether what is packed can still be unpacked: looked at block by block, for the watch and for backups.

A flash card that ages may give back other bytes than it was given. SQLite's own check sees damage of the
structure only; the checksum of each block sees that of readings.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from tankwatch.store import codec
from tankwatch.store.mixed import unpack_mixed

_BLOCKS = (
    "SELECT b.series_id, b.begin_h, b.first_ms, b.last_ms, b.count, tank, channel, v.data, t.data "
    "FROM block AS b JOIN series USING (series_id) LEFT JOIN block_values AS v USING (values_id) "
    "LEFT JOIN stamps AS t USING (stamps_id) WHERE (b.series_id, b.begin_h) > (?, ?) "
    "ORDER BY b.series_id, b.begin_h LIMIT ?"
)
_FRESH = (
    "SELECT first_ms, last_ms, count, data FROM fresh UNION ALL "
    "SELECT first_ms, last_ms, count, data FROM sheet LEFT JOIN sheet_data USING (sheet_id)"
)

Place = tuple[int, int]
"""Series and first hour of a block."""
BEGIN: Place = (-1, 0)


@dataclass(frozen=True, slots=True)
class Damaged:
    """Readings that cannot be read any more."""

    tank: str | None
    """None if they are of several tanks."""
    channel: str | None
    from_s: float
    """Seconds since 1970 UTC."""
    to_s: float
    count: int

    def __str__(self) -> str:
        """Return which readings, in words."""
        begin, end = (
            datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M")
            for time_s in (self.from_s, self.to_s)
        )
        of = "several tanks" if self.tank is None else f"{self.tank} {self.channel}"
        return f"{self.count} reading(s) of {of} from {begin} to {end} UTC"


@dataclass(slots=True)
class BlockCheck:
    """A walk through the blocks, in as many goes as one likes."""

    unpack_each: int = 0
    """Each so many-th block is unpacked as well; of the others the checksum is compared. 0: none is."""
    place: Place = BEGIN
    """The last block looked at."""
    looked_at: int = 0

    def go(self, connection: sqlite3.Connection, most: int = -1) -> Iterator[tuple[Place, Damaged | None]]:
        """Yield the next blocks, at most so many, and what is damaged of each."""
        for series_id, begin_h, first_ms, last_ms, count, tank, channel, *blobs in connection.execute(
            _BLOCKS, (*self.place, most)
        ):
            self.place = (series_id, begin_h)
            self.looked_at += 1
            unpack = self.unpack_each > 0 and self.looked_at % self.unpack_each == 0
            sound = _is_sound(blobs[0], blobs[1], count, unpack=unpack)
            damaged = None if sound else Damaged(tank, channel, first_ms / 1000.0, last_ms / 1000.0, count)
            yield self.place, damaged


def damaged_fresh(connection: sqlite3.Connection) -> list[Damaged]:
    """Return the batches and sheets of fresh readings that are damaged."""
    found = []
    for first_ms, last_ms, count, data in connection.execute(_FRESH):
        try:
            if data is None or len(unpack_mixed(data)[0]) != count:
                found.append(Damaged(None, None, first_ms / 1000.0, last_ms / 1000.0, count))
        except codec.DamagedError:
            found.append(Damaged(None, None, first_ms / 1000.0, last_ms / 1000.0, count))
        except codec.BlockError:
            continue  # whether it is sound can be said only where its codec is
    return found


def _is_sound(values: bytes | None, stamps: bytes | None, count: int, *, unpack: bool) -> bool:
    if values is None or stamps is None:
        return False
    try:
        codec.check(values)
        codec.check(stamps)
        if unpack:
            return len(codec.unpack_values(values)) == len(codec.unpack_times(stamps)) == count
    except codec.DamagedError:
        return False
    except codec.BlockError:
        return True  # the checksums fit, and more can be said only where its codec is
    return True
