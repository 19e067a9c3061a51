"""The link to the watch comes back by itself and knows the age of its picture."""

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

import pytest
from screen_fakes import FakeFeed, make_room

from tankwatch.clock import ManualClock
from tankwatch.errors import ControlError
from tankwatch.screen.link import OLD_AFTER_S, Link, LinkState
from tankwatch.snapshot import RoomSnapshot


@dataclass
class FlakyFeed(FakeFeed):
    """A watch that answers by a plan: pictures for a while, then an error, and again."""

    plan: list[int] = field(default_factory=list)
    """How many pictures each try gives; -1: no watch answers."""

    async def snapshots(self) -> AsyncIterator[RoomSnapshot]:
        """Follow the plan; end the test when it is done."""
        if not self.plan:
            raise asyncio.CancelledError
        count = self.plan.pop(0)
        if count < 0:
            raise ControlError("no watch answers")
        for _ in range(count):
            yield make_room(1)


@pytest.mark.asyncio
async def test_it_tries_again_with_growing_and_capped_pauses() -> None:
    pauses: list[float] = []

    async def sleep(seconds: float) -> None:
        pauses.append(seconds)

    link = Link(FlakyFeed(plan=[-1] * 6 + [3, -1]), ManualClock())
    news: list[LinkState] = []
    with pytest.raises(asyncio.CancelledError):
        await link.follow(lambda: news.append(link.state), sleep)
    assert pauses == [1, 2, 4, 8, 8, 8, 1, 2]
    assert news == [LinkState.ABSENT] * 6 + [LinkState.LIVE] * 3 + [LinkState.OLD] * 2
    assert link.snapshot is not None, "the last picture stays on the screen"


def test_silence_alone_makes_the_picture_old() -> None:
    clock = ManualClock()
    link = Link(FakeFeed(), clock)
    states = [link.state]
    assert link.age_s is None
    link.take(make_room(1))
    for seconds in (OLD_AFTER_S, 0.1):
        clock.advance(seconds)
        states.append(link.state)
    link.take(make_room(1))
    states.append(link.state)
    assert states == [LinkState.CONNECTING, LinkState.LIVE, LinkState.OLD, LinkState.LIVE]


def test_a_step_of_the_wall_clock_does_not_make_it_old() -> None:
    clock = ManualClock()
    link = Link(FakeFeed(), clock)
    link.take(make_room(1))
    clock.step_wall(86_400)
    assert link.state is LinkState.LIVE
