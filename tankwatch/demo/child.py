"""The watch as a child of the demo: it ends with its standard input, so that no demo leaves one behind."""

import os
import signal
import sys
import threading
from pathlib import Path

from tankwatch.config import load
from tankwatch.watch.run import run_watch


def main() -> None:
    """Watch by the configuration file named on the command line, until the parent is gone."""
    config = load(Path(sys.argv[1]))
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()
    sys.exit(run_watch(config))


def _end_with_parent() -> None:
    sys.stdin.buffer.read()
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    main()
