"""What a centre believes of the rooms it hears, and what it does not."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rooms_data import NOW_S, RUN, Ear, beat, make_alarm, make_changes, make_room, make_tank, will

from tankwatch.alarms.model import AlarmState
from tankwatch.rooms import hub as hub_module
from tankwatch.rooms.documents import TankStatus, read
from tankwatch.rooms.heard import Word
from tankwatch.snapshot import Estimate, ModelSnapshot


class TestSignsOfLife:
    def test_a_room_is_online_while_it_beats_and_silent_when_it_stops(self) -> None:
        ear = Ear()
        ear.hear("online", beat(0.0))
        assert ear.word == Word.ONLINE
        ear.clock.advance(69.0)
        assert ear.word == Word.ONLINE
        ear.clock.advance(2.0)
        assert ear.word == Word.SILENT
        ear.hear("online", beat(71.0))
        assert ear.word == Word.ONLINE

    def test_what_the_broker_kept_is_no_sign_of_life(self) -> None:
        ear = Ear()
        ear.hear("online", beat(0.0), retained=True)
        assert ear.word == Word.WAITING
        status = ear.hub.status("back-room")
        assert status is not None
        assert status.age_s == 0.0  # said by the clocks of both
        ear.clock.advance(71.0)
        assert ear.word == Word.SILENT

    def test_what_a_bridge_repeats_as_new_is_no_sign_of_life(self) -> None:
        ear = Ear()
        ear.hear("online", beat(500.0), retained=True)
        ear.clock.advance(30.0)
        ear.hear("online", beat(500.0))  # the same again, not marked as kept
        assert ear.word == Word.WAITING
        ear.clock.advance(71.0)
        assert ear.word == Word.SILENT

    def test_an_old_one_heard_for_the_first_time_is_none_either(self) -> None:
        ear = Ear()
        ear.hear("online", beat(0.0, time_s=NOW_S - 7200))
        assert ear.word == Word.WAITING
        ear.clock.advance(20.0)
        ear.hear("online", beat(20.0, time_s=NOW_S - 7180))  # but it goes on: only its clock is wrong
        assert ear.word == Word.ONLINE

    def test_clocks_that_step_change_nothing(self) -> None:
        ear = Ear()
        ear.hear("online", beat(0.0))
        ear.clock.step_wall(9e7)
        assert ear.word == Word.ONLINE
        ear.clock.advance(20.0)
        ear.hear("online", beat(20.0, time_s=0.0))
        ear.clock.advance(60.0)
        assert ear.word == Word.ONLINE

    def test_a_slow_room_is_given_three_of_its_own_beats(self) -> None:
        ear = Ear()
        ear.hear("online", beat(0.0, every_s=60))
        ear.clock.advance(175.0)
        assert ear.word == Word.ONLINE

    def test_the_last_will_tells_at_once_and_life_ends_it(self) -> None:
        ear = Ear()
        ear.hear("online", beat(0.0))
        ear.hear("online", will())
        assert ear.word == Word.OFFLINE
        ear.clock.advance(5.0)
        ear.hear("online", beat(5.0, connection=2))
        assert ear.word == Word.ONLINE

    def test_the_will_of_an_older_connection_said_late_is_not_believed(self) -> None:
        ear = Ear()
        ear.hear("online", beat(5.0, connection=2))
        ear.hear("online", will(connection=1))
        assert ear.word == Word.ONLINE

    def test_a_goodbye_is_told_apart(self) -> None:
        ear = Ear()
        ear.hear("online", beat(0.0))
        ear.hear("online", beat(9.0, state="stopped"))
        assert ear.word == Word.STOPPED

    def test_an_interrupted_way_to_the_broker_is_not_the_rooms_fault(self) -> None:
        ear = Ear()
        ear.hear("online", beat(0.0))
        ear.clock.advance(3600.0)
        ear.hub.connected()
        assert ear.word == Word.WAITING
        ear.clock.advance(71.0)
        assert ear.word == Word.SILENT

    def test_a_room_that_must_be_heard_and_never_was_is_silent(self) -> None:
        ear = Ear(expected=["back-room"])
        assert ear.word == Word.WAITING
        ear.clock.advance(71.0)
        assert ear.word == Word.SILENT


class TestPicture:
    def test_it_is_the_rooms_own_with_ages_that_went_on(self) -> None:
        ear = Ear()
        room = make_room([make_tank(1), make_tank(2)], [make_alarm(1, "t02"), make_alarm(2, None)])
        ear.hear("online", beat(100.0, time_s=NOW_S))
        ear.hear_all(make_changes().look(room, 100.0))
        ear.clock.advance(7.0)
        picture = ear.hub.snapshot("back-room")
        assert picture is not None
        assert (picture.room, picture.timezone, picture.version) == ("Back room", "Europe/Lisbon", "0.1.0")
        assert picture.time_s == pytest.approx(NOW_S + 7.0)
        assert [tank.tank_id for tank in picture.tanks] == ["t01", "t02"]
        assert picture.alarms == room.alarms
        assert picture.tanks[0].values["temperature"].age_s == pytest.approx(10.0)
        assert not picture.tanks[0].values["temperature"].stale
        assert picture.sources == room.sources

    def test_what_was_kept_for_an_hour_is_an_hour_old(self) -> None:
        ear = Ear()
        ear.hear_all(make_changes().look(make_room(), 100.0), retained=True)
        ear.clock.step_wall(3600.0)  # the centre starts an hour later
        picture = ear.hub.snapshot("back-room")
        assert picture is not None
        assert picture.tanks[0].values["temperature"].age_s == pytest.approx(3603.0)
        assert picture.tanks[0].values["temperature"].stale

    def test_a_tank_that_is_not_renewed_goes_stale_though_its_room_lives(self) -> None:
        ear = Ear()
        ear.hear_all(make_changes().look(make_room(), 100.0))
        for up_s in range(100, 300, 20):
            ear.hear("online", beat(up_s, time_s=NOW_S + up_s - 100))
            ear.clock.advance(20.0)
        picture = ear.hub.snapshot("back-room")
        assert picture is not None
        assert picture.tanks[0].values["temperature"].stale
        assert picture.tanks[0].values["temperature"].age_s > 180.0
        assert ear.word == Word.ONLINE

    def test_a_tank_that_left_the_room_is_forgotten(self) -> None:
        ear = Ear()
        ear.hear_all(make_changes().look(make_room([make_tank(1), make_tank(2)]), 100.0))
        ear.hear_all(make_changes().look(make_room([make_tank(2)]), 101.0))
        ear.hear_all(make_changes().look(make_room([make_tank(1)]), 100.0)[1:], retained=True)
        picture = ear.hub.snapshot("back-room")
        assert picture is not None
        assert [tank.tank_id for tank in picture.tanks] == ["t02"]

    def test_a_change_that_concerns_a_keeper_is_counted_and_others_are_not(self) -> None:
        ear = Ear()
        changes = make_changes(tank_every_s=1.0)
        ear.hear("online", beat(100.0, time_s=NOW_S))
        ear.hear_all(changes.look(make_room(), 100.0))

        def count() -> int:
            status = ear.hub.status("back-room")
            assert status is not None
            return status.changes

        before = count()
        ear.hear_all(changes.look(make_room([make_tank(1, 25.5), make_tank(2)]), 110.0))
        assert count() == before
        ear.hear_all(changes.look(make_room(alarms=[make_alarm()]), 111.0))
        assert count() == before + 1
        ear.hear_all(changes.look(make_room(alarms=[make_alarm(state=AlarmState.ACKNOWLEDGED)]), 112.0))
        assert count() == before + 2


class TestHostile:
    @pytest.mark.parametrize(
        ("name", "document"),
        [
            ("online", b"online"),
            ("online", b"\xff\xfe"),
            ("online", b"[" * 900),
            ("online", b'{"v":2,"run":"00000000","state":"online","connection":1}'),
            ("online", beat(1.0)[:-1] + b',"x":"' + b"y" * 2000 + b'"}'),
            ("online", beat(float("nan"))),
            ("online", beat(1.0, time_s=1e300)),
            ("online", beat(1.0, every_s=0)),
            ("online", beat(1.0, run="../../etc")),
            ("state", b"{}"),
            ("state", b'{"v":1,"run":"00000000","up_s":1,"time_s":1e12,"room":"x","timezone":"x"}'),
            ("tank/t01", b"x" * 20_000),
            ("tank/t01", b'{"v":1,"a":' + b"[" * 20 + b"]" * 20 + b"}"),
            ("permit/t01", b'{"v":1,"run":"00000000","tokens":{"x":"y"}}'),
            ("nonsense", b"{}"),
            ("tank/t01/more", b"{}"),
        ],
    )
    def test_what_is_no_document_is_counted_and_does_no_harm(self, name: str, document: bytes) -> None:
        ear = Ear()
        ear.hear(name, document)
        found = ear.hub.refusals()
        assert found.documents == 1
        assert found.last.startswith("tankwatch/1/back-room/")
        ear.hear("online", beat(0.0))
        assert ear.word == Word.ONLINE

    @pytest.mark.parametrize(
        "changes",
        [
            {"low_c": 27.0, "high_c": 23.0},
            {"low_c": float("inf")},
            {"rate_c_per_h": 1e200},
            {"name": "x" * 1001},
            {"tank_id": "t02"},
            {"setpoint_c": None},
        ],
    )
    def test_a_tank_that_cannot_be_is_refused(self, changes: dict[str, Any]) -> None:
        ear = Ear()
        tank = {"tank_id": "t01", "name": "x", "setpoint_c": 25.0, "low_c": 23.0, "high_c": 27.0} | changes
        ear.hear("tank/t01", json.dumps({"v": 1, "run": RUN, "up_s": 1, "time_s": 1, "tank": tank}).encode())
        assert ear.hub.refusals().documents == 1

    def test_an_alarm_of_another_tank_is_passed_over(self) -> None:
        ear = Ear()
        messages = make_changes().look(make_room([make_tank(1)], [make_alarm(1, "t01")]), 1.0)
        ear.hear_all(
            [m._replace(payload=m.payload.replace(b'"tank":"t01"', b'"tank":"t99"')) for m in messages]
        )
        picture = ear.hub.snapshot("back-room")
        assert picture is not None
        assert picture.alarms == ()

    def test_the_number_of_rooms_and_tanks_is_bounded_and_that_is_told(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(hub_module, "ROOMS_AT_MOST", 3)
        monkeypatch.setattr(hub_module, "TANKS_IN_ALL_AT_MOST", 5)
        ear = Ear()
        for number in range(10):
            ear.room = f"room-{number}"
            ear.hear("online", beat(0.0))
        assert [status.room_id for status in ear.hub.statuses()] == ["room-0", "room-1", "room-2"]
        assert ear.hub.refusals().rooms == 7
        ear.room = "room-0"
        ear.hear_all(make_changes().look(make_room([make_tank(n) for n in range(1, 8)]), 1.0))
        assert ear.hub.refusals().documents == 2
        assert "more than 5 tanks" in ear.hub.refusals().last

    def test_a_room_whose_topics_were_emptied_is_no_more(self) -> None:
        ear = Ear()
        ear.hear("online", beat(0.0))
        ear.hear("online", b"")
        assert ear.hub.statuses() == []

    @given(
        st.sampled_from(["online", "state", "tank/t01", "permit/t01", "permit/-", "tank/+", ""]),
        st.one_of(
            st.binary(max_size=200),
            st.recursive(
                st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
                lambda inner: (
                    st.lists(inner, max_size=4)
                    | st.dictionaries(
                        st.sampled_from(["v", "run", "up_s", "time_s", "tank", "alarms", "tokens", "state"]),
                        inner,
                    )
                ),
                max_leaves=20,
            ).map(lambda value: json.dumps(value).encode()),
        ),
        st.booleans(),
    )
    def test_any_bytes_on_any_topic_are_survived(self, name: str, payload: bytes, retained: bool) -> None:
        ear = Ear()
        ear.hear(name, payload, retained=retained)
        ear.hub.statuses()
        ear.hub.snapshot("back-room")
        ear.hub.permit("back-room", 1)


def test_a_number_or_text_out_of_bounds_does_not_cost_the_sight_of_the_tank() -> None:
    model = ModelSnapshot(minutes_to_low=Estimate(float("inf"), 1.0), heater_w=Estimate(1e300, float("inf")))
    alarm = make_alarm(1, "t01", message="x" * 5000, evidence={"k" * 300: "v" * 3000, "n": float("nan")})
    ear = Ear()
    ear.hear_all(make_changes().look(make_room([make_tank(1, model=model)], [alarm]), 1.0))
    assert ear.hub.refusals().documents == 0
    picture = ear.hub.snapshot("back-room")
    assert picture is not None
    assert picture.tanks[0].model.minutes_to_low is not None
    assert picture.tanks[0].model.minutes_to_low.value == 1e11
    assert len(picture.alarms[0].message) == 1000


def test_a_document_of_a_later_version_with_more_keys_is_still_read() -> None:
    messages = make_changes().look(make_room(), 1.0)
    payload = next(m.payload for m in messages if m.name == "tank/t01").replace(
        b'{"v":1', b'{"more":[1],"v":1'
    )
    assert read(TankStatus, payload, 10_000).tank.tank_id == "t01"


class TestLateNews:
    """What a bridge hands on when it comes back, while the watch behind it is dead."""

    def test_status_made_during_the_outage_is_old_news(self) -> None:
        ear = Ear()
        changes = make_changes(tank_every_s=1.0)
        ear.hear("online", beat(100.0, time_s=NOW_S))
        ear.hear_all(changes.look(make_room(), 100.0))
        ear.clock.advance(3600.0)
        assert ear.word == Word.SILENT
        # The bridge is back and repeats what the room's broker kept of the minutes before the watch died.
        ear.hear("online", beat(240.0, time_s=NOW_S + 140))
        for up_s, water_c in ((250.0, 25.5), (255.0, 26.0)):
            room = make_room([make_tank(1, water_c), make_tank(2)], time_s=NOW_S + up_s - 100)
            ear.hear_all(changes.look(room, up_s))
        assert ear.word == Word.SILENT
        picture = ear.hub.snapshot("back-room")
        assert picture is not None
        assert picture.tanks[0].values["temperature"].value == 26.0
        assert picture.tanks[0].values["temperature"].stale

    def test_a_room_whose_machine_slept_is_believed_again(self) -> None:
        ear = Ear()
        ear.hear("online", beat(100.0, time_s=NOW_S))
        ear.clock.advance(3600.0)
        ear.hear("online", beat(101.0, time_s=NOW_S + 3600))
        ear.clock.advance(20.0)
        ear.hear("online", beat(121.0, time_s=NOW_S + 3620))
        assert ear.word == Word.ONLINE
        ear.clock.advance(20.0)
        ear.hear("online", beat(141.0, time_s=NOW_S + 3640))
        ear.clock.advance(60.0)
        assert ear.word == Word.ONLINE

    def test_the_status_of_a_tank_is_a_sign_of_life_too(self) -> None:
        ear = Ear()
        changes = make_changes(tank_every_s=1.0)
        ear.hear("online", beat(100.0, time_s=NOW_S), retained=True)
        ear.hear_all(changes.look(make_room(), 100.0), retained=True)
        assert ear.word == Word.WAITING
        ear.clock.advance(1.0)
        ear.hear_all(changes.look(make_room([make_tank(1, 25.5), make_tank(2)]), 101.0))
        assert ear.word == Word.ONLINE
