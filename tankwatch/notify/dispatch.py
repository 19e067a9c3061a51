"""The dispatcher: looks at the standing alarms once a second and decides who is told what.

It knows nothing of threads, of the store or of ways. One cause gives one message: alarms of one condition
that begin together are told together. To each person go at most `messages_per_10_min` messages in any ten
minutes; the last of them is a digest of all that did not fit. What was told is remembered, and handed to the
next dispatcher after a restart, which then goes on as this one would have.
"""

import hashlib
import json
import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from tankwatch.alarms.limit import HighLimit
from tankwatch.alarms.model import Alarm, AlarmState, Priority
from tankwatch.config import Config
from tankwatch.config_notify import PersonConfig
from tankwatch.errors import UsageError
from tankwatch.notify.cases import (
    Case,
    Desk,
    case_as_json,
    case_of_json,
    desk_as_json,
    desk_of_json,
)
from tankwatch.notify.codes import Permit, Signer, tidy_code
from tankwatch.notify.message import LONGEST_TEXT, Kind, Message
from tankwatch.notify.people import may_be_told
from tankwatch.notify.words import Words, worst
from tankwatch.review.night_told import NightTold

log = logging.getLogger(__name__)

WINDOW_S = 600.0
"""Rates are counted over ten minutes."""
FLOOD_BEGINS, FLOOD_ENDS_BELOW = 10, 5
"""New alarms in ten minutes: a flood begins at ten (EEMUA 191, ANSI/ISA-18.2), and is over below five
(value from memory)."""
CRITICAL_GATHER_S = 2.0
MEDIUM_GATHER_S, LOW_GATHER_S = 120.0, 600.0
CHATTER_CLEAR_S = 600.0
LONGEST_GAP_S = 7200.0
MOST_ELSEWHERE = 1000
"""So many alarms that went to other watches are remembered for whoever reads of them late."""
_PUT_AWAY = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
_NEW = (Kind.ALARM, Kind.ESCALATED, Kind.WORSE)
_ORDER = (*_NEW, Kind.CHATTERING, Kind.MISSED, Kind.CLEARED)


