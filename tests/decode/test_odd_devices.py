"""What real devices send beside SenML: units in texts, Fahrenheit, tenths, words, stamps in milliseconds."""

import json
from typing import Any

import pytest

from tankwatch.config import ChannelConfig
from tankwatch.decode import Reason, Refused, scalar
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoder
from tankwatch.reading import Channel

NOW_S = 1_790_000_000.0


def _values(payload: Any, kind: str = "temperature", **options: Any) -> list[float]:
    config = ChannelConfig.model_validate({"kind": kind, "source": "s", **options})
    if not isinstance(payload, bytes):
        payload = json.dumps(payload).encode()
    decoded = Decoder("s", [BoundChannel("t01", config)]).decode(payload, NOW_S)
    return [reading.value for reading in decoded.readings]


@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        ("24.8 °C", 24.8), ("24.8C", 24.8), ("24.8 celsius", 24.8), ("77 °F", 25.0), ("32F", 0.0),
        ("212 degF", 100.0), ("298.15 K", 25.0), ("24.8", 24.8), ("-40 °F", -40.0),
    ],
)  # fmt: skip
def test_temperatures_with_their_unit_behind(text: str, celsius: float) -> None:
    """Fixed points of the Fahrenheit scale: 32 is 0 °C, 212 is 100 °C, -40 is -40 °C (its definition)."""
    assert _values(text.encode(), decode="number") == pytest.approx([celsius])
    assert _values({"water": text}, decode="pointer:/water") == pytest.approx([celsius])


@pytest.mark.parametrize(
    ("kind", "text", "value"),
    [
        ("power", "0.15 kW", 150.0), ("humidity", "55 %", 55.0), ("flow", "10 L/min", 600.0),
        ("flow", "600 l/h", 600.0), ("level", "31 mm", 3.1), ("ph", "7.2 pH", 7.2),
    ],
)  # fmt: skip
def test_other_quantities(kind: str, text: str, value: float) -> None:
    assert _values(text.encode(), kind, decode="number") == pytest.approx([value])


@pytest.mark.parametrize("text", ["24.8 x", "24.8 C C", "C 24.8", "24 8", "1e3 lux lux"])
def test_other_texts_are_no_quantity(text: str) -> None:
    with pytest.raises(Refused) as refusal:
        scalar.quantity(text)
    assert refusal.value.reason is Reason.NOT_A_NUMBER


def test_a_unit_that_is_not_the_channels_is_refused() -> None:
    assert _values(b"24.8 W", decode="number") == []


def test_bare_fahrenheit_by_scale_and_offset() -> None:
    options: dict[str, Any] = {"decode": "number", "scale": 0.5555555556, "offset_c": -17.7777777778}
    assert _values(b"77", **options) == pytest.approx([25.0])
    assert _values(b"85", **options) == pytest.approx([29.4444], abs=1e-3)  # an ordinary 85 °F
    assert _values(b"185", **options) == [85.0]  # the power-on value reaches the watchdog as such


def test_the_power_on_value_in_words_reaches_the_watchdog() -> None:
    assert _values(b"185 F", decode="number") == [85.0]
    assert _values(b"85 C", decode="number", offset_c=0.3) == [85.0]
    assert _values(b"85 F", decode="number") == pytest.approx([29.4444], abs=1e-3)


def test_tenths() -> None:
    assert _values({"t": 248}, decode="pointer:/t", scale=0.1) == pytest.approx([24.8])


@pytest.mark.parametrize("word", ["heating", "ACTIVE", "Enabled", "on", True, 1, "1"])
def test_words_for_a_heater_that_is_on(word: Any) -> None:
    assert _values({"relay": {"heater": word}}, "heater", decode="pointer:/relay/heater") == [1.0]


@pytest.mark.parametrize("word", ["idle", "inactive", "Disabled", "off", False, 0])
def test_words_for_a_heater_that_is_off(word: Any) -> None:
    assert _values({"relay": {"heater": word}}, "heater", decode="pointer:/relay/heater") == [0.0]


def test_a_current_in_words_switches_at_on_above() -> None:
    assert _values(b"0.62 A", "heater", decode="number", on_above=0.1) == [1.0]
    assert _values(b"0 A", "heater", decode="number", on_above=0.1) == [0.0]


def test_several_tanks_in_one_payload() -> None:
    channels = [
        BoundChannel(
            tank, ChannelConfig.model_validate({"kind": "temperature", "source": "s", "decode": pointer})
        )
        for tank, pointer in (("t01", "pointer:/tanks/0/c"), ("t02", "pointer:/tanks/1/c"))
    ]
    decoded = Decoder("s", channels).decode(b'{"tanks":[{"c":24.5},{"c":"78.8 F"}]}', NOW_S)
    assert [(r.tank, r.value) for r in decoded.readings] == [("t01", 24.5), ("t02", pytest.approx(26.0))]


def test_stamps_in_milliseconds_are_understood() -> None:
    pack = [{"n": "temperature", "u": "Cel", "v": 24.8, "t": (NOW_S - 30) * 1000}]
    config = ChannelConfig(kind=Channel.TEMPERATURE, source="s")
    decoded = Decoder("s", [BoundChannel("t01", config)]).decode(json.dumps(pack).encode(), NOW_S)
    assert [reading.time_s for reading in decoded.readings] == [NOW_S - 30]
    assert decoded.refused == []
