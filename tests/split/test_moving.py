"""What a tank brings along from the store of the watch that had it; numbers that no two watches give."""

from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tankwatch.alarms.book import AlarmBook
from tankwatch.alarms.model import Alarm, AlarmState, Condition, Priority, Transition
from tankwatch.clock import ManualClock, SystemClock
from tankwatch.config import Config, load
from tankwatch.config_split import seen_by
from tankwatch.notify.codes import load_signer
from tankwatch.notify.dispatch import Dispatcher
from tankwatch.notify.notifier import MEMORY_KEY as TOLD
from tankwatch.notify.notifier import Notifier
from tankwatch.reading import Channel, Reading
from tankwatch.snapshot import RoomSnapshot
from tankwatch.split.moving import Mover
from tankwatch.split.opening import dealt_numbers
from tankwatch.split.portion import Change, Moved, Portion
from tankwatch.store.entry import OutboxEntry
from tankwatch.store.writer import StoreWriter
from tankwatch.watch.judge import MEMORY_KEY
from tankwatch.watchdog.watchdog import Watchdog

ALARM = Alarm(
    65,
    "t1",
    Condition.TOO_WARM,
    AlarmState.ACKNOWLEDGED,
    Priority.CRITICAL,
    1000.0,
    1001.0,
    "warm",
    who="Ada",
)


def _whole(folder: Path, more: str = "") -> Config:
    text = f'[room]\nname = "x"\n[split]\nwatches = ["a", "b"]\n{more}\n'
    text += "".join(f'[[tank]]\nid = "t{n}"\nvolume_l = 100.0\nsetpoint_c = 25.0\n' for n in (1, 2))
    path = folder / "room.toml"
    path.write_text(text)
    return load(path)


def _fill(path: Path, *, waiting: bool) -> None:
    """Leave a store as a watch does that was killed."""
    store = StoreWriter(path, SystemClock())
    store.start()
    store.put_steps([Transition(ALARM, AlarmState.NORMAL, 1001.0, "Ada", None)])
    store.put_memory(MEMORY_KEY, {"t1": {"cycles": {"n": 3}}, "t2": {}})
    case = {"told": {"sam": 3}}
    entries = [OutboxEntry("m1", "phone", "sam", 1001.0, "alarm", "critical", {"alarms": [65]})] * waiting
    store.put_outbox(entries, TOLD, {"cases": {"65": case, "66": case}})
    assert store.flush(10)
    store.stop()


def _mover(config: Config) -> Mover:
    return Mover(config, memory_key=MEMORY_KEY, told_key=TOLD)


def test_a_tank_brings_what_was_learned_its_alarm_and_what_was_told_of_it(tmp_path: Path) -> None:
    whole = _whole(tmp_path)
    _fill(seen_by(whole, "a").store.path, waiting=False)
    moved = _mover(seen_by(whole, "b")).read({"t1": (4, "a"), "t2": (1, None)})
    assert moved["t1"] == Moved(
        4, "a", {"cycles": {"n": 3}}, (ALARM,), True, (), {"65": {"told": {"sam": 3}}}
    )
    assert moved["t2"] == Moved(1, None, None, (), True), "nobody had it"


def test_a_message_that_was_made_and_not_delivered_is_told_anew(tmp_path: Path) -> None:
    whole = _whole(tmp_path)
    _fill(seen_by(whole, "a").store.path, waiting=True)
    moved = _mover(seen_by(whole, "b")).read({"t1": (4, "a")})
    assert moved["t1"].cases == {"65": {"told": {}}}


