"""What the dispatcher remembers of each alarm and each person, and carries over a restart."""

from dataclasses import asdict, dataclass, field
from typing import Any

from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority


@dataclass(slots=True)
class Case:
    """One alarm, from when it was first seen unacknowledged until its end was told."""

    alarm: Alarm
    """As last seen."""
    opened_s: float
    """When this outbreak was first seen."""
    told: dict[str, int] = field(default_factory=dict)
    """By person: the highest rank of priority told."""
    waiting: dict[str, float] = field(default_factory=dict)
    """By person: since when news of it waits to be told."""
    held: set[str] = field(default_factory=set)
    """Persons to whom it was not told because of their quiet hours."""
    chatter_told: set[str] = field(default_factory=set)
    gone_s: float | None = None
    """Since when the cause is gone."""
    acknowledged: bool = False
    cleared: bool = False
    """Its end was told, or needs no telling."""
    present: bool = True
    """It still stands in the book."""

    @property
    def chatters(self) -> bool:
        """Tell whether the alarm comes and goes."""
        return "chattering" in self.alarm.evidence

    @property
    def is_open(self) -> bool:
        """Tell whether the alarm stands and nobody has acknowledged it."""
        return self.present and self.alarm.state is AlarmState.UNACKNOWLEDGED


@dataclass(slots=True)
class Desk:
    """What one person has been sent."""

    sent_s: list[float] = field(default_factory=list)
    """Times of the messages of the last ten minutes."""
    digest_s: float = float("-inf")
    """Time of the last digest."""
    remind_s: float | None = None
    """When open alarms are told again."""
    gap_s: float = 0.0
    """Pause before the reminder after that."""
    reminders: int = 0
    """Reminders so far, over all alarms: makes each one's id its own."""


def case_as_json(case: Case) -> dict[str, Any]:
    """Return `case` fit for JSON."""
    return {**asdict(case), "held": sorted(case.held), "chatter_told": sorted(case.chatter_told)}


def case_of_json(content: dict[str, Any]) -> Case:
    """Return what `case_as_json` made.

    Raises:
        KeyError, TypeError, ValueError: it is no case of this version.
    """
    alarm = content["alarm"]
    return Case(
        **{
            **content,
            "alarm": Alarm(
                **{
                    **alarm,
                    "condition": Condition(alarm["condition"]),
                    "state": AlarmState(alarm["state"]),
                    "priority": Priority(alarm["priority"]),
                }
            ),
            "held": set(content["held"]),
            "chatter_told": set(content["chatter_told"]),
        }
    )


def desk_as_json(desk: Desk) -> dict[str, Any]:
    """Return `desk` fit for JSON."""
    return {**asdict(desk), "digest_s": desk.digest_s if desk.digest_s > 0.0 else None}


def desk_of_json(content: dict[str, Any]) -> Desk:
    """Return what `desk_as_json` made.

    Raises:
        TypeError: it is no desk of this version.
    """
    digest_s = content["digest_s"]
    return Desk(**{**content, "digest_s": float("-inf") if digest_s is None else digest_s})
