"""Make the pictures of the documentation: the demo's room, drawn by the real screen without a terminal.

python docs/make_pictures.py
"""

import asyncio
import re
from pathlib import Path

from textual.pilot import Pilot

from tankwatch.clock import SystemClock
from tankwatch.config import Config
from tankwatch.control.client import ControlClient
from tankwatch.control.path import socket_path
from tankwatch.demo.run import run_demo
from tankwatch.screen.app import TankwatchApp
from tankwatch.store.reader import StoreReader

_FOLDER = Path(__file__).parent
_SETTLE_S = 3.0
SICK_TANK = "t03"


def take(config: Config, path: Path) -> None:
    """Draw the room and the page of its worst tank; write one SVG each."""
    asyncio.run(_take(config, path))


async def _take(config: Config, path: Path) -> None:
    app = TankwatchApp(
        config,
        ControlClient(socket_path(config)),
        StoreReader(config.store.path),
        SystemClock(),
        slow=False,
        config_path=path,
    )
    async with app.run_test(size=(120, 40)) as pilot:
        await _keep("room", app, pilot)
        app.open_standing(SICK_TANK)
        await _keep("tank", app, pilot)


async def _keep(name: str, app: TankwatchApp, pilot: Pilot[None]) -> None:
    await asyncio.sleep(_SETTLE_S)  # pictures come once a second, and history is read beside them
    await pilot.pause()
    svg = app.export_screenshot(title="tankwatch")
    # A picture must show without asking another machine for a font.
    svg = re.sub(r"@font-face \{.*?\}", "", svg, flags=re.DOTALL)
    (_FOLDER / f"{name}.svg").write_text(svg, encoding="utf-8")


if __name__ == "__main__":
    run_demo(tanks=12, show=take)
