"""Three watches of one room on one broker: killed, held up, stopped and started again."""

import json
import os
import random
import signal
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import MosquittoBroker, PostgresServer, wait_until
from split_room import (
    LEASE_S,
    NAMES,
    STATED_S,
    TANKS,
    Feeder,
    OneWatch,
    begun_alarms,
    bell,
    room_config,
    stored_numbers,
    told,
    unwatched_s,
    wait_for_shares,
)

from tankwatch.alarms.model import Alarm, AlarmState, Condition
from tankwatch.control.protocol import Acknowledge

pytestmark = pytest.mark.usefixtures("own_runtime_folder")

Watches = dict[str, OneWatch]


@pytest.fixture
def watches(tmp_path: Path, mosquitto_broker: MosquittoBroker) -> Iterator[Watches]:
    path = room_config(tmp_path, mosquitto_broker.port, more=bell(tmp_path))
    found = {name: OneWatch(path, name) for name in NAMES}
    yield found
    for watch in found.values():
        watch.kill()


def _stored(watches: Watches) -> dict[str, Counter[int]]:
    """Return the packs of each tank in all stores, and see that none stands in two."""
    stored = {tank: stored_numbers(watches, tank) for tank in TANKS}
    for tank, numbers in stored.items():
        twice = [number for number, count in numbers.items() if count > 1]
        assert not twice, f"{tank}: packs {twice[:5]} were judged by two watches"
    return stored


def _too_warm(watch: OneWatch, tank: str) -> list[Alarm]:
    return [a for a in watch.alarms() if a.tank == tank and a.condition is Condition.TOO_WARM]


def test_a_killed_watch_is_replaced_in_the_stated_time_and_its_alarms_go_on(
    watches: Watches, mosquitto_broker: MosquittoBroker, tmp_path: Path
) -> None:
    with Feeder(mosquitto_broker.port, 0.1) as feeder:
        victim, heir = watches["a"], watches["b"]
        feeder.celsius["t000"] = 31.0
        victim.start()
        heir.start()  # whichever is first takes every tank, and hands over half of them
        wait_for_shares(watches, "ab")
        wait_until(lambda: _too_warm(victim, "t000"), "the alarm")
        (alarm,) = _too_warm(victim, "t000")
        victim.client.request(Acknowledge(alarm_id=alarm.alarm_id, who="Ada"))
        held = victim.holds()
        assert "t000" in held
        killed_s = time.time()
        victim.kill()
        wait_until(lambda: heir.holds() == set(TANKS), "the other watch to take every tank", STATED_S + 1.0)
        wait_until(lambda: _too_warm(heir, "t000"), "the alarm at the other watch")
        (moved,) = _too_warm(heir, "t000")
        assert (moved.alarm_id, moved.state, moved.who) == (alarm.alarm_id, AlarmState.ACKNOWLEDGED, "Ada")
    heir.stop()
    stored = _stored(watches)
    assert max(unwatched_s(feeder, stored[tank], killed_s) for tank in held) < STATED_S
    assert begun_alarms(watches, "t000").count(Condition.TOO_WARM) == 1
    assert len(told(tmp_path, "alarm", "t000")) <= 1


