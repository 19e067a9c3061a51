"""The watchdog of a room: readings and the passing of time in, steps of alarms out.

It holds everything it needs in memory, so that a slow disk never delays a warning, and it takes its time
from the readings and from `advance`: the same code serves the running watch and a replay.
"""

from collections.abc import Iterable
from typing import Any

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Alarm, Condition, Priority, Transition
from tankwatch.config import Config
from tankwatch.reading import Reading
from tankwatch.snapshot import TankSnapshot


class Watchdog:
    """Judges the readings of every tank of `config`.

    Not thread-safe: one thread feeds it, advances it and asks for pictures.
    """

    def __init__(
        self,
        config: Config,
        *,
        memory: dict[str, Any] | None = None,
        standing: Iterable[Alarm] = (),
        next_alarm_id: int = 1,
    ) -> None:
        """Start with what was learned (`memory`, as `remember` returned it) and the alarms that stood."""
        self.config = config
        self.book = AlarmBook(standing, next_alarm_id)

    def feed(self, reading: Reading) -> None:
        """Judge one reading; readings come in order of arrival."""

    def advance(self, now_s: float) -> None:
        """Let time pass up to `now_s` (seconds since 1970 UTC): silence is judged here."""

    def take_steps(self) -> list[Transition]:
        """Return the steps of alarms since the last call, in time order."""
        return self.book.take_steps()

    def acknowledge(self, alarm_id: int, who: str, now_s: float) -> None:
        """Note that `who` has seen an alarm.

        Raises:
            UsageError: no such alarm stands, or it was acknowledged before.
        """
        self.book.acknowledge(alarm_id, who, now_s)

    def tell_self(
        self,
        condition: Condition,
        active: bool,
        now_s: float,
        message: str,
        *,
        subject: str | None = None,
        priority: Priority = Priority.HIGH,
    ) -> None:
        """Raise or end an alarm about the watch itself: `source-lost`, `store-behind`, `watch-stalled`."""
        if active:
            self.book.begin(None, condition, priority, now_s, message, subject=subject)
        else:
            self.book.end(None, condition, now_s, subject=subject)

    def tanks(self, now_s: float) -> tuple[TankSnapshot, ...]:
        """Return a picture of every tank, in the order of the configuration."""
        return ()

    def remember(self) -> dict[str, Any]:
        """Return what was learned, fit for JSON, to be handed to the next watchdog."""
        return {}
