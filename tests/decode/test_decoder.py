"""From payloads to readings: names, units, calibration, stamps, and what is refused."""

import json
from typing import Any

import pytest

from tankwatch.config import ChannelConfig
from tankwatch.decode import Reason
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoded, Decoder
from tankwatch.reading import Channel, Reading

NOW_S = 1_790_000_000.0


def bound(kind: str = "temperature", tank: str = "t01", **options: Any) -> BoundChannel:
    return BoundChannel(tank, ChannelConfig.model_validate({"kind": kind, "source": "s", **options}))


def decode(payload: Any, *channels: BoundChannel, by_line: bool = False) -> Decoded:
    if not isinstance(payload, bytes):
        payload = json.dumps(payload).encode()
    return Decoder("s", channels or (bound(),), by_line=by_line).decode(payload, NOW_S)


def values(decoded: Decoded) -> list[tuple[str, str, float]]:
    return [(r.tank, r.channel.value, r.value) for r in decoded.readings]


def reasons(decoded: Decoded) -> list[Reason]:
    return [refused.reason for refused in decoded.refused]


def test_a_pack_gives_readings_with_their_own_stamps() -> None:
    decoded = decode(
        [
            {"n": "t01/heater", "t": NOW_S - 10, "vb": True},
            {"n": "t01/temperature", "u": "Cel", "t": NOW_S - 20, "v": 24.81},
            {"n": "t01/service", "t": -5, "vs": "water-out"},
            {"n": "t01/other", "vs": "ignored"},
        ],
        bound("temperature"),
        bound("heater"),
        bound("service"),
    )
    assert decoded.readings == [
        Reading("t01", Channel.TEMPERATURE, NOW_S - 20, 24.81, source="s"),
        Reading("t01", Channel.HEATER, NOW_S - 10, 1.0, source="s"),
        Reading("t01", Channel.SERVICE, NOW_S - 5, 0.0, "water-out", source="s"),
    ]
    assert decoded.refused == []


def test_retained_is_marked() -> None:
    decoded = Decoder("s", [bound(decode="number")]).decode(b"24.5", NOW_S, retained=True)
    assert decoded.readings == [Reading("t01", Channel.TEMPERATURE, NOW_S, 24.5, retained=True, source="s")]


@pytest.mark.parametrize(
    ("record_name", "name", "takes"),
    [
        ("temperature", None, True),
        ("t01/temperature", None, True),
        ("urn:dev:mac:0024befffe804ff1:temperature", None, True),
        ("shelf/t01/temperature", None, True),
        ("t02/temperature", None, False),  # another tank of this configuration
        ("shelf:t02/temperature", None, False),
        ("air-temperature", None, False),  # ends so, but not after a slash or colon
        ("temp/28E15A01000000A7", "temp/28E15A01000000A7", True),
        ("dev:temp/28E15A01000000A7", "temp/28E15A01000000A7", True),
        ("temperature", "temp", False),
        ("t01/temperature", "temperature", True),
    ],
)
def test_which_record_a_channel_takes(record_name: str, name: str | None, takes: bool) -> None:
    pack = [{"n": record_name, "v": 24.5}]
    decoded = decode(pack, bound(name=name), bound("heater", tank="t02"))
    assert values(decoded) == ([("t01", "temperature", 24.5)] if takes else [])
    assert reasons(decoded) == ([] if takes else [Reason.NO_RECORD])


def test_tanks_that_share_a_port_get_their_own_records() -> None:
    pack = [{"n": "t02/temperature", "v": 22}, {"n": "t01/temperature", "v": 24}]
    decoded = decode(pack, bound(), bound(tank="t02"))
    assert sorted(values(decoded)) == [("t01", "temperature", 24.0), ("t02", "temperature", 22.0)]


