"""One message to one person."""

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

from tankwatch.alarms.model import Priority

LONGEST_TEXT = 299
"""Characters of the short form: what a telephone shows at once."""


class Kind(StrEnum):
    """Why a message is sent."""

    ALARM = "alarm"
    """Alarms that began."""
    ESCALATED = "escalated"
    """Alarms that nobody has acknowledged; this person is told as well."""
    WORSE = "worse"
    """Their priority rose."""
    CHATTERING = "chattering"
    """They come and go."""
    REMINDER = "reminder"
    """Nobody has acknowledged them yet."""
    CLEARED = "cleared"
    """Their cause is gone, and has stayed gone."""
    MISSED = "missed"
    """They came and went in quiet hours."""
    DIGEST = "digest"
    """Too many to be told one by one."""
    MORNING = "morning"
    """What the night was like."""
    BLIND = "blind"
    """For some time nobody watched."""
    TEST = "test"
    """Asked for, to see whether the way works."""


@dataclass(frozen=True, slots=True)
class Message:
    """What is carried by every way of the person, with the same id."""

    message_id: str
    """16 hexadecimal digits; a message sent again bears the id it had."""
    person: str
    kind: Kind
    priority: Priority
    title: str
    text: str
    """The short form, at most `LONGEST_TEXT` characters, ending in the first digits of the id."""
    made_s: float
    """Seconds since 1970 UTC."""
    alarms: tuple[int, ...] = ()
    """Numbers of the alarms it is about."""
    tanks: tuple[str, ...] = ()
    code: str | None = None
    """Short code that acknowledges its alarms."""
    token: str | None = None
    """Signed token that does the same, for programs."""

    def to_keep(self) -> dict[str, Any]:
        """Return the message fit for JSON without its token: what is stored may be read by more people."""
        return {**self.as_json(), "token": None}

    def as_json(self) -> dict[str, Any]:
        """Return the message fit for JSON, with the version of this form."""
        return {"v": 1, **asdict(self)}


def message_of_json(content: dict[str, Any]) -> Message:
    """Return what `as_json` made.

    Raises:
        KeyError, ValueError: it is no message of this version.
    """
    if content.get("v") != 1:
        raise ValueError(f"a message of version {content.get('v')!r}")
    return Message(
        message_id=content["message_id"],
        person=content["person"],
        kind=Kind(content["kind"]),
        priority=Priority(content["priority"]),
        title=content["title"],
        text=content["text"],
        made_s=content["made_s"],
        alarms=tuple(content["alarms"]),
        tanks=tuple(content["tanks"]),
        code=content["code"],
        token=content["token"],
    )
