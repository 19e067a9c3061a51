"""The screen fed with pictures as fast as it draws them, in a process of its own for its memory.

python bench_pictures.py TANKS PICTURES SAMPLE_EVERY MOST_S

Prints one JSON object: the pictures drawn, the paints that they led to, and the resident memory after every
`SAMPLE_EVERY` pictures. Stops at `PICTURES`, or after `MOST_S` seconds. Each picture moves some of the
tanks by half a degree or more, and is a second later than the one before, so that what the screen does now
and then (the last 24 hours read again) happens as often as in life.
"""

import asyncio
import json
import os
import sys
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "screen"))
os.environ["TEXTUAL_ANIMATIONS"] = "none"
os.environ["TEXTUAL_FPS"] = "100000"  # a picture is painted at once: nothing is waited for

from rich.console import RenderableType
from screen_fakes import FakeHistory, FakeSeries, make_config
from screen_in_terminal import MeasuredFeed
from textual._compositor import CompositorUpdate
from textual.screen import Screen

import tankwatch.screen.app
from tankwatch.clock import ManualClock
from tankwatch.reading import Channel
from tankwatch.screen.app import TankwatchApp
from tankwatch.snapshot import RoomSnapshot, from_json, to_json

SIZE = (120, 40)


class ForgetfulHistory(FakeHistory):
    """Invented history that keeps no note of what it was asked, so that its own memory stays as it is."""

    def series(self, tank: str, channel: Channel, from_s: float, to_s: float, buckets: int) -> FakeSeries:
        """Return the same smooth series."""
        self.asked.clear()
        return super().series(tank, channel, from_s, to_s, buckets)


class PaintedApp(TankwatchApp):
    """Turns every paint into the text that a terminal would get, counts it and throws it away."""

    CSS_PATH = str(Path(tankwatch.screen.app.__file__).with_name("look.tcss"))
    paints = 0
    sent = 0

    def _display(self, screen: Screen[object], renderable: RenderableType | None) -> None:
        if isinstance(renderable, CompositorUpdate) and not self._batch_count:
            self.paints += 1
            self.sent += len(renderable.render_segments(self.console))
        super()._display(screen, renderable)


@dataclass
class Counted:
    """What was drawn, and the memory after so many pictures."""

    drawn: int = 0
    sampled_at: list[int] = field(default_factory=list)
    rss_kib: list[float] = field(default_factory=list)


class PushingFeed(MeasuredFeed):
    """Sends the next picture when the one before is painted."""

    def __init__(self, tanks: int, clock: ManualClock) -> None:
        super().__init__(tanks, "five")
        self._clock = clock
        self._sent = 0
        self.app: PaintedApp | None = None
        self.counted = Counted()
        self.sample_every, self.most, self.most_s = 1, 0, 0.0
        self.done = asyncio.Event()

    async def snapshots(self) -> AsyncIterator[RoomSnapshot]:
        """Send until there are enough, then say nothing more."""
        assert self.app is not None
        until_s = time.monotonic() + self.most_s
        while self._sent < self.most and time.monotonic() < until_s:
            self._clock.advance(1.0)
            yield from_json(to_json(self._picture(self._sent)))  # as the socket brings it
            self._sent += 1
            painted = asyncio.Event()
            self.app.screen.call_after_refresh(painted.set)
            await painted.wait()
            self.counted.drawn = self._sent
            if self._sent % self.sample_every == 0:
                self.counted.sampled_at.append(self._sent)
                self.counted.rss_kib.append(_rss_kib())
        self.done.set()
        await asyncio.Event().wait()


async def draw(tanks: int, pictures: int, sample_every: int, most_s: float) -> dict[str, object]:
    """Feed an app without a terminal; return what was drawn and the memory, in KiB."""
    config = make_config(tanks)
    clock = ManualClock(wall=time.time())
    feed = PushingFeed(tanks, clock)
    feed.most, feed.sample_every, feed.most_s = pictures, sample_every, most_s
    app = PaintedApp(config, feed, ForgetfulHistory(), clock, who="keeper")
    feed.app = app
    begin_s, begin_cpu_s = time.monotonic(), time.process_time()
    async with app.run_test(size=SIZE):
        await asyncio.wait_for(feed.done.wait(), most_s + 60)
        took_s, cpu_s = time.monotonic() - begin_s, time.process_time() - begin_cpu_s
    return {
        "drawn": feed.counted.drawn,
        "paints": app.paints,
        "sent": app.sent,
        "sampled_at": feed.counted.sampled_at,
        "rss_kib": feed.counted.rss_kib,
        "took_s": took_s,
        "cpu_s": cpu_s,
    }


def _rss_kib() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1024


if __name__ == "__main__":
    tanks, pictures, sample_every = map(int, sys.argv[1:4])
    print(json.dumps(asyncio.run(draw(tanks, pictures, sample_every, float(sys.argv[4])))))
