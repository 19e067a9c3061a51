"""Start the screen on the real watch and the real store.

Textual reads its frame rate and animation level when it is imported, so this module imports it only after
they are set.
"""

import os
from pathlib import Path

from tankwatch.clock import SystemClock
from tankwatch.config import Config
from tankwatch.control.client import ControlClient
from tankwatch.control.path import socket_path
from tankwatch.store.reader import StoreReader


def run_screen(config: Config, config_path: Path, *, slow: bool = False) -> None:
    """Show the room of `config` full-screen until the keeper leaves it; needs no running watch.

    Readings repaint at most once a second, with `slow` once in five; keys are answered at once. There is no
    animation; TEXTUAL_FPS and TEXTUAL_ANIMATIONS in the environment have the last word.
    """
    prepare_environment(slow=slow)
    from tankwatch.screen.app import TankwatchApp

    app = TankwatchApp(
        config,
        ControlClient(socket_path(config)),
        StoreReader(config.store.path),
        SystemClock(),
        slow=slow,
        config_path=config_path,
    )
    app.run()


def prepare_environment(*, slow: bool) -> None:
    """Set how often Textual paints, before it is imported."""
    remote = "SSH_CONNECTION" in os.environ or "SSH_TTY" in os.environ
    os.environ.setdefault("TEXTUAL_ANIMATIONS", "none")
    if slow or remote:
        # Keys are painted within one frame: 15 a second still feel prompt and let bursts collapse.
        os.environ.setdefault("TEXTUAL_FPS", "4" if slow else "15")