def test_the_whole_name_wins_and_two_half_fits_are_refused() -> None:
    pack = [{"n": "a/temperature", "v": 1}, {"n": "temperature", "v": 2}]
    assert values(decode(pack)) == [("t01", "temperature", 2.0)]
    pack = [
        {"bn": "2001:db8::2/", "n": "temperature", "v": 25.2},
        {"bn": "2001:db8::1/", "n": "temperature", "v": 12.3},
    ]
    decoded = decode(pack)
    assert (values(decoded), reasons(decoded)) == ([], [Reason.AMBIGUOUS])
    assert values(decode(pack, bound(name="2001:db8::1/temperature"))) == [("t01", "temperature", 12.3)]


def test_a_buffered_list_comes_out_in_order_of_time() -> None:
    pack = [{"bn": "temperature", "bt": NOW_S, "t": -1, "v": 3}, {"t": -3, "v": 1}, {"t": -2, "v": 2}]
    assert [r.value for r in decode(pack).readings] == [1.0, 2.0, 3.0]


@pytest.mark.parametrize(
    ("kind", "unit", "raw", "value"),
    [
        ("temperature", "Cel", 24.5, 24.5),
        ("temperature", None, 24.5, 24.5),
        ("temperature", "K", 298.15, 25.0),
        ("air", "K", 273.15, 0.0),
        ("power", "W", 150, 150.0),
        ("power", "kW", 0.15, 150.0),
        ("humidity", "%RH", 55, 55.0),
        ("humidity", "/", 0.55, 55.0),
        ("humidity", "%", 0.55, 55.0),  # RFC 8428: a ratio of 0 to 1
        ("level", "m", 0.05, 5.0),
        ("level", "mm", 50, 5.0),
        ("flow", "l/s", 0.25, 900.0),
        ("flow", "m3/s", 0.00025, 900.0),
        ("ph", "pH", 7.1, 7.1),
        ("heater", "/", 1, 1.0),
        ("light", None, 0, 0.0),
    ],
)
def test_units(kind: str, unit: str | None, raw: float, value: float) -> None:
    record = {"n": kind, "v": raw} | ({"u": unit} if unit else {})
    (reading,) = decode([record], bound(kind)).readings
    assert reading.value == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "record", "reason"),
    [
        ("temperature", {"u": "degF", "v": 76}, Reason.WRONG_UNIT),
        ("temperature", {"u": "C", "v": 24}, Reason.WRONG_UNIT),  # coulomb
        ("temperature", {"u": "%RH", "v": 55}, Reason.WRONG_UNIT),
        ("heater", {"u": "W", "v": 1}, Reason.WRONG_UNIT),
        ("ph", {"u": "Cel", "v": 7}, Reason.WRONG_UNIT),
        ("temperature", {"vb": True}, Reason.WRONG_TYPE),
        ("temperature", {"vs": "warm"}, Reason.WRONG_TYPE),
        ("temperature", {"v": 1000}, Reason.ABSURD),
        ("temperature", {"u": "K", "v": 24.5}, Reason.ABSURD),
        ("humidity", {"u": "%", "v": 55}, Reason.ABSURD),
        ("ph", {"v": 40}, Reason.ABSURD),
        ("heater", {"v": 0.5}, Reason.ABSURD),
        ("heater", {"vs": "warm"}, Reason.UNKNOWN_WORD),
        ("service", {"vs": "party"}, Reason.UNKNOWN_WORD),
        ("service", {"v": 1}, Reason.UNKNOWN_WORD),
    ],
)
def test_values_that_are_refused(kind: str, record: dict[str, Any], reason: Reason) -> None:
    decoded = decode([{"n": kind, **record}], bound(kind))
    assert (decoded.readings, reasons(decoded)) == ([], [reason])


def test_one_bad_value_does_not_cost_the_others() -> None:
    decoded = decode([{"n": "temperature", "v": 999}, {"n": "heater", "vb": False}], bound(), bound("heater"))
    assert values(decoded) == [("t01", "heater", 0.0)]
    assert reasons(decoded) == [Reason.ABSURD]


def test_calibration() -> None:
    (tenths,) = decode(b"246", bound(decode="number", scale=0.1, offset_c=-0.5)).readings
    assert tenths.value == pytest.approx(24.1)
    (kelvin,) = decode([{"n": "temperature", "u": "K", "v": 298.15}], bound(offset_c=0.25)).readings
    assert kelvin.value == pytest.approx(25.25)


