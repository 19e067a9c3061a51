"""Alarms from their begin to their end, made of the steps that a replay yields."""

from dataclasses import dataclass, replace

from tankwatch.alarms.model import Transition

Key = tuple[str | None, str, str | None]


@dataclass(frozen=True, slots=True)
class Episode:
    """One alarm of a recording; times as told, in seconds since 1970 UTC."""

    tank: str | None
    """None for the whole room."""
    alarm: str
    """Name of the condition."""
    begin_s: float
    end_s: float | None
    """None while it stood at the end of the recording."""
    priority: str
    """At its begin."""
    message: str
    subject: str | None = None

    @property
    def key(self) -> Key:
        """What makes two episodes comparable: tank, condition and subject."""
        return self.tank, self.alarm, self.subject


class Episodes:
    """Collects the episodes of one room."""

    def __init__(self) -> None:
        """Start without any."""
        self._done: list[Episode] = []
        self._open: dict[Key, Episode] = {}

    def take(self, step: Transition) -> None:
        """Take one step of an alarm; steps come in time order."""
        alarm = step.alarm
        key = (alarm.tank, alarm.condition.value, alarm.subject)
        known = self._open.get(key)
        if alarm.holds and known is None:
            self._open[key] = Episode(
                alarm.tank,
                alarm.condition.value,
                step.time_s,
                None,
                alarm.priority.value,
                alarm.message,
                alarm.subject,
            )
        elif not alarm.holds and known is not None:
            self._done.append(replace(self._open.pop(key), end_s=step.time_s))

    def all(self) -> tuple[Episode, ...]:
        """Return every episode, by begin, then tank (the room first), then condition."""
        return tuple(sorted([*self._done, *self._open.values()], key=_place))


def _place(episode: Episode) -> tuple[float, str, str, str]:
    return episode.begin_s, episode.tank or "", episode.alarm, episode.subject or ""
