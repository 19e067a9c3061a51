"""All rooms as a table for other programs."""

from collections.abc import Sequence

from tankwatch.screen.page_table import PageTable
from tankwatch.screen.rooms.standing import WORDS, RoomStanding, trouble_of

_HEADER = (
    "id", "name", "watch", "heard_before_s", "tanks", "quiet", "unacknowledged", "oldest_reading_s",
    "acknowledged", "worst",
)  # fmt: skip


def rooms_table(rooms: Sequence[RoomStanding]) -> PageTable:
    """Return a row for each room, in the order of the screen."""
    return PageTable(
        _HEADER,
        tuple(
            (
                room.room_id,
                room.name,
                WORDS[room.status.word],
                _whole(room.status.age_s),
                room.status.tanks,
                room.quiet,
                room.new,
                _whole(room.oldest_s),
                "yes" if room.acknowledged else "no",
                trouble_of(room),
            )
            for room in rooms
        ),
    )


def _whole(seconds: float | None) -> int | None:
    return None if seconds is None else round(seconds)
