"""What streams seem to be, and the configuration that comes of them; nothing is opened here."""

import json
import tomllib
from typing import Any

import pytest

from tankwatch.config import Config
from tankwatch.decode.decoder import Decoder
from tankwatch.decode.lines import checksum
from tankwatch.listen.capture import Arrival
from tankwatch.listen.listen import Listening, as_lines
from tankwatch.reading import Channel, Reading
from tankwatch.sources.source_set import channels_of
from tankwatch.sources.topics import TopicTable

NOW_S = 1_790_000_000.0
BROKER = '[[source]]\nid = "broker"\nkind = "mqtt"\n'
PORT = '[[source]]\nid = "serial1"\nkind = "serial"\nport = "/dev/ttyX"\n'


def _payload(value: Any) -> bytes:
    return (
        value
        if isinstance(value, bytes)
        else value.encode()
        if isinstance(value, str)
        else json.dumps(value).encode()
    )


def _listen(*messages: tuple[str, Any], every_s: float = 10.0, kind: str = "mqtt") -> Listening:
    """Take in `messages`; those on one topic come `every_s` seconds apart."""
    listening = Listening()
    seen: dict[str, int] = {}
    for where, value in messages:
        number = seen[where] = seen.get(where, -1) + 1
        source = "broker" if kind == "mqtt" else "serial1"
        listening.take(Arrival(source, kind, where, _payload(value), NOW_S + number * every_s))
    return listening


def _seems(listening: Listening) -> dict[str, str]:
    return {one.stream.place.label: one.guess.what for one in listening.heard()}


def _config(listening: Listening, table: str = BROKER) -> Config:
    text = listening.report([table])["configuration"]
    assert text is not None
    return Config.model_validate(tomllib.loads(text))


def _read(config: Config, topic: str, payload: Any) -> dict[tuple[str, Channel], float]:
    """Return what a watch with `config` reads of a message."""
    decoded = (
        TopicTable("broker", channels_of("broker", config)).decoder(topic).decode(_payload(payload), NOW_S)
    )
    return {(reading.tank, reading.channel): reading.value for reading in decoded.readings}


def _rising(first: float, step: float = 0.01, count: int = 8) -> list[float]:
    return [round(first + step * n, 4) for n in range(count)]


@pytest.mark.parametrize(
    ("topic", "values", "what"),
    [
        ("room/t03/water", _rising(24.6), "water temperature"),
        ("shelf/probe/temp", ["24.8 °C", "24.9 °C", "24.9 °C"], "water temperature"),
        ("shelf/probe/temp", _rising(76.2, 0.1), "water temperature"),  # Fahrenheit
        ("shelf/probe/temp", [246, 247, 247, 248], "water temperature"),  # tenths
        ("room/air/temperature", _rising(21.5), "air temperature"),
        ("room/cpu/temperature", _rising(31.0), "a temperature of something else"),
        (
            "room/t03/setpoint_temperature",
            [25.0, 25.0, 25.0],
            "a temperature that is wished for, not measured",
        ),
        ("garage/freezer/temperature", _rising(-18.2), "a temperature, but not of a tank"),
        ("room/t03/heater", ["on", "off", "on"], "heater, on or off"),
        ("room/t03/heater", [1, 0, 1], "heater, on or off"),
        ("room/t03/lamp", [True, False], "light, on or off"),
        ("room/t03/pump", ["on", "on"], "on or off, of what its name does not say"),
        ("house/meter/power", [24.5, 24.7, 24.1], "electrical power"),
        ("room/t03/lux", [24.0, 31.0], "illuminance"),
        ("room/t03/humidity", _rising(24.0), "relative humidity"),
        ("node/7/uptime", [20, 21, 22, 23], "a counter"),
        ("node/7/value", _rising(24.6), "a number"),
        ("node/7/name", [{"n": "shelf lamp"}], "a text"),
        ("room/t03/water", [85.0, 85.0, -127.0], "nothing but fault codes of a 1-wire probe"),
    ],
)
def test_what_it_seems_to_be(topic: str, values: list[Any], what: str) -> None:
    assert list(_seems(_listen(*((topic, value) for value in values))).values()) == [what]