class Dispatcher:
    """Turns standing alarms into messages. Times are seconds since 1970 UTC of a clock that only flows."""

    def __init__(
        self,
        config: Config,
        signer: Signer,
        memory: dict[str, Any] | None = None,
        *,
        now_s: float = float("inf"),
    ) -> None:
        """Go on at `now_s` from `memory`, as `remember` returned it."""
        self._config = config
        self._notify = config.notify
        self._people: dict[str, PersonConfig] = {person.id: person for person in config.person}
        self._signer = signer
        self._words = Words(config)
        self._cases: dict[int, Case] = {}
        self._elsewhere: dict[int, dict[str, Any]] = {}
        """Alarms that another watch tells of now, as they were told here; the last that went last."""
        self._desks: dict[str, Desk] = {name: Desk() for name in self._people}
        self._codes: dict[str, Permit] = {}
        self._openings: list[float] = []
        self._flood = HighLimit(FLOOD_BEGINS, FLOOD_BEGINS - FLOOD_ENDS_BELOW)
        self._failing: set[str] = set()
        self.changed = False
        """Whether there is something new to remember; set back by the caller."""
        if memory:
            self._recall(memory, now_s)

    def look(self, alarms: Sequence[Alarm], now_s: float, local: datetime) -> list[Message]:
        """Return the messages due at `now_s`; `local` is the same moment on the room's clock."""
        self._follow(alarms, now_s)
        self._openings = [time_s for time_s in self._openings if now_s - time_s < WINDOW_S]
        self._flood.see(len(self._openings), now_s)
        messages: list[Message] = []
        for person in self._people.values():
            try:
                messages += self._news_for(person, now_s, local)
                messages += self._reminder_for(person, now_s, local)
                self._failing.discard(person.id)
            except Exception:  # a fault over one person must not cost another the message
                if person.id not in self._failing:
                    log.exception("messages to %s could not be made; it is tried again", person.id)
                self._failing.add(person.id)
        self._settle_cleared(now_s)
        if messages:
            self.changed = True
        return messages

    def forget(self, tanks: Iterable[str]) -> None:
        """Tell no more of the alarms of `tanks`: another watch does, and reads here what was told."""
        gone = frozenset(tanks)
        for number, case in list(self._cases.items()):
            if case.alarm.tank in gone:
                self._elsewhere.pop(number, None)
                self._elsewhere[number] = case_as_json(self._cases.pop(number))
        for number in list(self._elsewhere)[:-MOST_ELSEWHERE]:
            del self._elsewhere[number]
        self.changed = True

    def adopt(self, cases: Mapping[str, Any]) -> None:
        """Go on from what another watch told of alarms, by number, as it remembered it."""
        for number, content in cases.items():
            try:
                self._cases[int(number)] = case_of_json(content)
                self._elsewhere.pop(int(number), None)
            except (KeyError, TypeError, ValueError) as error:
                log.warning("what was told of alarm %s is not known; it is told anew: %r", number, error)
        self.changed = True

    def tell_all(self, kind: Kind, text: str, now_s: float, *, priority: Priority) -> list[Message]:
        """Return one message to everyone about the watch itself, such as that it was blind."""
        return [
            self._message(
                person, kind, priority, (), f"tankwatch: {kind.value}", text, now_s, key=[int(now_s)]
            )
            for person in self._people
        ]

    def tell_night(self, night: NightTold, people: Iterable[str], day: str, now_s: float) -> list[Message]:
        """Return one message to each of `people` about the night before `day`."""
        priority = Priority.MEDIUM if night.needs_attention else Priority.LOW
        longest = LONGEST_TEXT - len(" #12345678")
        text = night.text if len(night.text) <= longest else night.text[: longest - 1].rstrip() + "…"
        return [
            self._message(name, Kind.MORNING, priority, (), night.title, text, now_s, key=[day])
            for name in people
        ]

    def permit_of_code(self, code: str, now_s: float) -> Permit:
        """Return which alarms `code` acknowledges, and for whom.

        Raises:
            UsageError: no such code was given out, or it has expired.
        """
        permit = self._codes.get(tidy_code(code))
        if permit is None or now_s > permit.expires_s:
            raise UsageError(f"no code {tidy_code(code)[:12]!r} is valid; acknowledge on the screen")
        return permit

    def with_token(self, message: Message) -> Message:
        """Return `message` with the token that acknowledges its alarms; one without a code needs none."""
        if message.code is None:
            return message
        return replace(message, token=self._signer.token(self._permit(message)))

    def remember(self) -> dict[str, Any]:
        """Return what was told to whom, fit for JSON, to be handed to the next dispatcher."""
        return {
            "v": 1,
            "cases": {
                **{str(number): case for number, case in self._elsewhere.items()},
                **{str(number): case_as_json(case) for number, case in self._cases.items()},
            },
            "desks": {name: desk_as_json(desk) for name, desk in self._desks.items()},
            "codes": {code: [list(p.alarms), p.person, p.expires_s] for code, p in self._codes.items()},
            "openings": self._openings,
            "flood": self._flood.is_active,
        }

    def _recall(self, memory: dict[str, Any], now_s: float) -> None:
        """Take up what was remembered; times that lie ahead, after a clock went back, count as now."""
        try:
            cases = {int(number): case_of_json(case) for number, case in memory["cases"].items()}
            desks = {name: desk_of_json(desk) for name, desk in memory["desks"].items()}
            codes = {code: Permit(tuple(a), person, x) for code, (a, person, x) in memory["codes"].items()}
            openings, flood = list(memory["openings"]), bool(memory["flood"])
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            log.warning("what was told before is not known; what stands is told anew: %r", error)
            return
        for case in cases.values():
            case.opened_s = min(case.opened_s, now_s)
            case.gone_s = None if case.gone_s is None else min(case.gone_s, now_s)
            case.waiting = {name: min(time_s, now_s) for name, time_s in case.waiting.items()}
        for desk in desks.values():
            desk.sent_s = [time_s for time_s in desk.sent_s if time_s <= now_s]
            desk.digest_s = min(desk.digest_s, now_s)
            desk.remind_s = None if desk.remind_s is None else min(desk.remind_s, now_s + desk.gap_s)
        openings = [time_s for time_s in openings if time_s <= now_s]
        self._cases, self._codes, self._openings = cases, codes, openings
        self._flood.is_active = flood
        self._desks.update({name: desk for name, desk in desks.items() if name in self._people})

    # --- what stands ---

    def _follow(self, alarms: Sequence[Alarm], now_s: float) -> None:
        standing = {alarm.alarm_id: alarm for alarm in alarms}
        for number, case in list(self._cases.items()):
            if number not in standing and case.present:
                case.present = False
                case.gone_s = now_s if case.gone_s is None else case.gone_s
                self.changed = True
        for number, alarm in standing.items():
            known = self._cases.get(number)
            if alarm.state in _PUT_AWAY:
                if known is not None:
                    del self._cases[number]
                    self.changed = True
            elif known is not None:
                self._update(known, alarm, now_s)
            elif alarm.state is AlarmState.UNACKNOWLEDGED:
                self._open(number, alarm, now_s)

    def _open(self, number: int, alarm: Alarm, now_s: float) -> None:
        self._cases[number] = Case(alarm, now_s)
        self._openings.append(now_s)
        self.changed = True

    def _update(self, case: Case, alarm: Alarm, now_s: float) -> None:
        before = case.alarm.state
        case.alarm = alarm
        case.present = True
        if alarm.state is AlarmState.UNACKNOWLEDGED:
            if case.acknowledged or case.cleared or self._is_over(case, now_s):
                self._open(alarm.alarm_id, alarm, now_s)
            case.gone_s = None
        elif alarm.state is AlarmState.ACKNOWLEDGED:
            case.acknowledged, case.gone_s = True, None
        else:
            case.acknowledged = case.acknowledged or alarm.state is AlarmState.LATCHED
            case.gone_s = now_s if case.gone_s is None else case.gone_s
        self.changed = self.changed or alarm.state is not before

    def _is_over(self, case: Case, now_s: float) -> bool:
        wait_s = self._notify.clear_after_s
        if case.chatters:
            wait_s = max(wait_s, CHATTER_CLEAR_S)
        return case.gone_s is not None and now_s - case.gone_s >= wait_s

    def _settle_cleared(self, now_s: float) -> None:
        """Forget what is over and has been told, or was never told and needs no telling."""
        for number, case in list(self._cases.items()):
            over = self._is_over(case, now_s)
            if over and not case.waiting:
                case.cleared = True
            forgotten = not case.present and not case.held and (case.cleared or not case.told)
            if forgotten and not case.waiting:
                del self._cases[number]
                self.changed = True
        expired = [code for code, permit in self._codes.items() if now_s > permit.expires_s]
        for code in expired:
            del self._codes[code]

    # --- news ---

    def _news_for(self, person: PersonConfig, now_s: float, local: datetime) -> list[Message]:
        desk = self._desks[person.id]
        desk.sent_s = [time_s for time_s in desk.sent_s if now_s - time_s < WINDOW_S]
        groups: dict[tuple[object, ...], list[Case]] = {}
        due: set[tuple[object, ...]] = set()
        for case in self._cases.values():
            kind = self._kind_of_news(case, person, now_s, local)
            if kind is None:
                # One that comes and goes keeps its place: else it would never have waited long enough.
                fluttering = not case.acknowledged and case.gone_s is not None
                if not fluttering or self._is_over(case, now_s):
                    case.waiting.pop(person.id, None)
                continue
            since_s = case.waiting.setdefault(person.id, now_s)
            key = self._group(kind, case)
            groups.setdefault(key, []).append(case)
            if now_s - since_s >= self._gather_s(kind, case.alarm.priority):
                due.add(key)
        if not due:
            return []
        waiting = [(_kind(key), cases, key in due) for key, cases in groups.items()]
        waiting.sort(key=lambda item: (-worst([c.alarm for c in item[1]]).rank, _ORDER.index(item[0])))
        return self._send_within_budget(person.id, desk, waiting, now_s)

    def _kind_of_news(self, case: Case, person: PersonConfig, now_s: float, local: datetime) -> Kind | None:
        """Return what of `case` is news to `person` now, if it may be told now."""
        name, priority = person.id, case.alarm.priority
        allowed = may_be_told(person, priority, local, self._people.values())
        if case.is_open and now_s - case.opened_s >= person.after_min * 60.0:
            if name not in case.told:
                if not allowed:
                    if priority.rank >= Priority(person.from_priority).rank:
                        case.held.add(name)
                    return None
                if case.chatters:
                    return Kind.CHATTERING
                return Kind.ESCALATED if person.after_min > 0.0 else Kind.ALARM
            if not allowed:
                return None
            if priority.rank > case.told[name]:
                return Kind.WORSE
            if case.chatters and name not in case.chatter_told:
                return Kind.CHATTERING
            return None
        if case.acknowledged:
            case.held.discard(name)
        if name in case.told:
            over = not case.cleared and self._is_over(case, now_s)
            return Kind.CLEARED if over and allowed else None
        if name in case.held and case.gone_s is not None and allowed:
            return Kind.MISSED
        return None

    def _group(self, kind: Kind, case: Case) -> tuple[object, ...]:
        return (kind,) if kind in (Kind.CLEARED, Kind.MISSED) else (kind, case.alarm.condition)

    def _gather_s(self, kind: Kind, priority: Priority) -> float:
        gather_s = self._notify.gather_s
        if kind in (Kind.CLEARED, Kind.MISSED):
            return max(gather_s, MEDIUM_GATHER_S)
        if priority is Priority.CRITICAL:
            return min(gather_s, CRITICAL_GATHER_S)
        if priority is Priority.HIGH:
            return gather_s
        return max(gather_s, MEDIUM_GATHER_S if priority is Priority.MEDIUM else LOW_GATHER_S)

    def _send_within_budget(
        self, name: str, desk: Desk, waiting: list[tuple[Kind, list[Case], bool]], now_s: float
    ) -> list[Message]:
        """Tell the groups that are due (the third item) one by one as far as the budget goes.

        If it does not, everything that waits goes into a digest, due or not.
        """
        most = self._notify.messages_per_10_min
        messages: list[Message] = []
        rest: list[tuple[Kind, list[Case]]] = []
        overflows = False
        for kind, cases, is_due in waiting:
            critical = kind is not Kind.CLEARED and worst([c.alarm for c in cases]) is Priority.CRITICAL
            # The last message of the ten minutes is kept for a digest, and some for what is critical.
            allowance = most - 1 if critical else 0 if self._flood.is_active else most * 6 // 10
            if is_due and len(desk.sent_s) < allowance:
                messages.append(self._tell(name, desk, kind, cases, now_s))
            else:
                overflows = overflows or is_due
                rest.append((kind, cases))
        pause_s = self._notify.digest_every_min * 60.0
        if overflows and len(desk.sent_s) < most and now_s - desk.digest_s >= pause_s:
            messages.append(self._tell_digest(name, desk, rest, now_s))
        return messages

    def _tell_digest(
        self, name: str, desk: Desk, rest: list[tuple[Kind, list[Case]]], now_s: float
    ) -> Message:
        desk.digest_s = now_s
        only = {kind for kind, _ in rest}
        cases = [case for _, some in rest for case in some]
        if len(rest) == 1 or only == {Kind.CLEARED}:
            return self._tell(name, desk, rest[0][0], cases, now_s)
        begun = [case for kind, some in rest if kind is not Kind.CLEARED for case in some]
        message = self._send(name, desk, Kind.DIGEST, begun or cases, now_s, key_cases=cases)
        for kind, some in rest:
            for case in some:
                self._note_told(name, kind, case)
        return message

    def _tell(self, name: str, desk: Desk, kind: Kind, cases: list[Case], now_s: float) -> Message:
        message = self._send(name, desk, kind, cases, now_s)
        for case in cases:
            self._note_told(name, kind, case)
        return message

    def _note_told(self, name: str, kind: Kind, case: Case) -> None:
        case.waiting.pop(name, None)
        case.held.discard(name)
        if kind is Kind.CLEARED:
            case.told.pop(name, None)
            case.cleared = not case.told
            return
        if kind is not Kind.MISSED:
            case.told[name] = max(case.alarm.priority.rank, case.told.get(name, 0))
        if case.chatters:
            case.chatter_told.add(name)

    # --- reminders ---

    def _reminder_for(self, person: PersonConfig, now_s: float, local: datetime) -> list[Message]:
        desk = self._desks[person.id]
        lowest = Priority(self._notify.repeat_from).rank
        open_cases = [
            case
            for case in self._cases.values()
            if case.is_open
            and person.id in case.told
            and case.alarm.priority.rank >= lowest
            and may_be_told(person, case.alarm.priority, local, self._people.values())
        ]
        if not open_cases:
            desk.remind_s = None
            return []
        if desk.remind_s is None:
            desk.gap_s = self._notify.repeat_min * 60.0
            desk.remind_s = now_s + desk.gap_s
            self.changed = True
        if now_s < desk.remind_s or len(desk.sent_s) >= self._notify.messages_per_10_min:
            return []
        desk.gap_s = min(2.0 * desk.gap_s, max(LONGEST_GAP_S, self._notify.repeat_min * 60.0))
        desk.remind_s = now_s + desk.gap_s
        desk.reminders += 1
        return [self._send(person.id, desk, Kind.REMINDER, open_cases, now_s, extra=desk.reminders)]

    # --- putting together ---

    def _send(
        self,
        name: str,
        desk: Desk,
        kind: Kind,
        cases: Sequence[Case],
        now_s: float,
        *,
        key_cases: Sequence[Case] = (),
        extra: int = 0,
    ) -> Message:
        desk.sent_s.append(now_s)
        new_danger = kind in _NEW and any(case.alarm.priority is Priority.CRITICAL for case in cases)
        if desk.remind_s is not None and new_danger:
            desk.gap_s = self._notify.repeat_min * 60.0
            desk.remind_s = min(desk.remind_s, now_s + desk.gap_s)
        ranked = sorted(cases, key=lambda c: (-c.alarm.priority.rank, c.alarm.since_s, c.alarm.alarm_id))
        alarms = [case.alarm for case in ranked]
        keys = sorted((c.alarm.alarm_id, c.opened_s, c.alarm.priority.rank) for c in key_cases or cases)
        return self._message(
            name,
            kind,
            worst(alarms),
            alarms,
            self._words.title(kind, alarms),
            None,
            now_s,
            key=[*keys, extra],
        )

    def _message(
        self,
        name: str,
        kind: Kind,
        priority: Priority,
        alarms: Sequence[Alarm],
        title: str,
        text: str | None,
        now_s: float,
        *,
        key: Iterable[Any],
    ) -> Message:
        seed = json.dumps([name, kind.value, list(key)])
        message_id = hashlib.sha256(seed.encode()).hexdigest()[:16]
        mark = f"#{message_id[:8]}"
        numbers = tuple(alarm.alarm_id for alarm in alarms if alarm.alarm_id > 0)
        message = Message(
            message_id=message_id,
            person=name,
            kind=kind,
            priority=priority,
            title=title[:120],
            text=f"{text} {mark}",
            made_s=now_s,
            alarms=numbers,
            tanks=tuple(dict.fromkeys(alarm.tank for alarm in alarms if alarm.tank is not None)),
        )
        if text is not None:
            return message
        if kind in (Kind.CLEARED, Kind.MISSED) or not numbers:
            return replace(message, text=self._words.text(kind, alarms, now_s, mark))
        code = self._signer.code(message_id)
        self._codes[code] = self._permit(message)
        text = self._words.text(kind, alarms, now_s, f"Ack code {code} {mark}")
        return self.with_token(replace(message, code=code, text=text))

    def _permit(self, message: Message) -> Permit:
        expires_s = message.made_s + self._notify.code_valid_h * 3600.0
        return Permit(message.alarms, message.person, expires_s)


def _kind(key: tuple[object, ...]) -> Kind:
    kind = key[0]
    if not isinstance(kind, Kind):
        raise TypeError(f"not a kind of message: {kind!r}")
    return kind
