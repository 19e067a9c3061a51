"""Whatever bytes arrive, a decoder refuses them or gives sound readings; it never raises anything else."""

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.config import ChannelConfig
from tankwatch.decode import Refused, lines, scalar, senml, w1_slave
from tankwatch.decode.channel import BoundChannel
from tankwatch.decode.decoder import Decoder
from tankwatch.reading import KINDS, ON_OFF_CHANNELS, Channel

NOW_S = 1_790_000_000.0

_JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**400), 10**400)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.sampled_from([0, 1, 24.5, -127, 85, 1e308, -1e308, "on", "work", "24.5", "\x1b[2J", "\u202e"])
    | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=3), inner, max_size=4),
    max_leaves=10,
)
_TEXTS: dict[Channel, tuple[str | None, ...]] = dict.fromkeys(Channel, (None,)) | {
    Channel.SERVICE: ("work", "water-out", "end"),
}
_FIELDS = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "t", "ut", "v", "vs", "vb", "vd", "s", "x", "x_"]
)
_NAMES = st.sampled_from(["t01/", "temperature", "heater", "t01/ph", "", "service", ":", "light"])
_PACKS = st.lists(st.dictionaries(_FIELDS, _NAMES | _JSON, max_size=6), max_size=4)
_PAIRS = st.lists(st.tuples(_NAMES, st.text(max_size=5)), max_size=4).map(
    lambda pairs: " ".join(f"{n}={v}" for n, v in pairs).encode("utf-8", "surrogatepass")
)


def as_json(value: Any) -> bytes:
    return json.dumps(value).encode()


_PAYLOADS = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=50).map(str.encode),
    _JSON.map(as_json),
    _PACKS.map(as_json),
    _PAIRS,
)

_WAYS = ["senml", "number", "onoff", "pointer:", "pointer:/v", "pointer:/0/v"]
_CHANNELS = [
    BoundChannel("t01", ChannelConfig.model_validate({"kind": kind, "source": "s", "decode": way}))
    for kind in KINDS
    for way in _WAYS
    if (way != "onoff" or kind in (Channel.HEATER, Channel.LIGHT, Channel.SERVICE))
    and (way != "number" or kind is not Channel.SERVICE)
]


@pytest.mark.parametrize(
    "read", [senml.resolve, scalar.number, scalar.on_off, lines.pairs, w1_slave.temperature_c]
)
def test_only_refused_is_raised(read: Any) -> None:
    refusals: list[str] = []

    @given(_PAYLOADS)
    def check(payload: bytes) -> None:
        try:
            result = read(payload)
        except Refused as refused:
            refusals.append(str(refused))
        else:
            if isinstance(result, float):
                assert math.isfinite(result)

    check()
    assert refusals
    assert all(text.isprintable() for text in refusals)


@pytest.mark.parametrize("by_line", [False, True])
def test_readings_are_sound(by_line: bool) -> None:
    decoder = Decoder("s", _CHANNELS, by_line=by_line)

    @given(_PAYLOADS)
    def check(payload: bytes) -> None:
        decoded = decoder.decode(payload, NOW_S)
        assert decoded.readings or decoded.refused
        for reading in decoded.readings:
            assert math.isfinite(reading.value)
            assert 978_307_200 <= reading.time_s <= NOW_S + 60
            assert reading.text in _TEXTS[reading.channel]
            assert reading.channel not in ON_OFF_CHANNELS or reading.value in (0.0, 1.0)
        for refused in decoded.refused:
            assert str(refused).isprintable()

    check()


@given(_PACKS)
def test_resolved_records_are_sound(pack: Any) -> None:
    try:
        records = senml.resolve(as_json(pack), NOW_S)
    except Refused:
        return
    for record in records:
        assert record.name.isascii()
        assert record.name.isprintable()
        assert record.time_s is not None
        assert math.isfinite(record.time_s)
        assert isinstance(record.value, bool | str) or math.isfinite(record.value)
