"""Start the screen on the real watch and the real store.

Textual reads its frame rate and animation level when it is imported, so this module imports it only after
they are set.
"""

import os
from pathlib import Path
from typing import TYPE_CHECKING

from tankwatch.clock import SystemClock
from tankwatch.config import Config
from tankwatch.control.client import ControlClient
from tankwatch.control.path import socket_path
from tankwatch.screen.pace import is_remote
from tankwatch.store.room_reader import open_reader

if TYPE_CHECKING:
    from tankwatch.review.review import RoomReview
    from tankwatch.review.span import Span
    from tankwatch.review.weeks import TankWeeks
    from tankwatch.screen.feed import Progress


def run_screen(config: Config, config_path: Path, *, slow: bool = False, store: str | None = None) -> None:
    """Show the room of `config` full-screen until the keeper leaves it; needs no running watch.

    Over SSH readings repaint at most once a second, with `slow` once in five; keys are answered at once.
    There is no animation; TEXTUAL_FPS and TEXTUAL_ANIMATIONS in the environment have the last word.
    The history is read from `store`, a path or the address of a server, or from the file of `config`.
    """
    prepare_environment(slow=slow)
    from tankwatch.screen.app import TankwatchApp
    from tankwatch.screen.health_page import Places

    reader = open_reader(store or config.store.path, config.room.slug)
    socket = socket_path(config)

    def review(span: "Span", now_s: float, progress: "Progress") -> "RoomReview":
        from tankwatch.review.review import review_room  # only a look at the night needs it

        return review_room(config, reader, span, now_s, progress=progress)

    def weeks(tank_id: str, count: int, now_s: float) -> "TankWeeks":
        from tankwatch.review.weeks import review_weeks  # and only one at the weeks this

        return review_weeks(config, reader, count, now_s, [tank_id]).tanks[0]

    app = TankwatchApp(
        config,
        ControlClient(socket),
        reader,
        SystemClock(),
        slow=slow,
        remote=is_remote(),
        config_path=config_path,
        review=review,
        weeks=weeks,
        places=Places(config_path, config.store.path, socket),
    )
    app.run()


def run_first(said: str) -> None:
    """Show full-screen what to do first; `said` tells why there is no configuration."""
    prepare_environment(slow=False)
    from tankwatch.screen.first_run import FirstRun

    FirstRun(said, Path.cwd()).run()


def prepare_environment(*, slow: bool) -> None:
    """Set how often Textual paints, before it is imported."""
    os.environ.setdefault("TEXTUAL_ANIMATIONS", "none")
    if not os.environ.get("NO_COLOR", "set"):
        del os.environ["NO_COLOR"]  # no-color.org: an empty one asks for nothing, but Textual obeys it
    if slow or is_remote():
        # Keys are painted within one frame: 15 a second still feel prompt and let bursts collapse.
        os.environ.setdefault("TEXTUAL_FPS", "4" if slow else "15")
