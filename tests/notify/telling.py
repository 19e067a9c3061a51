"""What the tests of telling people share: a room, people, alarms, and a dispatcher on a clock of its own."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Condition, Priority
from tankwatch.config import Config
from tankwatch.notify.codes import Signer
from tankwatch.notify.dispatch import Dispatcher
from tankwatch.notify.message import Kind, Message

SIGNER = Signer(b"k" * 32)
MIDNIGHT_S = datetime(2026, 9, 23, tzinfo=UTC).timestamp()
"""A Wednesday."""


def make_config(
    people: list[dict[str, Any]] | None = None, *, tanks: int = 3, notify: dict[str, Any] | None = None
) -> Config:
    """Return a room whose people are reached by a program that is never run."""
    return Config.model_validate(
        {
            "room": {"name": "Back room"},
            "tank": [
                {"id": f"t{n:03}", "name": f"Tank {n}", "volume_l": 120.0, "setpoint_c": 25.0}
                for n in range(tanks)
            ],
            "notify": notify or {},
            "way": [{"id": "bell", "kind": "command", "command": ["/bin/true"]}],
            "person": people or [{"id": "sam", "ways": ["bell"]}],
        }
    )


@dataclass
class Desk:
    """A book of alarms and a dispatcher, looked at once a second or at longer steps."""

    config: Config = field(default_factory=make_config)
    now_s: float = MIDNIGHT_S + 12 * 3600.0
    step_s: float = 1.0
    book: AlarmBook = field(default_factory=AlarmBook)
    messages: list[Message] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.dispatcher = Dispatcher(self.config, SIGNER)

    def begin(
        self,
        tank: str | None = "t000",
        condition: Condition = Condition.TOO_COLD,
        priority: Priority = Priority.HIGH,
        **more: Any,
    ) -> None:
        more.setdefault("message", "Water 21.3 °C, 1.7 K below the low limit 23 °C. Look at the heater.")
        self.book.begin(tank, condition, priority, self.now_s, **more)

    def end(self, tank: str | None = "t000", condition: Condition = Condition.TOO_COLD) -> None:
        self.book.end(tank, condition, self.now_s)

    def acknowledge_all(self) -> None:
        for alarm in self.book.standing:
            if alarm.state.value in ("unacknowledged", "returned"):
                self.book.acknowledge(alarm.alarm_id, "sam", self.now_s)

    def look(self) -> list[Message]:
        local = datetime.fromtimestamp(self.now_s, self.config.room.zone)
        made = self.dispatcher.look(self.book.standing, self.now_s, local)
        self.messages += made
        return made

    def run(self, seconds: float, each: Callable[[], None] | None = None) -> list[Message]:
        """Let time pass; return the messages made meanwhile."""
        made: list[Message] = []
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s += self.step_s
            if each is not None:
                each()
            made += self.look()
        return made

    def restart(self) -> None:
        """Go on with a new dispatcher that knows what the old one remembered."""
        self.dispatcher = Dispatcher(self.config, SIGNER, self.dispatcher.remember(), now_s=self.now_s)


def kinds(messages: list[Message]) -> list[Kind]:
    return [message.kind for message in messages]