def test_interval_faults_and_raw_text_are_told() -> None:
    listening = _listen(*(("room/t03/water", v) for v in [*_rising(24.6, count=10), 85.0, 24.7, 31.9, 24.7]))
    listening.take(Arrival("broker", "mqtt", "room/t03/water", b"\x1b[2J nonsense", NOW_S + 200))
    (stream,) = listening.report([BROKER])["streams"]
    assert stream["interval_s"] == 10.0
    assert stream["raw"] == "24.7"
    faults = " | ".join(stream["faults"])
    for words in ("1 times 85", "2 jumps", "1 times control characters"):
        assert words in faults
    lines = list(as_lines(listening.report([BROKER])))
    assert not any("\x1b" in line for line in lines)


def test_a_probe_with_a_wrong_clock_is_told() -> None:
    pack = [{"n": "temperature", "u": "Cel", "v": 24.5, "t": NOW_S + 7200}]
    (stream,) = _listen(("fish/t01", pack)).report([BROKER])["streams"]
    assert stream["faults"] == ["its clock is 7200 s ahead"]


def test_the_interval_of_a_probe_that_sends_batches_is_that_of_the_batches() -> None:
    listening = Listening()
    for number in range(15):
        arrived_s = NOW_S + 300 * (number // 5) + 0.01 * (number % 5)
        listening.take(Arrival("broker", "mqtt", "a/water", b"24.5", arrived_s))
    (one,) = listening.heard()
    assert one.stream.interval_s == pytest.approx(300, abs=1)


def test_a_retained_message_is_no_stream() -> None:
    listening = Listening()
    listening.take(Arrival("broker", "mqtt", "room/t03/water", b"24.5", NOW_S, retained=True))
    (stream,) = listening.report([BROKER])["streams"]
    assert stream["faults"] == ["only kept by the broker: nobody publishes it now"]


def test_a_block_of_senml_works_unedited() -> None:
    pack = [
        {"n": "28-000000015ae1/temperature", "u": "Cel", "v": 24.8125},
        {"n": "heater", "vb": True},
        {"n": "light", "vb": False},
    ]
    config = _config(_listen(*[("fish/t01", pack)] * 3))
    (tank,) = config.tank
    assert (tank.id, tank.setpoint_c, tank.probe_interval_s) == ("t01", 25.0, 10.0)
    assert _read(config, "fish/t01", pack) == {
        ("t01", Channel.TEMPERATURE): 24.8125,
        ("t01", Channel.HEATER): 1.0,
        ("t01", Channel.LIGHT): 0.0,
    }


def test_two_sensors_in_one_pack_become_two_tanks() -> None:
    pack = [
        {"n": "28-000000015ae1/temperature", "u": "Cel", "v": 24.8125},
        {"n": "28-000000025ae1/temperature", "u": "Cel", "v": 26.5},
        {"n": "heater", "vb": True},
    ]
    config = _config(_listen(*[("fish/rack", pack)] * 3))
    assert sorted(_read(config, "fish/rack", pack).values()) == [24.8125, 26.5]
    assert len({tank.id for tank in config.tank}) == 2


def test_several_tanks_in_one_payload() -> None:
    payload = {
        "ts": NOW_S * 1000,
        "tanks": [{"waterTemp": 24.6, "heater": "on"}, {"waterTemp": 26.1, "heater": "off"}],
        "cpu": {"temp": 32.0},
    }
    config = _config(_listen(*[("rack/report", payload)] * 4))
    found = _read(config, "rack/report", payload)
    assert sorted((channel.value, value) for (_, channel), value in found.items()) == [
        ("heater", 0.0), ("heater", 1.0), ("temperature", 24.6), ("temperature", 26.1),
    ]  # fmt: skip


def test_topics_with_one_value_each_are_put_together() -> None:
    messages = [("room/t03/water", v) for v in _rising(24.6)] + [
        ("room/t03/heater", w) for w in ("on", "off", "on")
    ]
    config = _config(_listen(*messages))
    assert [tank.id for tank in config.tank] == ["t03"]
    assert _read(config, "room/t03/heater", "on") == {("t03", Channel.HEATER): 1.0}
    assert _read(config, "room/t03/water", "24.7") == {("t03", Channel.TEMPERATURE): 24.7}


def test_fahrenheit_and_tenths_are_read_as_celsius() -> None:
    messages = [("a/tank/temp", v) for v in _rising(77.0, 0.1)] + [
        ("b/tank/temp", v) for v in (246, 247, 247, 248)
    ]
    config = _config(_listen(*messages))
    (fahrenheit,) = _read(config, "a/tank/temp", 77.0).values()
    (tenths,) = _read(config, "b/tank/temp", 246).values()
    assert fahrenheit == pytest.approx(25.0)
    assert tenths == pytest.approx(24.6)


def test_a_serial_port_with_and_without_checksums() -> None:
    pack = b'[{"n":"temperature","u":"Cel","v":24.81},{"n":"heater","vb":true}]'
    line = pack + b"*%04X" % checksum(pack)
    damaged = line.replace(b"24.81", b"34.81")
    listening = _listen(("/dev/ttyX", line), ("/dev/ttyX", line), ("/dev/ttyX", damaged), kind="serial")
    (water, _) = listening.heard()
    assert water.stream.refused == {"bad checksum": 1}
    config = _config(listening, PORT)
    decoded = Decoder("serial1", channels_of("serial1", config), by_line=True).decode(line, NOW_S)
    assert decoded.readings[0] == Reading(
        config.tank[0].id, Channel.TEMPERATURE, NOW_S, 24.81, source="serial1"
    )
    pairs = _listen(*[("/dev/ttyX", "temperature=24.81 heater=1 light=0")] * 3, kind="serial")
    assert {channel.kind.value for channel in _config(pairs, PORT).tank[0].channel} == {
        "temperature",
        "heater",
        "light",
    }


def test_without_water_nothing_is_proposed() -> None:
    assert (
        _listen(("node/7/uptime", 20), ("node/7/state", b"\xff\x00")).report([BROKER])["configuration"]
        is None
    )


def test_a_flood_of_streams_is_bounded() -> None:
    listening = Listening()
    for number in range(5_100):
        listening.take(Arrival("broker", "mqtt", f"a/{number}", b"1", NOW_S))
    assert len(listening.streams) == 5_000
    assert listening.left_out == 100


def test_a_stream_that_no_configuration_can_read_is_left_out_and_that_is_told() -> None:
    listening = _listen(
        *(("room/t03/water", value) for value in _rising(24.6)),
        *(("room/t03/\0/heater", value) for value in ["on", "off", "on"]),
        *(("ho\0me/reef/temp", value) for value in _rising(24.9)),
    )
    config = _config(listening)
    assert [tank.id for tank in config.tank] == ["t03"]
    told = {stream["where"]: stream["faults"] for stream in listening.report([BROKER])["streams"]}
    assert told["room/t03/water"] == []
    assert told["ho\0me/reef/temp"] == [
        "left out of the configuration, which would not load with it: "
        "topic: expected an MQTT topic filter, such as fish/t01/state or fish/+/state"
    ]
    assert any("left out of the configuration" in line for line in as_lines(listening.report([BROKER])))


def test_where_every_stream_is_left_out_nothing_is_proposed() -> None:
    listening = _listen(*(("ho\0me/reef/temp", value) for value in _rising(24.9)))
    report = listening.report([BROKER])
    assert report["configuration"] is None
    assert len(report["streams"][0]["faults"]) == 1
