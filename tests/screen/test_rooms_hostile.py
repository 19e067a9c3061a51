"""Whatever a room may say within the bounds of its documents is drawn, and steers no terminal."""

import json
import sys
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent.parent / "rooms"))

from rooms_data import NOW_S, RUN, Ear, beat

from tankwatch.alarms.model import AlarmState, Condition, Priority
from tankwatch.rooms.heard import Word
from tankwatch.screen.alarmdraw import draw_detail, draw_row
from tankwatch.screen.ink import plain
from tankwatch.screen.rooms.draw import draw_chosen, draw_rooms, draw_sentence
from tankwatch.screen.rooms.standing import standing_of
from tankwatch.screen.sources_page import draw_sources
from tankwatch.screen.standing import ordered, view_of
from tankwatch.screen.steady import Steady
from tankwatch.screen.summary import sentence
from tankwatch.screen.tankdraw import Past, draw_details, draw_head
from tankwatch.screen.wall import Showing, lay_out

UTC = ZoneInfo("Etc/UTC")
NUMBERS = st.one_of(
    st.sampled_from([0, -1, 1, 1e11, -1e9, 1e-300, 0.1]), st.floats(-1e9, 1e11, allow_nan=False)
)
MAYBE = st.none() | NUMBERS
KEYS = st.text(max_size=20) | st.sampled_from(["\x1b[2J", "a\u202eb", "[/red]"])
TEXTS = st.one_of(
    st.sampled_from(
        ["", "[/red][0]", "\x1b[2J\x1b]0;x\x07", "a\u202eb", "水" * 300, "\n\r\t", "e" + "\u0301" * 40]
    ),
    st.text(max_size=40),
)
ESTIMATE = st.none() | st.fixed_dictionaries({"value": NUMBERS, "uncertainty": NUMBERS})
CHANNELS = ["temperature", "heater", "light", "air", "power", "service", "humidity", "ph", "nonsense"]
VALUE = st.fixed_dictionaries(
    {"value": NUMBERS, "time_s": NUMBERS, "age_s": NUMBERS, "stale": st.booleans(), "retained": st.booleans()}
)
_ESTIMATED = (
    "heater_w", "loss_w_per_k", "time_constant_h", "room_c", "expected_duty", "coldest_room_c", "stuck_on_c",
    "minutes_to_low", "minutes_to_high",
)  # fmt: skip
_MEASURED = (
    "rate_c_per_h", "swing_24h_c", "duty_1h", "duty_6h", "duty_24h", "light_hours_today", "light_hours_max",
)  # fmt: skip
MODEL = st.fixed_dictionaries(
    {},
    optional=dict.fromkeys(_ESTIMATED, ESTIMATE)
    | {"cycle_top_c": MAYBE, "cycle_bottom_c": MAYBE, "cycles_seen": st.integers(-5, 10**9)},
)
TANK = st.fixed_dictionaries(
    {
        "tank_id": st.just("t01"),
        "name": TEXTS,
        "setpoint_c": NUMBERS,
        "values": st.dictionaries(st.sampled_from(CHANNELS), VALUE),
        "service": st.none() | st.sampled_from(["work", "water-out", "other"]),
        "service_since_s": MAYBE,
        "model": MODEL,
    },
    optional=dict.fromkeys(_MEASURED, MAYBE),
)
ALARM = st.fixed_dictionaries(
    {
        "alarm_id": st.integers(0, 10**9),
        "tank": st.sampled_from(["t01", None]),
        "condition": st.sampled_from([c.value for c in Condition]),
        "state": st.sampled_from([s.value for s in AlarmState]),
        "priority": st.sampled_from([p.value for p in Priority]),
        "since_s": NUMBERS,
        "changed_s": NUMBERS,
        "message": TEXTS,
        "margin_min": MAYBE,
        "evidence": st.dictionaries(KEYS, NUMBERS | TEXTS | st.none() | st.lists(NUMBERS, max_size=3)),
        "subject": st.none() | TEXTS,
        "who": st.none() | TEXTS,
        "until_s": MAYBE,
    }
)
SOURCE = st.fixed_dictionaries(
    {"source_id": TEXTS, "kind": TEXTS, "state": TEXTS, "detail": TEXTS, "last_heard_age_s": MAYBE},
    optional={
        "received": st.integers(-1, 10**11),
        "refused": st.dictionaries(KEYS, st.integers(0, 9)),
        "last_refused": TEXTS,
    },
)


def _document(**content: Any) -> bytes:
    return json.dumps({"v": 1, "run": RUN, "up_s": 1.0, "time_s": NOW_S} | content).encode()


@settings(max_examples=60)
@given(
    TANK,
    st.lists(ALARM, max_size=4),
    st.lists(SOURCE, max_size=2),
    TEXTS,
    NUMBERS,
    st.tuples(NUMBERS, NUMBERS),
)
def test_it_is_drawn_whatever_it_says(
    tank: dict[str, Any],
    alarms: list[dict[str, Any]],
    sources: list[dict[str, Any]],
    name: str,
    started_s: float,
    band_c: tuple[float, float],
) -> None:
    ear = Ear()
    ear.hear("online", beat(1.0, time_s=NOW_S))
    tank |= {"low_c": min(band_c), "high_c": max(band_c) + 0.01}
    state = {"room": name[:80], "timezone": name[:80], "started_s": started_s, "tanks": ["t01"]}
    own = [alarm for alarm in alarms if alarm["tank"] is None]
    ear.hear("state", _document(**state, alarms=own, sources=sources))
    ear.hear("tank/t01", _document(tank=tank, alarms=[a for a in alarms if a["tank"] == "t01"]))
    status, snapshot = ear.hub.status("back-room"), ear.hub.snapshot("back-room")
    assert status is not None
    assert snapshot is not None
    lines = []
    for live in (True, False):
        view = view_of(snapshot, live=live)
        room = standing_of(status, view)
        sentence(view)
        for width in (40, 120):
            lines += draw_rooms([room], "", width) + draw_sentence([room], "", width)
            lines += draw_chosen(room, width, 12, Steady())
            lines += lay_out(ordered(view), width, 20, Steady(), Showing(live=live)).lines
            lines += draw_sources(snapshot, live, width)
            for standing in view.tanks:
                lines += draw_head(standing, width, view.time_s)
                lines += draw_details(standing, Past(), width, UTC, view.time_s)
            for alarm in snapshot.alarms:
                lines.append(draw_row(alarm, {}, width, UTC, view.time_s, None))
                lines += draw_detail(alarm, {}, width, UTC, view.time_s)
    assert status.word is Word.ONLINE
    assert [text for text in plain(lines) if not text.isprintable()] == []
