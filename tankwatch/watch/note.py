"""A line for the care log: through the watch if one runs, else straight into the store."""

from collections.abc import Iterable
from pathlib import Path

from tankwatch.clock import SystemClock
from tankwatch.config import Config
from tankwatch.control.client import ControlClient, NoWatchError, note
from tankwatch.control.path import socket_path
from tankwatch.errors import StoreError, UsageError
from tankwatch.store.entry import LogEntry
from tankwatch.store.writer import StoreWriter

_WRITE_WITHIN_S = 10.0


def photos_at(paths: Iterable[Path]) -> tuple[str, ...]:
    """Return the whole path of each photo, without doubles; the files stay where they are.

    Raises:
        UsageError: there is no such file, or its name is no text.
    """
    found: dict[str, None] = {}
    for path in paths:
        whole = path.absolute()
        if not whole.is_file():
            raise UsageError(f"--photo {path}: there is no such file")
        try:
            str(whole).encode("utf-8")
        except UnicodeEncodeError:
            raise UsageError(f"--photo {str(path)!a}: the name is not UTF-8 text; rename the file") from None
        found[str(whole)] = None
    return tuple(found)


def write_note(
    config: Config, tank: str | None, kind: str, text: str, who: str, photos: tuple[str, ...] = ()
) -> str:
    """Write an entry into the care log; return the way it took, in words.

    The watch is the only writer of the store while it runs, so it is asked first.

    Raises:
        ControlError: the entry cannot be written so, or the watch refused it.
        StoreError: no watch runs, and the store cannot be written.
    """
    request = note(tank, kind, text, who, photos)
    try:
        ControlClient(socket_path(config)).request(request)
    except NoWatchError:
        entry = LogEntry(SystemClock().wall_s(), tank, kind, who, text, photos=photos)
        _write_directly(config, entry)
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