class Trouble:
    """What befalls a watch, and what it must not cost."""

    def __init__(self, watches: Watches, feeder: Feeder, seed: int) -> None:
        self.watches = watches
        self.feeder = feeder
        self.random = random.Random(seed)
        self.gaps: list[tuple[str, float, set[str]]] = []
        """What happened, when, and whose tanks it concerned."""

    def befall(self, what: str, name: str) -> None:
        """Do it, see the others take over, and have the watch come back."""
        watch = self.watches[name]
        others = "".join(other for other in NAMES if other != name)
        time.sleep(self.random.uniform(0.0, LEASE_S))  # at any moment of its lease
        held = watch.holds()
        self.gaps.append((what, time.time(), held))
        if what == "killed":
            watch.kill()
        elif what == "stopped":
            watch.stop()
        else:
            watch.send(signal.SIGSTOP)
        within_s = 4.0 if what == "stopped" else STATED_S + 1.0
        wait_for_shares(self.watches, others, within_s)
        if what == "held up":
            watch.send(signal.SIGCONT)
        else:
            watch.start()
        wait_for_shares(self.watches, "abc")


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_whatever_befalls_the_watches_no_tank_is_long_unwatched_and_none_judged_twice(
    watches: Watches, mosquitto_broker: MosquittoBroker, tmp_path: Path
) -> None:
    rounds = int(os.environ.get("TANKWATCH_SPLIT_KILLS", "24"))
    with Feeder(mosquitto_broker.port, 0.2) as feeder:
        feeder.celsius["t000"] = feeder.celsius["t005"] = 31.0
        for watch in watches.values():
            watch.start()
        wait_for_shares(watches, "abc")
        wait_until(lambda: any(_too_warm(w, "t005") for w in watches.values()), "the alarms", 30.0)
        time.sleep(5.0)  # the people are told
        trouble = Trouble(watches, feeder, 20_261_126)
        for number in range(rounds):
            trouble.befall("killed", NAMES[number % 3])
            if number % 3 == 0:
                trouble.befall(("held up", "stopped")[number // 3 % 2], NAMES[(number + 1) % 3])
        time.sleep(2.0)
    for watch in watches.values():
        watch.stop()
    stored = _stored(watches)
    worst: dict[str, float] = {}
    for what, since_s, held in trouble.gaps:
        gaps = [unwatched_s(feeder, stored[tank], since_s) for tank in held]
        worst[what] = max([worst.get(what, 0.0), *gaps])
    missing = {tank: len(feeder.sent_s) - min(stored[tank]) - len(stored[tank]) for tank in TANKS}
    print(
        json.dumps(
            {
                "happened": Counter(what for what, _, _ in trouble.gaps),
                "longest_unwatched_s": {what: round(gap_s, 2) for what, gap_s in worst.items()},
                "stated_s": STATED_S,
                "packs_sent_a_tank": len(feeder.sent_s),
                "packs_stored_a_tank": round(sum(map(len, stored.values())) / len(TANKS)),
                "most_packs_missing": max(missing.values()),
                "packs_judged_twice": 0,
            }
        )
    )
    assert worst["killed"] < STATED_S
    for tank in ("t000", "t005"):
        assert begun_alarms(watches, tank).count(Condition.TOO_WARM) == 1
        assert len(told(tmp_path, "alarm", tank)) == 1


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_with_leases_on_a_server_that_goes_away_every_tank_is_watched_and_afterwards_by_one(
    tmp_path: Path, mosquitto_broker: MosquittoBroker, postgres_server: PostgresServer
) -> None:
    more = f'leases = "{postgres_server.new_database()}"\n'
    path = room_config(tmp_path, mosquitto_broker.port, more=more)
    watches = {name: OneWatch(path, name) for name in NAMES}
    try:
        with Feeder(mosquitto_broker.port, 0.2) as feeder:
            for watch in watches.values():
                watch.start()
            wait_for_shares(watches, "abc")
            trouble = Trouble(watches, feeder, 7)
            for number in range(6):
                trouble.befall(("killed", "held up")[number % 2], NAMES[number % 3])
            calm_to = len(feeder.sent_s)
            postgres_server.stop()
            wait_until(
                lambda: all(watch.holds() == set(TANKS) for watch in watches.values()),
                "every watch to take every tank, for all it knows",
                20.0,
            )
            postgres_server.start()
            away_to = len(feeder.sent_s)
            wait_for_shares(watches, "abc")
            calm_from = len(feeder.sent_s) + 10
            time.sleep(4.0)
        for watch in watches.values():
            watch.stop()
    finally:
        for watch in watches.values():
            watch.kill()
    longest_s = 0.0
    for tank in TANKS:
        stored = stored_numbers(watches, tank)
        assert all(count == 1 for number, count in stored.items() if not calm_to <= number < calm_from)
        assert max(stored[number] for number in range(calm_to, away_to)) == 3, "each, for all it knew"
        missing = [number for number in range(calm_to, away_to) if number not in stored]
        longest_s = max(longest_s, 0.2 * len(missing))
        for what, since_s, held in trouble.gaps:
            if tank in held:
                assert unwatched_s(feeder, stored, since_s) < STATED_S, what
    print(json.dumps({"away_s": round(0.2 * (away_to - calm_to), 1), "unwatched_meanwhile_s": longest_s}))
    assert longest_s < 1.0
