"""A loaded watch that is killed, again and again: what was promised is on the disk, once."""

import json
import os
import random
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from conftest import MosquittoBroker, wait_until
from kill_checks import Checks
from load import Pace, Publisher, Round, Seen, telling, told
from rooms import WatchProcess, is_connected, room_text, write_config

from tankwatch.store.reader import StoreReader
from tankwatch.store.writer_thread import LONGEST_STRETCH

pytestmark = pytest.mark.usefixtures("own_runtime_folder")

COMMAND = (str(Path(__file__).parent / "hurried_watch.py"),)
BUSY = Pace(tanks=6, pause_s=0.02, step_s=30.0, longest_s=3.0, window_s=1.0 * LONGEST_STRETCH + 1.0)
QUIET = Pace(tanks=2, pause_s=0.4, step_s=120.0, longest_s=1.5, window_s=1.0 + 1.0)
"""So few readings that no batch is gathered for more than a second."""


def kill_again_and_again(folder: Path, broker: MosquittoBroker, kills: int, pace: Pace) -> dict[str, float]:
    """Kill a watch `kills` times, check after each, end it well, and return figures."""
    more = f"[notify]\nmessages_per_10_min = 60\n{telling(folder, sys.executable)}"
    config = write_config(folder, room_text(broker.port, pace.tanks, more=more))
    seen = Seen()
    publisher = Publisher(broker.port, pace)
    checks = Checks(folder / "room.db", seen, pace, publisher.start_s)
    rng = random.Random(20_260_921)
    for number in range(kills):
        watch = WatchProcess(config, COMMAND)
        try:
            wait_until(partial(is_connected, watch.client), "the watch at the broker")
            load = Round(watch, publisher, number, seen, pace)
            # Every tenth life is long enough for readings to pass the stated window.
            is_long = number % 10 == 1
            time.sleep(
                rng.uniform(1.3, 2.0) * pace.window_s if is_long else rng.uniform(0.05, pace.longest_s)
            )
        finally:
            killed_s = time.monotonic()
            watch.kill()
            load.end()
        checks.after(killed_s)
    publisher.close()
    # The last life ends as it should: every message has been taken by its way.
    reader = StoreReader(folder / "room.db")
    with WatchProcess(config, COMMAND) as last:
        wait_until(lambda: not reader.outbox("waiting"), "all messages to be sent", timeout_s=30.0)
        last.stop()
    outbox = [str(message.content["message_id"]) for message in reader.outbox()]
    delivered = told(folder)
    assert len(outbox) == len(set(outbox))
    assert set(delivered) == set(outbox), "a message is lost, or was sent and never kept"
    repeated = len(delivered) - len(set(delivered))
    assert repeated <= kills, "a message may come again, with its id, only where a kill cut it off"
    assert sum(not run.clean for run in reader.runs()) >= kills
    return {
        "kills": kills,
        "readings_stored": 3 * sum(len(certain) for certain in checks.certain),
        "oldest_reading_lost_s": round(checks.youngest_lost_s, 2),
        "acknowledgements": len(seen.acknowledged),
        "log_entries": len(seen.entries),
        "marks": len(seen.marks),
        "steps": len(reader.steps(0.0, 1e11)),
        "messages": len(outbox),
        "messages_repeated_with_their_id": repeated,
        "heating_cycles_learned": checks.cycles,
    }


def test_a_few_kills_lose_and_double_nothing_that_was_promised(
    tmp_path: Path, make_mosquitto: Callable[..., MosquittoBroker]
) -> None:
    broker = make_mosquitto(settings=("allow_anonymous true", "max_queued_messages 0"))
    figures = kill_again_and_again(tmp_path, broker, 3, QUIET)
    assert figures["readings_stored"] > 20
    assert figures["log_entries"] > 5
    assert figures["steps"] > 1
    print(json.dumps(figures))


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_two_hundred_kills_lose_and_double_nothing_that_was_promised(
    tmp_path: Path, make_mosquitto: Callable[..., MosquittoBroker]
) -> None:
    broker = make_mosquitto(settings=("allow_anonymous true", "max_queued_messages 0"))
    figures = kill_again_and_again(tmp_path, broker, int(os.environ.get("TANKWATCH_KILLS", "200")), BUSY)
    print(json.dumps(figures))
    assert figures["messages"] > 5
    assert figures["heating_cycles_learned"] > 3
