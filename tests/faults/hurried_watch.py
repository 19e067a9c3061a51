"""`tankwatch watch`, but for that it keeps what it learned every second instead of every five minutes.

python hurried_watch.py CONFIG
"""

import sys
from functools import partial
from pathlib import Path

from tankwatch.config import load
from tankwatch.watch import run
from tankwatch.watch.judge import Timing

SAVE_EVERY_S = 1.0

if __name__ == "__main__":
    run.Timing = partial(  # type: ignore[attr-defined,assignment]
        Timing, save_memory_every_s=SAVE_EVERY_S, source_lost_after_s=1.0, source_back_after_s=0.2, tick_s=0.1
    )
    sys.exit(run.run_watch(load(Path(sys.argv[1]))))