def test_what_cannot_be_read_is_learned_anew_and_said(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    config = seen_by(_whole(tmp_path), "b")
    assert _mover(config).read({"t1": (4, "a")})["t1"].learned is None
    assert "no store at" in caplog.text
    assert "learned anew" in caplog.text


def test_a_watch_that_takes_its_own_tank_again_goes_on_from_its_own_store(tmp_path: Path) -> None:
    whole = _whole(tmp_path)
    config = seen_by(whole, "a")
    _fill(config.store.path, waiting=False)
    moved = _mover(config).read({"t1": (4, "a")})["t1"]
    assert (moved.alarms, moved.is_new_here, moved.over) == ((ALARM,), False, ())
    elsewhere = _mover(config).read({"t1": (5, "b")})["t1"]
    assert elsewhere.over == (ALARM,), "it stood here and does not stand where the tank was last"


def test_a_room_that_was_one_and_is_split_goes_on_from_its_one_store(tmp_path: Path) -> None:
    whole = _whole(tmp_path)
    _fill(whole.store.path, waiting=False)
    assert _mover(seen_by(whole, "a")).read({"t1": (1, None)})["t1"].alarms == (ALARM,)


def test_where_the_leases_are_new_the_store_with_the_newest_reading_tells(tmp_path: Path) -> None:
    whole = _whole(tmp_path)
    for name, time_s in (("a", 2000.0), ("b", 1000.0)):
        store = StoreWriter(seen_by(whole, name).store.path, SystemClock())
        store.start()
        store.put_readings([Reading("t1", Channel.TEMPERATURE, time_s, 25.0, source="x")])
        store.put_memory(MEMORY_KEY, {"t1": {"from": name}})
        assert store.flush(10)
        store.stop()
    moved = _mover(seen_by(whole, "b")).read({"t1": (1, None), "t2": (1, None)})
    assert (moved["t1"].before, moved["t1"].learned) == ("a", {"from": "a"})
    assert moved["t2"].before is None


def test_from_another_machine_it_comes_by_the_central_store(tmp_path: Path, postgres_shared_url: str) -> None:
    from tankwatch.store.postgres.connection import connect
    from tankwatch.store.postgres.forward import Forwarder
    from tankwatch.store.postgres.schema import migrate

    room = f"room-{tmp_path.name}"[-24:].strip("-").replace("_", "-")
    more = f'[forward]\nurl = "{postgres_shared_url}"\n'
    whole = _whole(tmp_path, more)
    whole = whole.model_copy(update={"room": whole.room.model_copy(update={"id": room})})
    away = tmp_path / "away.db"  # the other machine's: not where this one would look
    _fill(away, waiting=False)
    with connect(postgres_shared_url) as connection:
        migrate(connection)
        forwarder = Forwarder(away, seen_by(whole, "a").room.slug, SystemClock())
        while forwarder.forward_once(connection):
            pass
    moved = _mover(seen_by(whole, "b")).read({"t1": (4, "a")})["t1"]
    assert moved.alarms == (ALARM,)
    assert moved.learned == {"cycles": {"n": 3}}


def test_no_two_watches_give_one_number_to_two_alarms(tmp_path: Path) -> None:
    whole = _whole(tmp_path)
    numbers: dict[str, list[int]] = {}
    for name in ("a", "b"):
        book = AlarmBook(next_id=70, dealt=dealt_numbers(seen_by(whole, name)))
        for tank in ("t1", "t2", "t3"):
            book.begin(tank, Condition.TOO_COLD, Priority.HIGH, 1.0, "cold")
        numbers[name] = [step.alarm.alarm_id for step in book.take_steps()]
    assert numbers == {"a": [128, 192, 256], "b": [129, 193, 257]}
    assert AlarmBook(next_id=70, dealt=dealt_numbers(whole)).next_id == 70


def test_an_adopted_alarm_can_be_acknowledged_and_one_let_go_is_gone_without_a_step() -> None:
    book = AlarmBook()
    book.adopt(replace(ALARM, state=AlarmState.UNACKNOWLEDGED, who=None))
    assert book.take_steps() == []
    book.acknowledge(65, "Kim", 2000.0)
    book.begin("t1", Condition.TOO_COLD, Priority.HIGH, 2001.0, "cold")
    book.let_go("t1")
    assert (book.standing, book.take_steps(), dict(book.concerned)) == ((), [], {})


def test_whoever_was_told_is_not_told_again_and_a_tank_that_went_is_not_told_of(tmp_path: Path) -> None:
    whole = _whole(
        tmp_path,
        '[[way]]\nid = "w"\nkind = "command"\ncommand = ["true"]\n[[person]]\nid = "sam"\nways = ["w"]\n',
    )
    alarm = replace(ALARM, state=AlarmState.UNACKNOWLEDGED, who=None)
    clock = ManualClock()
    local = datetime(2026, 1, 1, 12)

    def tell(name: str, cases: dict[str, object] | None) -> tuple[list[str], dict[str, object]]:
        config = seen_by(whole, name)
        dispatcher = Dispatcher(config, load_signer(config.store.path))
        dispatcher.adopt(cases or {})
        kinds = []
        for second in range(60):
            now_s = clock.wall_s() + second
            kinds += [m.kind.value for m in dispatcher.look((alarm,), now_s, local)]
        told = dispatcher.remember()["cases"]
        dispatcher.forget({"t1"})
        assert dispatcher.remember()["cases"] == told, "for the next watch, whenever it reads"
        assert dispatcher.look((), clock.wall_s() + 9999.0, local) == [], "nor is its end told here"
        return kinds, told

    kinds, told = tell("a", None)
    assert kinds == ["alarm"]
    assert tell("b", told)[0] == []


def test_a_portion_that_is_closed_tells_nothing_of_tanks() -> None:
    clock = ManualClock()
    portion = Portion("a", clock, MEMORY_KEY)
    portion.extend(clock.monotonic_s() + 5.0)
    assert portion.has(None)
    assert not portion.has("t1")
    assert portion.take_told() == []
    assert RoomSnapshot(0.0, "x", "UTC", 0.0, split=portion.snapshot).split is not None
    assert Change(frozenset(), {}, 0.0).taken == {}


class _Outbox:
    """Takes everything."""

    def put_outbox(self, messages: Sequence[OutboxEntry], memory_key: str, memory: dict[str, Any]) -> None:
        self.memory = memory

    def settle_outbox(self, message_id: str, way: str, state: str, attempts: int, detail: str = "") -> None:
        raise AssertionError("nothing is carried here")

    def prune_outbox(self, before_s: float) -> None:
        raise AssertionError("it is not started")

    def flush(self, timeout_s: float) -> bool:
        return True


def test_people_are_told_of_what_this_watch_holds_while_its_lease_stands(tmp_path: Path) -> None:
    whole = _whole(
        tmp_path,
        '[notify]\ngather_s = 0.0\n[[way]]\nid = "w"\nkind = "command"\ncommand = ["true"]\n'
        '[[person]]\nid = "sam"\nways = ["w"]\n',
    )
    config = seen_by(whole, "a")
    clock = ManualClock()
    portion = Portion("a", clock, MEMORY_KEY)
    outbox = _Outbox()
    notifier = Notifier(
        config,
        outbox,
        load_signer(config.store.path),
        clock,
        acknowledge=lambda number, who: Future(),
        portion=portion,
    )
    alarm = replace(ALARM, state=AlarmState.UNACKNOWLEDGED, who=None)
    other = replace(alarm, alarm_id=66, tank="t2")
    notifier.publish(RoomSnapshot(clock.wall_s(), "x", "UTC", 0.0, alarms=(alarm, other)))

    def told() -> list[int]:
        clock.advance(1.0)
        return [number for message in notifier.look() for number in message.alarms]

    watchdog, store = Watchdog(config, holds=()), _Nowhere()
    portion.ask(Change(frozenset(), {"t1": Moved(1)}, clock.monotonic_s() - 1.0))
    portion.settle(watchdog, store, clock.wall_s())
    assert [told() for _ in range(5)] == [[]] * 5, "the lease is over"
    portion.extend(clock.monotonic_s() + 60.0)
    assert [number for _ in range(5) for number in told()] == [65], "and of the other tank nothing"
    portion.ask(Change(frozenset({"t1"}), {}, clock.monotonic_s() + 60.0))
    portion.settle(watchdog, store, clock.wall_s())
    assert [told() for _ in range(30)] == [[]] * 30, "nor that it is over, when the tank went"
    assert set(outbox.memory["cases"]) == {"65"}


class _Nowhere:
    """A store that keeps nothing."""

    def put_steps(self, steps: list[Transition]) -> None:
        return None

    def put_memory(self, key: str, value: dict[str, Any]) -> None:
        return None
