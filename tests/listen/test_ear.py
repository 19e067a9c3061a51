"""The ear: it listens in its own thread to a real broker, tells trouble, and ends when asked."""

import time
from collections.abc import Callable

import pytest
from conftest import MosquittoBroker, free_port

from tankwatch.config import SourceConfig
from tankwatch.errors import UsageError
from tankwatch.listen.ear import Ear
from tankwatch.listen.places import Where


def until(holds: Callable[[], bool], seconds: float = 15.0) -> None:
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, "it did not come true"
        time.sleep(0.05)


def test_streams_of_a_broker_are_heard_while_it_listens(mosquitto_broker: MosquittoBroker) -> None:
    ear = Ear(Where("mqtt", "127.0.0.1", mosquitto_broker.port).sources)
    ear.start()
    try:
        until(lambda: "broker" in ear.hearing.connected)

        def heard() -> bool:
            mosquitto_broker.publish_many([("fish/long/temperature", "24.8")], qos=0)
            return ear.hearing.configuration is not None

        until(heard)
        assert [stream["seems"] for stream in ear.hearing.streams] == ["water temperature"]
        assert f"port = {mosquitto_broker.port}" in (ear.hearing.configuration or "")
    finally:
        ear.stop()
    assert ear.join(10.0)


def test_a_broker_that_is_not_there_is_told() -> None:
    ear = Ear(Where("mqtt", "127.0.0.1", free_port()).sources)
    ear.start()
    try:
        until(lambda: "broker" in ear.hearing.trouble)
        assert not ear.hearing.connected
    finally:
        ear.stop()
    assert ear.join(10.0)


@pytest.mark.parametrize("error", [UsageError("there is no such port"), RuntimeError("a fault of ours")])
def test_what_ends_the_listening_is_told(error: Exception) -> None:
    def find() -> list[SourceConfig]:
        raise error

    ear = Ear(find)
    ear.start()
    assert ear.join(10.0)
    assert str(error) in ear.hearing.trouble[""]
