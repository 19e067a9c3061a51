"""The review of a stretch: every tank reconstructed, ranked by what it went through."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tankwatch.alarms.model import Alarm, AlarmState, Priority
from tankwatch.config import Config, TankConfig
from tankwatch.review.alarm_load import AlarmLoad, alarm_load, standing_at
from tankwatch.review.alarm_record import AlarmRecord, alarm_records
from tankwatch.review.cause import Candidate, Cause, judge
from tankwatch.review.delivery import with_deliveries
from tankwatch.review.evidence import Evidence, gather
from tankwatch.review.heater_facts import HeaterFacts, heater_facts
from tankwatch.review.incident import Excursion, find_excursions
from tankwatch.review.light_facts import LightFacts, light_facts
from tankwatch.review.measures import WaterFacts, water_facts
from tankwatch.review.recording import Gap, Recording, record
from tankwatch.review.span import Span
from tankwatch.review.strain import Strain, find_strain
from tankwatch.review.usual import Usual, learn_usual
from tankwatch.review.what_if import WhatIf, two_smaller_heaters
from tankwatch.store.entry import LogEntry
from tankwatch.store.room_reader import RoomReader

_LONG_GAP_MIN = 15.0
"""Silence is told within 15 minutes at the latest, so a longer gap deserves a look."""
_AT_ONCE_S = 600.0


@dataclass(frozen=True, slots=True)
class Incident:
    """One excursion, what explains it, and what would have softened it."""

    course: Excursion
    evidence: Evidence
    candidates: tuple[Candidate, ...]
    """Best supported first."""
    what_if: WhatIf | None
    needs_attention: bool
    """It left the band, is not over, or a fault explains it; a mild room needs nobody."""

    @property
    def believed(self) -> Candidate | None:
        """The best supported cause, or None where nothing is supported."""
        best = self.candidates[0] if self.candidates else None
        return best if best is not None and best.points >= 2 else None


@dataclass(frozen=True, slots=True)
class TankReview:
    """One tank over the stretch."""

    tank: TankConfig
    water: WaterFacts | None
    """None: not one usable reading."""
    heater: HeaterFacts | None
    light: LightFacts | None
    incidents: tuple[Incident, ...]
    strain: Strain | None
    """It held its temperature, but at a price."""
    gaps: tuple[Gap, ...]
    refused: int
    alarms: tuple[AlarmRecord, ...]
    usual: Usual
    recording: Recording
    unseen: tuple[str, ...] = ()
    """Conditions whose alarm stood at the end of the stretch and nobody had acknowledged."""

    @property
    def needs_attention(self) -> bool:
        """Tell whether someone must look."""
        return bool(self.reasons)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why someone must look, in words; empty where nobody must."""
        found = []
        if self.water is None:
            found.append("no water temperature was recorded")
        for one in self.incidents:
            if one.needs_attention:
                believed = one.believed
                found.append(believed.cause.value if believed else "the water strayed, cause unclear")
        if self.strain is not None:
            found.append(self.strain.title)
        if self.water is not None and self.water.minutes_below + self.water.minutes_above >= 1.0:
            found.append("the water left its band")
        if self.water is not None and any(gap.minutes > _LONG_GAP_MIN for gap in self.gaps):
            found.append("the probe was silent")
        worst = (Priority.HIGH.value, Priority.CRITICAL.value)
        if any(alarm.priority in worst for alarm in self.alarms):
            found.append("an alarm of high priority was told")
        found.extend(_unseen_words(self.unseen))
        if any(alarm.reached_nobody for alarm in self.alarms):
            found.append("a message about an alarm reached nobody")
        return tuple(dict.fromkeys(found))

    @property
    def weight(self) -> float:
        """What the tank went through, for ranking: degree-hours outside the band, then how far it went."""
        if self.water is None:
            return 1e6
        water = self.water
        hours = water.degree_hours_below + water.degree_hours_above
        far = max(abs(water.least_c - self.tank.setpoint_c), abs(water.greatest_c - self.tank.setpoint_c))
        return 1e3 * hours + 10.0 * len(self.reasons) + far


