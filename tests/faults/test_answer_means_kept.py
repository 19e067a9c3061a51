"""What a keeper is told is done is on the disk; while the disk takes nothing, he is told that."""

import asyncio
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest
from conftest import MosquittoBroker, wait_until
from rooms import alarm_of, look, pack, room_text, source_state, watching, write_config

from tankwatch.alarms.model import AlarmState, Condition
from tankwatch.config import Config, load
from tankwatch.control.protocol import Acknowledge, Note
from tankwatch.errors import NotKeptError
from tankwatch.reading import ServiceMark
from tankwatch.store.reader import StoreReader

pytestmark = pytest.mark.usefixtures("own_runtime_folder")


@pytest.fixture
def config(tmp_path: Path, mosquitto_broker: MosquittoBroker) -> Config:
    return load(write_config(tmp_path, room_text(mosquitto_broker.port)))


def _note(text: str) -> Note:
    return Note(tank=None, kind="note", text=text, who="Ada")


def test_an_entry_that_was_answered_is_on_the_disk(config: Config) -> None:
    reader = StoreReader(config.store.path)
    with watching(config) as client:
        for number in range(20):
            client.request(_note(str(number)))
            assert [entry.text for entry in reader.log()] == [str(n) for n in range(number + 1)]
            asyncio.run(client.mark("t000", ServiceMark.WORK, f"Ada {number}"))  # the screen's way
            assert len(reader.marks()) == number + 1


def test_while_the_disk_takes_nothing_it_is_done_in_memory_told_and_written_once_later(
    config: Config, mosquitto_broker: MosquittoBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tankwatch.control.server.KEPT_WITHIN_S", 0.5)
    monkeypatch.setattr("tankwatch.store.writer_thread.RETRY_LAST_S", 0.5)
    start_s = time.time() - 4000.0
    with (
        watching(config) as client,
        closing(sqlite3.connect(config.store.path, isolation_level=None)) as other,
    ):
        wait_until(lambda: source_state(client) == "connected", "the watch at the broker")
        other.execute("BEGIN IMMEDIATE")  # another program holds the file
        mosquitto_broker.publish_many(
            [("fish/t000/state", pack(start_s + 10 * n, 21.0 + 0.01 * (n % 3), n)) for n in range(360)]
        )
        wait_until(lambda: alarm_of(client, Condition.TOO_COLD) is not None, "the alarm, from memory")
        alarm = alarm_of(client, Condition.TOO_COLD)
        assert alarm is not None
        with pytest.raises(NotKeptError, match="done, but the watch's disk has not taken it yet"):
            client.request(Acknowledge(alarm_id=alarm.alarm_id, who="Ada"))
        after = alarm_of(client, Condition.TOO_COLD)
        assert after is not None
        assert (after.state, after.who) == (AlarmState.ACKNOWLEDGED, "Ada")
        began = time.monotonic()
        for number in range(50):  # many together do not wait one after the other
            with pytest.raises(NotKeptError):
                client.request(_note(str(number)))
        assert time.monotonic() - began < 12.5  # 25 s if each waited
        wait_until(lambda: alarm_of(client, Condition.STORE_BEHIND) is not None, "store-behind")
        other.execute("ROLLBACK")
        wait_until(lambda: (p := look(client)) and p.store.waiting == 0, "the store to catch up")
        client.request(_note("again"))
    reader = StoreReader(config.store.path)
    assert [entry.text for entry in reader.log()] == [*map(str, range(50)), "again"]
    steps = [step for step in reader.steps(0.0, 1e11) if step.alarm.alarm_id == alarm.alarm_id]
    assert [(step.from_state, step.alarm.state, step.who) for step in steps] == [
        (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, None),
        (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "Ada"),
    ]