@pytest.mark.parametrize("code", [85.0, -127.0])
@pytest.mark.parametrize("options", [{}, {"offset_c": 0.3}, {"scale": 1.01}, {"scale": 0.98, "offset_c": -1}])
def test_fault_codes_reach_the_watchdog_untouched(code: float, options: dict[str, Any]) -> None:
    """85.0: DS18B20 data sheet; -127: common practice of probe libraries, no published source."""
    decoded = decode([{"n": "temperature", "u": "Cel", "v": code}], bound(**options))
    assert values(decoded) == [("t01", "temperature", code)]


def test_a_scale_that_changes_the_unit_leaves_85_a_plain_number() -> None:
    assert values(decode(b"85", bound(decode="number", scale=0.1))) == [("t01", "temperature", 8.5)]
    assert values(decode(b"850", bound(decode="number", scale=0.1, offset_c=1))) == [
        ("t01", "temperature", 85.0)
    ]


@pytest.mark.parametrize(("raw", "on"), [(900, 1.0), (500, 0.0), (499.9, 0.0), (-3, 0.0)])
def test_on_above_compares_the_raw_number(raw: float, on: float) -> None:
    channel = bound("light", on_above=500)
    assert values(decode([{"n": "light", "u": "lx", "v": raw}], channel)) == [("t01", "light", on)]
    assert values(decode(str(raw).encode(), bound("light", on_above=500, decode="number"))) == [
        ("t01", "light", on)
    ]


def test_invert_swaps_on_and_off() -> None:
    for payload in (b"on", b"1"):
        assert values(decode(payload, bound("heater", decode="onoff", invert=True))) == [
            ("t01", "heater", 0.0)
        ]
    channel = bound("heater", on_above=5, invert=True)
    assert values(decode([{"n": "heater", "v": 3}], channel)) == [("t01", "heater", 1.0)]


@pytest.mark.parametrize(
    ("payload", "pointer", "kind", "value"),
    [
        ({"a": {"b": 24.5}}, "/a/b", "temperature", 24.5),
        ({"a": ["24.5"]}, "/a/0", "temperature", 24.5),
        (24.5, "", "temperature", 24.5),
        ({"relay": "ON"}, "/relay", "heater", 1.0),
        ({"relay": False}, "/relay", "heater", 0.0),
        ({"relay": 1}, "/relay", "heater", 1.0),
        ({"m~n/x": 7}, "/m~0n~1x", "ph", 7.0),
    ],
)
def test_pointers(payload: Any, pointer: str, kind: str, value: float) -> None:
    assert values(decode(payload, bound(kind, decode="pointer:" + pointer))) == [("t01", kind, value)]


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b'{"b":1}', Reason.POINTER_MISS),
        (b'{"a":null}', Reason.WRONG_TYPE),
        (b'{"a":[1]}', Reason.WRONG_TYPE),
        (b'{"a":true}', Reason.WRONG_TYPE),
        (b'{"a":"warm"}', Reason.NOT_A_NUMBER),
        (b'{"a":"\\u001b[2J"}', Reason.CONTROL_CHARACTERS),
        (b'{"a":1e999}', Reason.NOT_FINITE),
        (b'{"a":1' + b"0" * 400 + b"}", Reason.NOT_FINITE),
        (b'{"a":NaN}', Reason.NOT_FINITE),
        (b'{"a":' * 300, Reason.TOO_DEEP),
        (b"{", Reason.NOT_JSON),
    ],
)
def test_pointed_payloads_that_are_refused(payload: bytes, reason: Reason) -> None:
    decoded = decode(payload, bound(decode="pointer:/a"))
    assert (decoded.readings, reasons(decoded)) == ([], [reason])


