"""The watch's own log: short lines on stderr, and a file beside the store that never grows without end."""

import logging
import sys
from logging.handlers import RotatingFileHandler
from pathlib import Path

from tankwatch.safetext import safe_text

_FILE_BYTES = 1_000_000
_FILES_KEPT = 4
_LONGEST_LINE = 4000


class _PlainFormatter(logging.Formatter):
    """Writes whatever a message holds as visible characters: a payload must not steer the terminal."""

    def format(self, record: logging.LogRecord) -> str:
        lines = super().format(record).split("\n")
        return "\n".join(safe_text(line, _LONGEST_LINE) for line in lines)


def log_path(store: Path) -> Path:
    """Return the path of the log file of the watch over the store at `store`."""
    return store.with_name(store.stem + ".log")


def start_logging(store: Path, *, quiet: bool = False) -> list[logging.Handler]:
    """Send the program's log to stderr and to the file beside `store`; return the handlers, to be closed.

    `quiet` leaves only warnings on stderr.
    """
    console = logging.StreamHandler(sys.stderr)
    console.setLevel(logging.WARNING if quiet else logging.INFO)
    console.setFormatter(_PlainFormatter("%(asctime)s %(levelname)s %(message)s", "%H:%M:%S"))
    handlers: list[logging.Handler] = [console]
    root = logging.getLogger("tankwatch")
    root.setLevel(logging.INFO)
    root.addHandler(console)
    try:
        file = RotatingFileHandler(
            log_path(store), maxBytes=_FILE_BYTES, backupCount=_FILES_KEPT, encoding="utf-8", delay=False
        )
    except OSError as error:
        root.warning("%s: no log file: %s", log_path(store), error.strerror)
        return handlers
    file.setFormatter(_PlainFormatter("%(asctime)s %(levelname)s %(threadName)s %(name)s: %(message)s"))
    root.addHandler(file)
    handlers.append(file)
    return handlers


def stop_logging(handlers: list[logging.Handler]) -> None:
    """Take the handlers away again and close them."""
    root = logging.getLogger("tankwatch")
    for handler in handlers:
        root.removeHandler(handler)
        handler.close()
