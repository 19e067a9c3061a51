"""`tankwatch demo`: the invented room, its broker, its probes, a real watch over it, and what shows it."""

import asyncio
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from types import FrameType

from tankwatch.config import Config, load
from tankwatch.control.client import ControlClient
from tankwatch.control.path import socket_path
from tankwatch.control.protocol import Look
from tankwatch.demo.broker import DemoBroker
from tankwatch.demo.history import ProgressBar, write_history
from tankwatch.demo.publisher import DemoPublisher
from tankwatch.demo.room import HISTORY_DAYS, config_text, make_room
from tankwatch.errors import ControlError, TankwatchError
from tankwatch.printing import LONGEST_LINE, utc
from tankwatch.safetext import safe_text
from tankwatch.snapshot import LiveValue, RoomSnapshot

_WATCH_WITHIN_S = 20.0
_CHILD_STOPS_WITHIN_S = 15.0

Show = Callable[[Config, Path], None]
"""Shows the room until the keeper has seen enough."""


def run_demo(*, tanks: int, duration_s: float | None = None, show: Show | None = None) -> int:
    """Play an invented room of `tanks` tanks; return the exit status.

    With `show`, that decides how long it lasts. Without, the alarms are printed for `duration_s` seconds, or
    until interrupted. Everything lives in a temporary folder that is removed at the end.

    Raises:
        TankwatchError: a part of the demo does not start; the message says which.
    """
    signal.signal(signal.SIGTERM, _leave)
    signal.signal(signal.SIGHUP, _leave)
    with ExitStack() as stack:
        name = stack.enter_context(tempfile.TemporaryDirectory(prefix="tankwatch-demo-"))
        folder = Path(name)
        stack.enter_context(_runtime_folder(folder))
        broker = DemoBroker()
        broker.start()
        stack.callback(broker.stop)

        room = make_room(tanks, time.time())
        path = folder / "tankwatch.toml"
        path.write_text(config_text(room, folder, broker.port), encoding="utf-8")
        config = load(path)
        bar = ProgressBar(f"playing {HISTORY_DAYS} days of {tanks} invented tank(s)")
        write_history(room, config, bar.show)

        stack.enter_context(_watch(config, path))
        publisher = DemoPublisher(room, broker.port)
        publisher.start()
        stack.callback(publisher.stop)
        client = ControlClient(socket_path(config))
        _wait_for(client, lambda picture: all("temperature" in tank.values for tank in picture.tanks))
        if show is not None:
            show(config, path)
        else:
            asyncio.run(_print_alarms(client, duration_s))
    return 0


def _leave(number: int, frame: FrameType | None) -> None:
    """End as by Ctrl+C, so that the folder is removed and the watch stopped."""
    raise KeyboardInterrupt


@contextmanager
def _runtime_folder(folder: Path) -> Iterator[None]:
    """Have the control socket in the demo's own folder too."""
    before = os.environ.get("XDG_RUNTIME_DIR")
    os.environ["XDG_RUNTIME_DIR"] = str(folder)
    try:
        yield
    finally:
        if before is None:
            del os.environ["XDG_RUNTIME_DIR"]
        else:
            os.environ["XDG_RUNTIME_DIR"] = before


@contextmanager
def _watch(config: Config, path: Path) -> Iterator[None]:
    """Run the watch in a process of its own while the block lasts."""
    output = path.with_name("watch.out")
    with output.open("wb") as out:
        # A session of its own: Ctrl+C at the terminal is for this process, which then stops the watch.
        process = subprocess.Popen(  # noqa: S603
            [sys.executable, "-m", "tankwatch.demo.child", str(path)],
            stdin=subprocess.PIPE,
            stdout=out,
            stderr=out,
            start_new_session=True,
        )
    try:
        try:
            _wait_for(
                ControlClient(socket_path(config)),
                lambda picture: all(source.state == "connected" for source in picture.sources),
                lambda: process.poll() is None,
            )
        except TankwatchError as error:
            said = safe_text(output.read_text(errors="replace").strip()[-1000:], LONGEST_LINE)
            raise TankwatchError(f"{error}; it said: {said}") from error
        yield
    finally:
        if process.stdin is not None:
            process.stdin.close()
        try:
            process.wait(_CHILD_STOPS_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait_for(
    client: ControlClient,
    is_so: Callable[[RoomSnapshot], bool],
    is_alive: Callable[[], bool] = lambda: True,
) -> None:
    """Wait until the watch shows a picture of which `is_so` is true."""
    deadline_s = time.monotonic() + _WATCH_WITHIN_S
    while True:
        try:
            picture = client.request(Look())
            if picture is not None and is_so(picture):
                return
            fault = "its probes are not heard"
        except ControlError as error:
            fault = str(error)
        if not is_alive() or time.monotonic() > deadline_s:
            raise TankwatchError(f"the demo's watch does not run: {fault}")
        time.sleep(0.05)


async def _print_alarms(client: ControlClient, duration_s: float | None) -> None:
    """Print every alarm as it stands and each change of it, and at the end every tank."""
    newest: RoomSnapshot | None = None
    told: dict[int, str] = {}
    try:
        async with asyncio.timeout(duration_s):
            async for newest in client.snapshots():
                for alarm in newest.alarms:
                    if told.get(alarm.alarm_id) != alarm.state:
                        told[alarm.alarm_id] = alarm.state
                        place = alarm.tank or alarm.subject or "room"
                        line = f"{utc(alarm.changed_s)}  {place}  {alarm.condition}  {alarm.state}"
                        line = f"{line} ({alarm.priority})  {alarm.message}"
                        print(safe_text(line, LONGEST_LINE), flush=True)
    except TimeoutError:
        for tank in newest.tanks if newest is not None else ():
            print(safe_text(f"{tank.tank_id}  {tank.name}  {_values(tank.values)}", LONGEST_LINE))


def _values(values: dict[str, LiveValue]) -> str:
    return "  ".join(f"{name} {live.value:g}" for name, live in values.items()) or "nothing heard yet"
