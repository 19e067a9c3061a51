"""Start the screen of all rooms on a real broker."""

import logging
from functools import partial
from pathlib import Path

from tankwatch.clock import SystemClock
from tankwatch.config import Config
from tankwatch.config_types import is_url
from tankwatch.errors import ConfigError, UsageError
from tankwatch.rooms.hub import Hub
from tankwatch.rooms.listener import RoomListener
from tankwatch.rooms.topics import Topics
from tankwatch.screen.pace import is_remote
from tankwatch.screen.run import prepare_environment
from tankwatch.snapshot import SourceSnapshot
from tankwatch.sources.inbox import Inbox
from tankwatch.sources.supervise import Supervisor
from tankwatch.store.room_reader import open_reader

STOP_WITHIN_S = 3.0
LOST_AFTER_S = 5.0
SILENT_AFTER_S = 70.0


class Ear:
    """The listener under its supervisor."""

    def __init__(self, listener: RoomListener, supervisor: Supervisor) -> None:
        """Ask the one how it does, and send with the other."""
        self._listener = listener
        self._supervisor = supervisor

    def health(self) -> SourceSnapshot:
        """Return how the connection to the broker does."""
        return self._supervisor.health()

    def acknowledge(self, room_id: str, alarm_id: int, who: str) -> None:
        """Send an acknowledgement to a room.

        Raises:
            ControlError: there is no connection, or the room has not permitted it.
        """
        self._listener.acknowledge(room_id, alarm_id, who)


def run_rooms(config: Config, config_path: Path, *, slow: bool = False, store: str | None = None) -> None:
    """Show all rooms full-screen until the keeper leaves; hears the broker of `[centre]` or `[publish]`.

    `store`: the address of the central store, where each room's charts are read from.

    Raises:
        ConfigError: the file names neither.
        UsageError: `store` holds one room only.
    """
    if store is not None and not is_url(store):
        raise UsageError("--rooms reads every room's history: give --store postgresql://USER@HOST/DATABASE")
    broker = config.centre or config.publish
    if broker is None:
        raise ConfigError(f"{config_path}: there is no [centre]: name the broker that the rooms publish to")
    prepare_environment(slow=slow)
    from tankwatch.screen.rooms.app import RoomsApp

    # What goes wrong shows on the page; nothing may write over it.
    logging.getLogger("tankwatch").addHandler(logging.NullHandler())
    logging.getLogger("tankwatch").propagate = False
    clock = SystemClock()
    centre = config.centre
    hub = Hub(
        Topics(broker.topic),
        clock,
        silent_after_s=SILENT_AFTER_S if centre is None else centre.silent_after_s,
        expected=() if centre is None else centre.rooms,
    )
    listener = RoomListener(broker, hub)
    supervisor = Supervisor(listener, Inbox(1), clock, lost_after_s=LOST_AFTER_S)
    supervisor.start()
    try:
        history_of = None if store is None else partial(open_reader, store)
        RoomsApp(
            config,
            hub,
            Ear(listener, supervisor),
            clock,
            history_of=history_of,
            slow=slow,
            remote=is_remote(),
        ).run()
    finally:
        supervisor.ask_to_stop()
        supervisor.join(STOP_WITHIN_S)