@dataclass(frozen=True, slots=True)
class RoomReview:
    """The whole room over the stretch."""

    room: str
    timezone: str
    span: Span
    made_s: float
    """When the review was made, seconds since 1970 UTC."""
    tanks: tuple[TankReview, ...]
    """Worst first."""
    blind: tuple[Gap, ...]
    """Stretches in which no watch ran."""
    room_alarms: tuple[AlarmRecord, ...]
    """Alarms of the whole room or the watch itself."""
    log: tuple[LogEntry, ...]
    load: AlarmLoad
    unseen: tuple[str, ...] = ()
    """The same as of a tank, for alarms of the room itself."""

    @property
    def needs_attention(self) -> bool:
        """Tell whether someone must look."""
        return bool(self.reasons) or any(tank.needs_attention for tank in self.tanks)

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why someone must look at the room itself."""
        found = []
        if any(gap.minutes > _LONG_GAP_MIN for gap in self.blind):
            found.append("nobody watched for a while: no watch ran")
        if any(
            alarm.priority in (Priority.HIGH.value, Priority.CRITICAL.value) for alarm in self.room_alarms
        ):
            found.append("an alarm of the room was told")
        found.extend(_unseen_words(self.unseen))
        if any(alarm.reached_nobody for alarm in self.room_alarms):
            found.append("a message about an alarm of the room reached nobody")
        return tuple(found)


def _unseen(standing: Sequence[Alarm], tank: str | None) -> tuple[str, ...]:
    waiting = (one for one in standing if one.tank == tank and one.state is AlarmState.UNACKNOWLEDGED)
    return tuple(sorted({one.condition.value for one in waiting}))


def _unseen_words(unseen: Sequence[str]) -> list[str]:
    return [f"nobody has acknowledged {condition.replace('-', ' ')}" for condition in unseen]


def review_room(
    config: Config,
    reader: RoomReader,
    span: Span,
    now_s: float,
    tanks: Sequence[str] | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> RoomReview:
    """Reconstruct `span` from the store, for `tanks` or for all.

    `progress` is told how many tanks of how many are read.

    Raises:
        ConfigError: the configuration has no such tank.
        StoreError: the store cannot be read.
    """
    wanted = config.tank if tanks is None else tuple(config.tank_by_id(name) for name in tanks)
    recordings: list[Recording] = []
    usual: list[Usual] = []
    for tank in wanted:
        recordings.append(record(reader, tank, span.from_s, span.to_s))
        usual.append(learn_usual(recordings[-1], span.from_s))
        if progress is not None:
            progress(len(recordings), len(wanted))
    courses = [find_excursions(one, u) for one, u in zip(recordings, usual, strict=True)]
    all_of_them = list(zip(recordings, courses, strict=True))
    reviews = [
        _review_tank(recordings[i], usual[i], courses[i], all_of_them[:i] + all_of_them[i + 1 :], config)
        for i in range(len(recordings))
    ]
    steps = reader.steps(span.from_s, span.to_s)
    room_alarms = alarm_records(step for step in steps if step.alarm.tank is None)
    if config.person:
        outbox = reader.outbox()
        room_alarms = with_deliveries(room_alarms, outbox, span.from_s, span.to_s)
        reviews = [
            replace(one, alarms=with_deliveries(one.alarms, outbox, span.from_s, span.to_s))
            for one in reviews
        ]
    standing = standing_at(reader.steps(0.0, span.to_s))
    reviews = [replace(one, unseen=_unseen(standing, one.tank.id)) for one in reviews]
    return RoomReview(
        room=config.room.name,
        timezone=config.room.timezone,
        span=span,
        made_s=now_s,
        tanks=tuple(sorted(reviews, key=lambda r: -r.weight)),
        blind=tuple(Gap(a, b) for a, b in reader.blind_times(span.from_s, span.to_s) if b - a >= 60.0),
        room_alarms=room_alarms,
        log=tuple(
            entry
            for entry in reader.log(span.from_s, span.to_s)
            if tanks is None or entry.tank is None or entry.tank in tanks
        ),
        load=alarm_load(steps, standing, span.from_s, span.to_s),
        unseen=_unseen(standing, None),
    )


def _review_tank(
    recording: Recording,
    usual: Usual,
    courses: list[Excursion],
    others: list[tuple[Recording, list[Excursion]]],
    config: Config,
) -> TankReview:
    incidents = []
    for course in courses:
        evidence = gather(recording, usual, course)
        candidates = judge(evidence, None if course.warm else _heat_elsewhere(course, others))
        best = candidates[0].cause
        what_if = two_smaller_heaters(recording, usual, course, best) if candidates[0].points >= 2 else None
        incidents.append(
            Incident(course, evidence, candidates, what_if, _matters(recording, course, candidates[0]))
        )
    return TankReview(
        tank=recording.tank,
        water=water_facts(recording),
        heater=heater_facts(recording, usual, tuple(courses)),
        light=light_facts(recording, config.room.zone),
        incidents=tuple(incidents),
        strain=find_strain(recording, usual, courses),
        gaps=recording.gaps,
        refused=recording.refused,
        alarms=alarm_records(recording.steps),
        usual=usual,
        recording=recording,
    )


def _heat_elsewhere(course: Excursion, others: list[tuple[Recording, list[Excursion]]]) -> tuple[int, int]:
    """Return how many other tanks grew cold without heat during `course`, and how many were heated."""
    without = heated = 0
    for recording, courses in others:
        part = (recording.time_s > course.onset_s + _AT_ONCE_S) & (recording.time_s < course.turn_s)
        was_on = recording.on[part]
        if np.isfinite(was_on).any() and np.nanmax(was_on) > 0.5:
            heated += 1
        elif any(not c.warm and c.onset_s < course.turn_s and c.turn_s > course.onset_s for c in courses):
            without += 1
    return without, heated


def _matters(recording: Recording, course: Excursion, best: Candidate) -> bool:
    if course.minutes_outside_band > 0:
        return True
    harmless = best.cause in (Cause.ROOM_WARM, Cause.WATER_CHANGED)
    return not harmless and (best.points >= 2 or course.recovery_s is None)
