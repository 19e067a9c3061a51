"""What a room sends: only what changed, alarms at once, and never more than was agreed."""

import json
from dataclasses import replace

from rooms_data import NOW_S, RUN, make_alarm, make_changes, make_room, make_tank, names

from tankwatch.alarms.model import AlarmState
from tankwatch.config_rooms import PublishConfig
from tankwatch.rooms.changes import Changes, Permit
from tankwatch.snapshot import RoomSnapshot


def test_everything_is_sent_first_and_nothing_again_while_nothing_changes() -> None:
    changes = make_changes()
    assert names(changes.look(make_room(), 100.0)) == ["state", "tank/t01", "tank/t02"]
    aged = make_room([make_tank(1, age_s=4.0), make_tank(2, age_s=4.0)], time_s=NOW_S + 1)
    assert changes.look(aged, 101.0) == []


def test_water_is_sent_when_it_moved_by_a_step_and_not_more_often_than_agreed() -> None:
    changes = make_changes(tank_every_s=10.0, step_c=0.05, full_every_s=60.0)
    changes.look(make_room(), 100.0)
    moved = make_room([make_tank(1, 25.06), make_tank(2, 25.04)])
    assert changes.look(moved, 105.0) == []
    assert names(changes.look(moved, 110.0)) == ["tank/t01"]
    assert names(changes.look(moved, 161.0)) == ["state", "tank/t02"]
    assert names(changes.look(moved, 171.0)) == ["tank/t01"]


def test_a_heater_that_switches_counts_as_a_change_and_a_stale_value_as_news() -> None:
    changes = make_changes(tank_every_s=10.0)
    changes.look(make_room(), 100.0)
    tank = make_tank(1)
    heated = replace(tank, values=tank.values | {"heater": replace(tank.values["heater"], value=1.0)})
    assert changes.look(make_room([heated, make_tank(2)]), 101.0) == []
    assert names(changes.look(make_room([heated, make_tank(2)]), 111.0)) == ["tank/t01"]
    stale = replace(heated, values={name: replace(v, stale=True) for name, v in heated.values.items()})
    assert names(changes.look(make_room([stale, make_tank(2)]), 112.0)) == ["tank/t01"]


def test_an_alarm_goes_at_once_and_before_what_merely_moved() -> None:
    changes = make_changes(messages_per_s=1.0, tank_every_s=1.0)
    tanks = [make_tank(n) for n in range(1, 6)]
    for second in range(20):
        changes.look(make_room(tanks), 100.0 + second)
    moved = [make_tank(n, 26.0) for n in range(1, 6)]
    alarmed = make_room(moved, [make_alarm(1, "t04")])
    sent = [name for second in range(6) for name in names(changes.look(alarmed, 120.0 + second))]
    assert sent[0] == "tank/t04"
    assert sorted(sent) == [f"tank/t{n:02}" for n in range(1, 6)]


def test_the_rate_is_bounded_and_nothing_is_forgotten_over_it() -> None:
    changes = make_changes(messages_per_s=10.0)
    room = make_room([make_tank(n) for n in range(1, 101)])
    counts = []
    seen: set[str] = set()
    for second in range(20):
        sent = names(changes.look(room, 100.0 + second))
        counts.append(len(sent))
        seen.update(sent)
    assert max(counts) <= 20
    assert sum(counts[:10]) <= 10 * 10 + 10
    assert len(seen) == 101


def test_a_status_holds_what_the_screen_draws_and_few_digits() -> None:
    tank = make_tank(1, 24.812_345_678)
    messages = make_changes().look(make_room([tank], [make_alarm()]), 100.0)
    status = json.loads(next(m.payload for m in messages if m.name == "tank/t01"))
    assert status["v"] == 1
    assert status["run"] == RUN
    assert status["up_s"] == 100.0
    assert status["time_s"] == NOW_S
    assert status["tank"]["values"]["temperature"] == {"value": 24.812, "time_s": NOW_S - 3, "age_s": 3.0}
    assert status["alarms"][0]["condition"] == "heater-no-heat"
    assert all(message.expires_s == 86_400 for message in messages)
    assert len(next(m.payload for m in messages if m.name == "tank/t01")) < 900


class TestPermits:
    def _changes(self) -> tuple[Changes, list[int]]:
        made: list[int] = []

        def permit(number: int) -> Permit:
            made.append(number)
            return Permit(f"token-{number}-{len(made)}", 3600.0, 1800.0)

        return Changes(PublishConfig(), RUN, 0.0, permit=permit), made

    def _room(self, state: AlarmState) -> RoomSnapshot:
        return make_room(alarms=[make_alarm(7, "t01", state=state), make_alarm(8, None, state=state)])

    def test_what_may_be_acknowledged_is_permitted_and_no_longer_than_that(self) -> None:
        changes, _ = self._changes()
        sent = {m.name: m for m in changes.look(self._room(AlarmState.UNACKNOWLEDGED), 100.0)}
        assert json.loads(sent["permit/t01"].payload)["tokens"] == {"7": "token-7-1"}
        assert json.loads(sent["permit/-"].payload)["tokens"] == {"8": "token-8-2"}
        assert sent["permit/t01"].expires_s == 3500
        after = {m.name: m.payload for m in changes.look(self._room(AlarmState.ACKNOWLEDGED), 101.0)}
        assert after["permit/t01"] == after["permit/-"] == b""
        assert not any(m.name.startswith("permit") for m in changes.look(make_room(), 102.0))

    def test_a_permit_is_renewed_in_time_and_not_before(self) -> None:
        changes, made = self._changes()
        room = self._room(AlarmState.UNACKNOWLEDGED)
        changes.look(room, 100.0)
        changes.look(room, 1799.0)
        assert made == [7, 8]
        assert {"permit/t01", "permit/-"} <= set(names(changes.look(room, 1801.0)))
        assert made == [7, 8, 7, 8]
