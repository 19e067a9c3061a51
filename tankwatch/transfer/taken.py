"""What an import takes and what it leaves out, counted."""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, field

from tankwatch.decode.refused import Reason, Refused
from tankwatch.decode.units import check_plausible
from tankwatch.reading import ON_OFF_CHANNELS, Channel, Reading, ServiceMark

IMPORTED = "import"
"""Who a service mark is from, where the file does not say."""

OnRefused = Callable[[int, str], None]
"""Called with the number of a line (or row) and the reason why it, or a value in it, was left out."""


@dataclass(slots=True)
class Taken:
    """Counts of one import."""

    readings: int = 0
    refused: int = 0
    unknown: Counter[str] = field(default_factory=Counter)
    """Readings of tanks that the configuration does not have, by tank."""


def only_known(readings: Iterable[Reading], tanks: Collection[str], taken: Taken) -> Iterator[Reading]:
    """Yield the readings of `tanks` and count them; the others are counted and left out."""
    for reading in readings:
        if reading.tank in tanks:
            taken.readings += 1
            yield reading
        elif len(taken.unknown) < 1000 or reading.tank in taken.unknown:
            taken.unknown[reading.tank] += 1


def checked(channel: Channel, value: float) -> float:
    """Return `value` if the channel can have it.

    Raises:
        Refused: it cannot be.
    """
    if channel not in ON_OFF_CHANNELS:
        check_plausible(channel, value)
    elif value not in (0.0, 1.0):
        raise Refused(Reason.ABSURD, f"{channel} of {value:g}; expected 0, 1, false or true")
    return value


def mark_word(text: str) -> str | None:
    """Return the service word in `text`, or None."""
    return text if text in {mark.value for mark in ServiceMark} else None
