"""Running sources for the tests of this folder."""

import threading
from typing import Any, Self

from conftest import wait_until

from tankwatch.clock import Clock, SystemClock
from tankwatch.config import Config
from tankwatch.reading import Reading
from tankwatch.snapshot import SourceSnapshot
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.source_set import SourceSet


class Running:
    """Sources that run until the end of a with block, and everything that came in so far."""

    def __init__(self, config: Config, clock: Clock | None = None, **options: Any) -> None:
        self.inbox = Inbox()
        self.sources = SourceSet(
            config,
            self.inbox,
            clock or SystemClock(),
            **{"lost_after_s": 0.1, "first_pause_s": 0.02, **options},
        )
        self.readings: list[Reading] = []

    def __enter__(self) -> Self:
        self.sources.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.sources.stop(5.0)
        left = [thread.name for thread in threading.enumerate() if thread.name.startswith("source ")]
        assert left == []

    def health(self, index: int = 0) -> SourceSnapshot:
        return self.sources.health()[index]

    def wait_for_state(self, state: str, index: int = 0, timeout_s: float = 10.0) -> SourceSnapshot:
        wait_until(lambda: self.health(index).state == state, f"source {state}", timeout_s)
        return self.health(index)

    def wait_for_loss(self, words: str, index: int = 0) -> SourceSnapshot:
        """Wait until the source is lost and says `words`: the first attempt may take its time."""
        wait_until(
            lambda: self.health(index).state == "lost" and words in self.health(index).detail,
            f"source lost, saying {words!r}",
        )
        return self.health(index)

    def values(self) -> list[float]:
        """Return the values that have come in so far."""
        self.readings += self.inbox.take(0.0)
        return [reading.value for reading in self.readings]

    def wait_for_values(self, count: int, timeout_s: float = 10.0) -> list[float]:
        wait_until(lambda: len(self.values()) >= count, f"{count} readings", timeout_s)
        return self.values()

    def wait_for_refused(self, reason: str, count: int = 1, index: int = 0) -> SourceSnapshot:
        wait_until(lambda: self.health(index).refused.get(reason, 0) >= count, f"{count} refused: {reason}")
        return self.health(index)


def room(source: dict[str, Any], channels: list[dict[str, Any]], tank: str = "t01") -> Config:
    """Return a configuration of one source and one tank."""
    return Config.model_validate(
        {
            "room": {"name": "Back room"},
            "source": [{"id": "src", **source}],
            "tank": [
                {
                    "id": tank,
                    "volume_l": 120.0,
                    "setpoint_c": 25.0,
                    "channel": [{"source": "src", **channel} for channel in channels],
                }
            ],
        }
    )
