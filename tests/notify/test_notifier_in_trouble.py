"""The notifier when the parts around it fail: people are told all the same."""

import logging
import time
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from conftest import wait_until
from test_delivery import alarm, picture

from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.clock import ManualClock, SystemClock
from tankwatch.config import Config
from tankwatch.notify.codes import Permit, Signer
from tankwatch.notify.message import Kind
from tankwatch.notify.notifier import Notifier
from tankwatch.snapshot import RoomSnapshot
from tankwatch.store.entry import OutboxEntry
from tankwatch.watch.guard import Guard

SIGNER = Signer(b"k" * 32)


class StuckOutbox:
    """A store whose disk takes nothing."""

    def __init__(self, fails: bool = False) -> None:
        self.fails = fails
        self.entries: list[OutboxEntry] = []

    def put_outbox(self, messages: Sequence[OutboxEntry], memory_key: str, memory: dict[str, Any]) -> None:
        if self.fails:
            raise OSError("a fault of the store's own")
        self.entries += messages

    def settle_outbox(self, message_id: str, way: str, state: str, attempts: int, detail: str = "") -> None:
        pass

    def prune_outbox(self, before_s: float) -> None:
        pass

    def flush(self, timeout_s: float) -> bool:
        return False


def _config(folder: Path) -> Config:
    script = folder / "bell"
    script.write_text(f'#!/bin/sh\necho "$TANKWATCH_TITLE" >> {folder}/rung\n')
    script.chmod(0o755)
    return Config.model_validate(
        {
            "room": {"name": "Back room"},
            "tank": [{"id": "t01", "volume_l": 120.0, "setpoint_c": 25.0}],
            "notify": {"gather_s": 0.0},
            "way": [{"id": "bell", "kind": "command", "command": [str(script)]}],
            "person": [{"id": "sam", "ways": ["bell"]}],
        }
    )


def _refuse(number: int, who: str) -> "Future[None]":
    future: Future[None] = Future()
    future.set_exception(RuntimeError(f"alarm {number} cannot be acknowledged"))
    return future


def test_a_disk_that_takes_nothing_holds_no_message_up(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    notifier = Notifier(_config(tmp_path), StuckOutbox(), SIGNER, SystemClock(), acknowledge=_refuse)
    notifier.start()
    notifier.publish(picture(alarm()))
    wait_until((tmp_path / "rung").exists, "the bell")
    notifier.stop(5.0)
    assert "before the outbox has them" in caplog.text


def test_what_was_made_is_carried_even_if_the_store_has_a_fault(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    notifier = Notifier(
        _config(tmp_path), StuckOutbox(fails=True), SIGNER, SystemClock(), acknowledge=_refuse
    )
    notifier.start()
    notifier.publish(picture(alarm()))
    wait_until((tmp_path / "rung").exists, "the bell")
    notifier.stop(5.0)
    assert "sent all the same" in caplog.text


def test_a_fault_is_told_once_and_does_not_end_the_thread(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    notifier = Notifier(_config(tmp_path), StuckOutbox(), SIGNER, SystemClock(), acknowledge=_refuse)
    notifier.start()
    notifier.publish(replace(picture(), alarms=(None,)))  # type: ignore[arg-type]
    wait_until(lambda: "messages could not be made" in caplog.text, "the note of the fault")
    before_s = notifier.heartbeat_s
    notifier.publish(picture(alarm(2, tank=None, condition=Condition.POWER_LOSS)))
    wait_until((tmp_path / "rung").exists, "the bell, after the fault is over")
    assert notifier.heartbeat_s > before_s
    notifier.stop(5.0)
    assert caplog.text.count("messages could not be made") == 1


def test_a_judge_that_stands_still_is_told_to_people(tmp_path: Path) -> None:
    clock = ManualClock()
    notifier = Notifier(_config(tmp_path), StuckOutbox(), SIGNER, clock, acknowledge=_refuse)
    guard = Guard(lambda: 0.0, notifier.publish, clock, stalled_after_s=15.0)
    guard.pass_on(RoomSnapshot(clock.wall, "Back room", "Etc/UTC", clock.wall))
    made = []
    for _ in range(30):
        clock.advance(1.0)
        guard.look()
        made += notifier.look()
    (message,) = made
    assert message.kind is Kind.ALARM
    assert message.priority is Priority.CRITICAL
    assert "the watch stands still" in message.text
    assert (message.alarms, message.code) == ((), None)


def test_an_acknowledgement_from_afar_that_fails_is_logged(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    notifier = Notifier(_config(tmp_path), StuckOutbox(), SIGNER, SystemClock(), acknowledge=_refuse)
    notifier.acknowledge_token(SIGNER.token(Permit((7,), "sam", time.time() + 60.0)))
    assert "alarm 7 cannot be acknowledged" in caplog.text


def test_a_message_once_acknowledged_elsewhere_is_not_repeated(tmp_path: Path) -> None:
    clock = ManualClock()
    notifier = Notifier(_config(tmp_path), StuckOutbox(), SIGNER, clock, acknowledge=_refuse)
    one = alarm(since_s=clock.wall, changed_s=clock.wall)
    notifier.publish(picture(one))
    assert [message.kind for message in notifier.look()] == [Kind.ALARM]
    notifier.publish(picture(alarm(state=AlarmState.ACKNOWLEDGED)))
    for _ in range(100):
        clock.advance(60.0)
        assert notifier.look() == []