@pytest.mark.parametrize(
    ("payload", "word"),
    [(b"work", "work"), (b"water-out", "water-out"), (b"end", "end"), (b"on", "work"), (b"off", "end")],
)
def test_a_service_channel_takes_bare_words(payload: bytes, word: str) -> None:
    (reading,) = decode(payload, bound("service", decode="onoff")).readings
    assert (reading.text, reading.value) == (word, 0.0)


def test_long_payloads_are_refused_unread() -> None:
    assert reasons(decode(b"[" + b" " * 65_536, bound())) == [Reason.TOO_LONG]
    assert reasons(decode(b" " * 65_537, bound(decode="number"))) == [Reason.TOO_LONG]
    assert values(decode(b" " * 65_532 + b"24.5", bound(decode="number"))) == [("t01", "temperature", 24.5)]


@pytest.mark.parametrize(
    ("stamp_s", "kept_s"),
    [
        (NOW_S + 60, NOW_S + 60),
        (NOW_S + 61, None),
        (NOW_S - 86_400 * 30, NOW_S - 86_400 * 30),  # a probe that buffered for a month
        (978_307_200, 978_307_200),
        (978_307_199, None),  # 2000: a clock that was never set
        (2.0**28, None),
        (-3600, NOW_S - 3600),  # relative
        (0, NOW_S),
        (120, None),  # relative, two minutes ahead
        (-1e14, None),
    ],
)
def test_stamps_that_cannot_be_right_give_way_to_arrival(stamp_s: float, kept_s: float | None) -> None:
    decoded = decode([{"n": "temperature", "v": 24.5, "t": stamp_s}])
    (reading,) = decoded.readings
    assert reading.time_s == (NOW_S if kept_s is None else kept_s)
    assert reasons(decoded) == ([Reason.CLOCK] if kept_s is None else [])


def test_a_machine_without_a_set_clock_keeps_relative_stamps() -> None:
    decoded = Decoder("s", [bound()]).decode(b'[{"n":"temperature","v":24.5,"t":-5}]', 1000.0)
    assert (decoded.readings[0].time_s, decoded.refused) == (995.0, [])


def test_serial_lines_of_pairs() -> None:
    channels = (bound(), bound("heater"), bound("light", on_above=100), bound("service"))
    decoded = decode(
        b"temperature=24.81 t01/heater=on light=250 service=work noise=1", *channels, by_line=True
    )
    assert sorted(values(decoded)) == [
        ("t01", "heater", 1.0),
        ("t01", "light", 1.0),
        ("t01", "service", 0.0),
        ("t01", "temperature", 24.81),
    ]
    assert decoded.refused == []
    assert {r.time_s for r in decoded.readings} == {NOW_S}


def test_serial_lines_of_other_forms() -> None:
    assert values(decode([{"n": "temperature", "v": 24.5}], bound(), by_line=True)) == [
        ("t01", "temperature", 24.5)
    ]
    assert values(decode(b"24.5", bound(decode="number"), by_line=True)) == [("t01", "temperature", 24.5)]
    assert values(decode(b'{"a":24.5}', bound(decode="pointer:/a"), by_line=True)) == [
        ("t01", "temperature", 24.5)
    ]
    assert reasons(decode(b"boot: ready", bound(), by_line=True)) == [Reason.NOT_A_LINE]
    assert reasons(decode(b"temperature=warm", bound(), by_line=True)) == [Reason.NOT_A_NUMBER]


def test_invented_names_do_not_fill_the_memory() -> None:
    decoder = Decoder("s", [bound()])
    for i in range(25_000):
        decoder.decode(b'[{"n":"x%d","v":1}]' % i, NOW_S)
    assert len(decoder._routes) <= 10_000


def test_a_truth_value_on_a_power_channel_tells_of_the_mains() -> None:
    decoded = decode([{"n": "power", "vb": False}], bound("power"))
    assert [(r.channel, r.value, r.text) for r in decoded.readings] == [(Channel.MAINS, 0.0, None)]
    watts = decode([{"n": "power", "u": "W", "v": 148.5}], bound("power"))
    assert [(r.channel, r.value) for r in watts.readings] == [(Channel.POWER, 148.5)]
