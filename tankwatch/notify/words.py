"""Messages for a person at three in the morning: what, where, since when, how bad, how long, what to do."""

from collections.abc import Sequence
from datetime import datetime

from tankwatch.alarms.model import Alarm, AlarmState, Priority
from tankwatch.config import Config
from tankwatch.notify.first_step import FIRST_STEPS
from tankwatch.notify.masking import mask_secrets
from tankwatch.notify.message import LONGEST_TEXT, Kind
from tankwatch.safetext import safe_text

_SOME = 6
"""Tanks named in a message about several."""
_LEAD = {
    Kind.ESCALATED: "NOBODY ANSWERED: ",
    Kind.WORSE: "WORSE: ",
    Kind.CHATTERING: "ON AND OFF: ",
    Kind.REMINDER: "STILL OPEN: ",
    Kind.MISSED: "CAME AND WENT: ",
}


class Words:
    """Puts messages into words for the room of one configuration."""

    def __init__(self, config: Config) -> None:
        """Use the names of `config`, and its time zone."""
        self._zone = config.room.zone
        self._room = safe_text(config.room.name, 30)
        self._labels = {tank.id: tank.label for tank in config.tank}

    def place(self, alarm: Alarm) -> str:
        """Return the name of where the alarm belongs: tank with id, source, or room."""
        if alarm.tank is None:
            return safe_text(f"{self._room}: {alarm.subject}" if alarm.subject else self._room, 40)
        label = self._labels.get(alarm.tank, alarm.tank)
        return safe_text(label if label == alarm.tank else f"{label} ({alarm.tank})", 40)

    def title(self, kind: Kind, alarms: Sequence[Alarm]) -> str:
        """Return the line above the text."""
        first = alarms[0]
        if kind is Kind.CLEARED:
            return f"Cleared: {self._what(alarms)}"
        if kind is Kind.DIGEST:
            return f"{self._room}: {len(alarms)} alarms"
        return f"{worst(alarms).value.upper()}: {self._what(alarms)}" if first else self._room

    def text(self, kind: Kind, alarms: Sequence[Alarm], now_s: float, tail: str) -> str:
        """Return the short form; `tail` (code and id) always fits in whole."""
        if kind is Kind.CLEARED:
            body = self._cleared(alarms, now_s)
        elif kind is Kind.DIGEST or len({a.condition for a in alarms}) > 1:
            body = _LEAD.get(kind, "") + self._digest(alarms, now_s)
        elif len(alarms) > 1:
            body = _LEAD.get(kind, "") + self._several(alarms, now_s)
        else:
            body = _LEAD.get(kind, "") + self._one(kind, alarms[0], now_s, LONGEST_TEXT - len(tail) - 20)
        return _fit(body, tail)

    def clock(self, time_s: float, now_s: float) -> str:
        """Return a local time: hours and minutes, with the day if it is another one."""
        local = datetime.fromtimestamp(time_s, self._zone)
        same_day = local.date() == datetime.fromtimestamp(now_s, self._zone).date()
        return local.strftime("%H:%M" if same_day else "%a %H:%M")

    def _what(self, alarms: Sequence[Alarm]) -> str:
        names = list(dict.fromkeys(FIRST_STEPS[a.condition].what for a in alarms))
        what = names[0] if len(names) == 1 else f"{len(alarms)} alarms"
        places = list(dict.fromkeys(self.place(a) for a in alarms))
        return f"{places[0] if len(places) == 1 else _how_many(alarms)}: {what}"

    def _one(self, kind: Kind, alarm: Alarm, now_s: float, most: int) -> str:
        step = FIRST_STEPS[alarm.condition]
        chattering = alarm.evidence.get("chattering")
        often = f" Came and went {chattering} times in a minute." if chattering else ""
        head = (
            f"{alarm.priority.value.upper()}: {self.place(alarm)}: {step.what} "
            f"since {self.clock(alarm.since_s, now_s)} ({duration((now_s - alarm.since_s) / 60)}).{often}"
        )
        gone = kind is Kind.MISSED or alarm.state is AlarmState.RETURNED
        left = "" if gone else minutes_left(alarm)
        end = f"{left} First: {step.do} {step.caution}".rstrip() if not gone else " It is gone now."
        how_bad = _first_sentence(mask_secrets(alarm.message), most - len(head) - len(end) - 1)
        return f"{head}{f' {how_bad}' if how_bad else ''}{end}"

    def _several(self, alarms: Sequence[Alarm], now_s: float) -> str:
        step = FIRST_STEPS[alarms[0].condition]
        first = min(a.since_s for a in alarms)
        soonest = min(alarms, key=lambda a: float("inf") if a.margin_min is None else a.margin_min)
        return (
            f"{worst(alarms).value.upper()}: {_how_many(alarms)}: {step.what} since "
            f"{self.clock(first, now_s)}: {self._places(alarms)}.{minutes_left(soonest)} "
            f"First: {step.do} {step.caution}"
        ).rstrip()

    def _digest(self, alarms: Sequence[Alarm], now_s: float) -> str:
        counts = [
            f"{count} {priority.value}"
            for priority in reversed(Priority)
            if (count := sum(a.priority is priority for a in alarms))
        ]
        ordered = sorted(alarms, key=lambda a: (-a.priority.rank, a.since_s))
        parts: list[str] = []
        for condition in dict.fromkeys(a.condition for a in ordered):
            same = [a for a in ordered if a.condition is condition]
            parts.append(f"{FIRST_STEPS[condition].what}: {self._places(same, 3)}")
        tanks = len({(a.tank, a.subject) for a in alarms})
        step = FIRST_STEPS[ordered[0].condition]
        return (
            f"{len(alarms)} alarms, {tanks} places ({', '.join(counts)}){minutes_left(ordered[0])} "
            f"First: {step.do} {'; '.join(parts)}."
        )

    def _cleared(self, alarms: Sequence[Alarm], now_s: float) -> str:
        if len(alarms) == 1:
            alarm = alarms[0]
            return f"Cleared: {self._what(alarms)}, since {self.clock(alarm.since_s, now_s)}, is gone."
        parts = [f"{self.place(a)} {FIRST_STEPS[a.condition].what}" for a in alarms[:_SOME]]
        more = f" and {len(alarms) - _SOME} more" if len(alarms) > _SOME else ""
        return f"Cleared, {len(alarms)} alarms: {', '.join(parts)}{more}."

    def _places(self, alarms: Sequence[Alarm], most: int = _SOME) -> str:
        names = list(dict.fromkeys(a.tank or a.subject or self._room for a in alarms))
        more = f" and {len(names) - most} more" if len(names) > most else ""
        return ", ".join(names[:most]) + more


