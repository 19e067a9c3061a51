"""The watch as a child of the demo: it ends with its standard input, so that no demo leaves one behind."""

import os
import signal
import sys
import threading
from pathlib import Path

from tankwatch.config import load
from tankwatch.errors import TankwatchError
from tankwatch.watch.run import run_watch


def main() -> None:
    """Watch by the configuration file named on the command line, until the parent is gone."""
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()
    try:
        sys.exit(run_watch(load(Path(sys.argv[1]))))
    except TankwatchError as error:
        sys.exit(f"watch: {error}")


def _end_with_parent() -> None:
    while os.read(0, 1):  # not by sys.stdin, whose lock a thread must not hold while Python ends
        pass
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    main()
