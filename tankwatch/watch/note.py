"""A line for the care log: through the watch if one runs, else straight into the store."""

from tankwatch.clock import SystemClock
from tankwatch.config import Config
from tankwatch.control.client import ControlClient, NoWatchError, note
from tankwatch.control.path import socket_path
from tankwatch.errors import StoreError
from tankwatch.store.entry import LogEntry
from tankwatch.store.writer import StoreWriter

_WRITE_WITHIN_S = 10.0


def write_note(config: Config, tank: str | None, kind: str, text: str, who: str) -> str:
    """Write an entry into the care log; return the way it took, in words.

    The watch is the only writer of the store while it runs, so it is asked first.

    Raises:
        ControlError: the entry cannot be written so, or the watch refused it.
        StoreError: no watch runs, and the store cannot be written.
    """
    request = note(tank, kind, text, who)
    try:
        ControlClient(socket_path(config)).request(request)
    except NoWatchError:
        _write_directly(config, LogEntry(SystemClock().wall_s(), tank, kind, who, text))
        return f"of {config.store.path} (no watch runs)"
    return "through the running watch"


def _write_directly(config: Config, entry: LogEntry) -> None:
    store = StoreWriter(config.store.path, SystemClock())
    store.start()
    store.put_log(entry)
    written = store.flush(_WRITE_WITHIN_S)
    store.stop(_WRITE_WITHIN_S)
    if not written:
        raise StoreError(
            f"{config.store.path}: the entry could not be written within {_WRITE_WITHIN_S:.0f} s"
        )