def _how_many(alarms: Sequence[Alarm]) -> str:
    """Return `3 tanks`, or `3 places` where a source or a room is among them."""
    count = len({(alarm.tank, alarm.subject) for alarm in alarms})
    return f"{count} {'tanks' if all(alarm.tank for alarm in alarms) else 'places'}"


def worst(alarms: Sequence[Alarm]) -> Priority:
    """Return the highest priority among `alarms`."""
    return max((alarm.priority for alarm in alarms), key=lambda priority: priority.rank)


def minutes_left(alarm: Alarm) -> str:
    """Return how long is left to the limit as a sentence with a space before it, or nothing."""
    if alarm.margin_min is None:
        return ""
    return " Beyond the limit." if alarm.margin_min <= 0 else f" {duration(alarm.margin_min)} left."


def duration(minutes: float) -> str:
    """Return `40 min`, `3 h 20 min`, `2 d 4 h`."""
    whole = max(0, round(minutes))
    if whole < 90:
        return f"{whole} min"
    hours, rest = divmod(whole, 60)
    if hours < 48:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def _first_sentence(text: str, most: int) -> str:
    """Return the first sentence if it fits, its beginning if some of it fits, or nothing."""
    for end in (". ", "; "):
        text = text.split(end)[0]
    text = safe_text(text.rstrip("."), 300) + "."
    text = text[0].upper() + text[1:]
    if len(text) <= most:
        return text
    return text[: most - 1].rstrip() + "…" if most >= 30 else ""


def _fit(body: str, tail: str) -> str:
    body = safe_text(body, 10 * LONGEST_TEXT)
    room = LONGEST_TEXT - len(tail) - 1
    if len(body) > room:
        body = body[: room - 1].rstrip() + "…"
    return f"{body} {tail}" if tail else body
