"""A watch that forwards, killed again and again: the central store ends as the file here, row by row."""

import random
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from conftest import MosquittoBroker, PostgresServer, wait_until
from load import Pace, Publisher
from rooms import WatchProcess, is_connected, look, room_text, write_config

from tankwatch.errors import StoreError
from tankwatch.reading import Channel
from tankwatch.store.postgres.reader import PostgresReader
from tankwatch.store.reader import StoreReader
from tankwatch.store.room_reader import RoomReader

pytestmark = pytest.mark.usefixtures("own_runtime_folder")

EVER = (-1e10, 1e11)
PACE = Pace(tanks=3, pause_s=0.02, step_s=30.0, longest_s=1.5, window_s=2.0)
COMMAND = (str(Path(__file__).parent / "hurried_watch.py"),)


def _rows(reader: RoomReader) -> dict[str, object]:
    """Return all that both stores must have alike; what is learned and the last run change until the end."""
    series = {
        (tank, channel): reader.series(tank, channel, *EVER) for tank, channel in sorted(reader.last_values())
    }
    return {
        "readings": {key: (s.time_s.tolist(), s.mean.tolist()) for key, s in series.items()},
        "steps": reader.steps(*EVER),
        "log": reader.log(),
        "marks": reader.marks(),
        "outbox": reader.outbox(),
        "runs": [run.run_id for run in reader.runs()],
    }


def _alike(path: Path, central: PostgresReader) -> bool:
    try:
        return _rows(central) == _rows(StoreReader(path))
    except StoreError:
        return False  # the tables are not made yet


@pytest.mark.parametrize("kills", [2, pytest.param(20, marks=pytest.mark.slow)])
def test_a_watch_killed_while_it_forwards_neither_loses_nor_doubles_a_row(
    tmp_path: Path,
    make_mosquitto: Callable[..., MosquittoBroker],
    postgres_server: PostgresServer,
    kills: int,
) -> None:
    broker, url = make_mosquitto(), postgres_server.new_database()
    more = f'[forward]\nurl = "{url}"\nevery_s = 1\n'
    config = write_config(tmp_path, room_text(broker.port, PACE.tanks, more=more))
    publisher, rng = Publisher(broker.port, PACE), random.Random(5)
    central = PostgresReader(url, "back-room")
    for number in range(kills):
        with WatchProcess(config, COMMAND) as watch:
            wait_until(partial(is_connected, watch.client), "the watch at the broker")
            if number % 3 == 1:
                postgres_server.stop("immediate")  # the server dies under it as well
            until_s = time.monotonic() + rng.uniform(0.1, PACE.longest_s)
            while time.monotonic() < until_s:
                publisher.publish_round()
                time.sleep(PACE.pause_s)
            watch.kill()
        if number % 3 == 1:
            postgres_server.start()
    publisher.close()
    with WatchProcess(config, COMMAND) as last:
        wait_until(partial(_alike, tmp_path / "room.db", central), "the central store to have all", 60.0)
        picture = look(last.client)
        assert picture is not None
        assert picture.forward is not None
        assert picture.forward.error == ""
        assert picture.forward.rows > 0
        last.stop()
    found = _rows(central)
    readings = found["readings"]
    assert isinstance(readings, dict)
    assert ("t000", Channel.TEMPERATURE) in readings
    for times, _ in readings.values():
        assert len(times) == len(set(times)), "no reading is there twice"
    assert len(central.runs()) >= kills
    count = sum(len(times) for times, _ in readings.values())
    print(f"{kills} kills, {count:,} readings, {len(central.steps(*EVER))} steps, {len(central.runs())} runs")
