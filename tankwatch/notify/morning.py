"""The message of the morning: once a day, to each person on duty, what the night was like.

The night is rebuilt from the store in a thread of its own: that takes seconds, and alarms must not wait.
"""

import logging
import threading
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any

from tankwatch.config_notify import PersonConfig
from tankwatch.errors import TankwatchError
from tankwatch.notify.people import is_on_duty, is_within
from tankwatch.review.night_told import NightTold

log = logging.getLogger(__name__)

LATEST_MIN = 240
"""So many minutes after its time it is still news: the watch was down, or the person had quiet hours."""

TellNight = Callable[[float], NightTold]
"""Tells the night before a time, seconds since 1970 UTC; may take its time, and may raise TankwatchError."""


def in_thread(work: Callable[[], None]) -> None:
    """Run `work` in a thread of its own."""
    threading.Thread(target=work, name="morning", daemon=True).start()


class Morning:
    """Knows who is still to be told of which night; `look` is called by one thread and returns at once."""

    def __init__(
        self,
        at: str,
        people: Iterable[PersonConfig],
        tell_night: TellNight,
        told: dict[str, str] | None,
        local: datetime,
        *,
        run: Callable[[Callable[[], None]], None] = in_thread,
    ) -> None:
        """Go on from `told`, as `remember` returned it; None at the first start of all.

        A first start tells nothing of a morning that is past: there was no watch that night.
        """
        hours, minutes = at.split(":")
        self._at_min = int(hours) % 24 * 60 + int(minutes)
        self._people = tuple(people)
        self._tell_night = tell_night
        self._run = run
        self._told: dict[str, str] = dict(told or {})
        if told is None and self._is_due(local):
            self._told = {person.id: _day(local) for person in self._people}
        self._asked = ""
        self._night: NightTold | None = None

    def look(self, local: datetime, now_s: float) -> tuple[NightTold, list[str]] | None:
        """Return what to tell, and the ids of the persons to tell it now, or None."""
        if not self._is_due(local):
            return None
        day = _day(local)
        waiting = [p for p in self._people if self._told.get(p.id) != day and _may_be_told(p, local)]
        if not waiting:
            return None
        if self._asked != day:
            self._asked, self._night = day, None
            self._run(lambda: self._read(day, now_s))
        night = self._night
        if night is None:
            return None
        names = [person.id for person in waiting]
        self._told.update(dict.fromkeys(names, day))
        return night, names

    def remember(self) -> dict[str, Any]:
        """Return the day for which each person was told last, fit for JSON."""
        return dict(self._told)

    def _is_due(self, local: datetime) -> bool:
        return self._at_min <= local.hour * 60 + local.minute < self._at_min + LATEST_MIN

    def _read(self, day: str, now_s: float) -> None:
        try:
            night = self._tell_night(now_s)
        except Exception as error:  # whatever failed, the person must not take silence for a quiet night
            log.exception("the night could not be reviewed")
            reason = (
                str(error) if isinstance(error, TankwatchError) else "a fault of this program, see the log"
            )
            night = NightTold("the night is not known", f"The night could not be reviewed: {reason}", True)
        if self._asked == day:
            self._night = night


def _may_be_told(person: PersonConfig, local: datetime) -> bool:
    in_peace = person.quiet is not None and is_within(person.quiet, local)
    return is_on_duty(person, local) and not in_peace


def _day(local: datetime) -> str:
    return local.date().isoformat()
