"""SenML against the examples of RFC 8428 section 5, and its rules one by one."""

import json
import time
from datetime import UTC, datetime
from typing import Any

import pytest

from tankwatch.decode import Reason, Refused, senml
from tankwatch.decode.units import ON_OFF_UNITS, UNITS
from tankwatch.reading import KINDS, Channel

NOW_S = 1_790_000_000.0


def resolve(pack: Any, now_s: float | None = NOW_S) -> list[senml.Record]:
    return senml.resolve(json.dumps(pack), now_s)


@pytest.mark.parametrize("example", ["1", "2", "3", "4", "5", "6", "7", "9", "12"])
def test_examples_of_the_rfc(format_checks: dict[str, dict[str, Any]], example: str) -> None:
    """RFC 8428 sections 5.1.1 to 5.1.7, as the rows of the data file name them."""
    row = format_checks[f"senml.ex{example}"]
    records = resolve(row["inputs"]["pack"], row["inputs"]["now"])
    got = [{"n": r.name, "t": r.time_s} | ({"u": r.unit} if r.unit else {}) | value_field(r) for r in records]
    key = str
    assert sorted(got, key=lambda r: key(sorted(r.items(), key=key))) == sorted(
        row["expected"]["resolved"], key=lambda r: key(sorted(r.items(), key=key))
    )


def value_field(record: senml.Record) -> dict[str, Any]:
    if isinstance(record.value, bool):
        return {"vb": record.value}
    return {"vs" if isinstance(record.value, str) else "v": record.value}


def test_smallest_absolute_time(format_checks: dict[str, dict[str, Any]]) -> None:
    """RFC 8428 section 4.5.3: from 2**28 on a time is absolute."""
    row = format_checks["senml.2p28"]
    absolute_s = row["inputs"]["t"]
    assert absolute_s == senml.ABSOLUTE_FROM_S
    shown = datetime.fromtimestamp(absolute_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    assert shown == row["expected"]
    pack = [{"n": "a", "v": 1, "t": absolute_s}, {"n": "a", "v": 1, "t": absolute_s - 1}]
    assert [r.time_s for r in resolve(pack)] == [absolute_s, NOW_S + absolute_s - 1]


def test_times_named_in_the_text(format_checks: dict[str, dict[str, Any]]) -> None:
    row = format_checks["senml.times"]
    for stamp_s, utc in zip(row["inputs"]["t"], row["expected"]["utc"], strict=True):
        (record,) = resolve([{"n": "a", "v": 1, "t": stamp_s}])
        assert record.time_s == pytest.approx(datetime.fromisoformat(utc + "+00:00").timestamp(), abs=1e-6)


def test_units_of_channels_are_registered(format_checks: dict[str, dict[str, Any]]) -> None:
    """Every unit that a channel takes is in RFC 8428 section 12.1, or secondary in RFC 8798."""
    secondary = {"kW", "cm", "mm", "/100"}  # RFC 8798 section 3; from memory
    primary = set(format_checks["senml.units"]["quantity"].removeprefix("unit symbols: ").split(", "))
    # "m", "l/s", "m3/s" and "%" stand in section 12.1 as well; from memory.
    primary |= {"m", "l/s", "m3/s", "%"}
    used = {unit for units in UNITS.values() for unit in units if unit} | {u for u in ON_OFF_UNITS if u}
    assert used <= primary | secondary
    assert set(UNITS) | {Channel.HEATER, Channel.LIGHT, Channel.SERVICE} == set(KINDS)


def test_relative_time_without_now_stays_unknown() -> None:
    assert [r.time_s for r in resolve([{"n": "a", "v": 1}, {"n": "b", "v": 1, "t": -5}], None)] == [
        None,
        None,
    ]
    assert resolve([{"n": "a", "v": 1, "t": NOW_S}], None)[0].time_s == NOW_S


def test_the_sum_of_base_time_and_time_decides_whether_it_is_absolute() -> None:
    pack = [{"bn": "a", "bt": 2.0**28 - 1, "t": 1, "v": 1}, {"t": 0, "v": 2}]
    assert [r.time_s for r in resolve(pack)] == [2.0**28, NOW_S + 2.0**28 - 1]


def test_base_value_and_base_sum() -> None:
    pack = [
        {"bn": "t01/", "bv": 20, "bs": 100, "n": "temperature", "v": 4.5},
        {"n": "temperature", "v": -1},
        {"n": "energy", "s": 5},
        {"n": "energy"},
        {"n": "heater", "vb": True},
        {"bv": 0, "n": "temperature", "v": 25},
    ]
    assert [(r.name, r.value) for r in resolve(pack)] == [
        ("t01/temperature", 24.5),
        ("t01/temperature", 19.0),
        ("t01/heater", True),
        ("t01/temperature", 25.0),
    ]


def test_values_keep_their_type() -> None:
    records = resolve(
        [{"n": "a", "v": 24}, {"n": "b", "vb": False}, {"n": "c", "vs": "24"}, {"n": "d", "v": -0.5}]
    )
    assert [(type(r.value), r.value) for r in records] == [
        (float, 24.0),
        (bool, False),
        (str, "24"),
        (float, -0.5),
    ]


def test_unknown_fields_are_ignored() -> None:
    assert resolve([{"n": "a", "v": 1, "colour": [1, {"x": None}], "ut": 60}])[0].value == 1.0


def test_a_base_unit_may_be_overridden_and_an_empty_unit_is_none() -> None:
    pack = [{"bn": "a", "bu": "Cel", "v": 1}, {"u": "K", "v": 2}, {"v": 3}, {"u": "", "v": 4}]
    assert [r.unit for r in resolve(pack)] == ["Cel", "K", "Cel", None]


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ([], Reason.NOT_SENML),
        ({"n": "a", "v": 1}, Reason.NOT_SENML),
        ([1], Reason.NOT_SENML),
        ([{}], Reason.NOT_SENML),
        ([{"n": "a"}], Reason.NOT_SENML),
        ([{"v": 1}], Reason.NOT_SENML),  # no name at all
        ([{"n": "a", "v": 1, "vb": True}], Reason.NOT_SENML),
        ([{"n": "a", "v": 1, "vs": "x"}], Reason.NOT_SENML),
        ([{"n": "a", "v": "24.5"}], Reason.NOT_SENML),
        ([{"n": "a", "v": True}], Reason.NOT_SENML),
        ([{"n": "a", "v": None}], Reason.NOT_SENML),
        ([{"n": "a", "vb": 1}], Reason.NOT_SENML),
        ([{"n": "a", "vs": 1}], Reason.NOT_SENML),
        ([{"n": "a", "vd": "a=="}], Reason.NOT_SENML),
        ([{"n": "a", "s": "x"}], Reason.NOT_SENML),
        ([{"n": 7, "v": 1}], Reason.NOT_SENML),
        ([{"n": ["a"], "v": 1}], Reason.NOT_SENML),
        ([{"n": "a", "u": 7, "v": 1}], Reason.NOT_SENML),
        ([{"n": "a", "u": None, "v": 1}], Reason.NOT_SENML),
        ([{"n": "a", "t": "now", "v": 1}], Reason.NOT_SENML),
        ([{"bn": None, "n": "a", "v": 1}], Reason.NOT_SENML),
        # Section 4.5.1: characters of a whole name, and what it may begin with.
        ([{"n": "-a", "v": 1}], Reason.NOT_SENML),
        ([{"n": "/a", "v": 1}], Reason.NOT_SENML),
        ([{"n": "a b", "v": 1}], Reason.NOT_SENML),
        ([{"n": "ä", "v": 1}], Reason.NOT_SENML),
        ([{"n": "a\n", "v": 1}], Reason.CONTROL_CHARACTERS),
        ([{"n": "a", "vs": "\x1b[2J"}], Reason.CONTROL_CHARACTERS),
        ([{"n": "a", "u": "C\x07", "v": 1}], Reason.CONTROL_CHARACTERS),
        # Section 4.4: a label ending in "_" must be understood.
        ([{"n": "a", "v": 1, "new_": 1}], Reason.NOT_SENML),
        ([{"bn": "a", "b_": 1}, {"v": 1}], Reason.NOT_SENML),
        # Section 4.4: versions.
        ([{"bver": 11, "n": "a", "v": 1}], Reason.NOT_SENML),
        ([{"bver": 0, "n": "a", "v": 1}], Reason.NOT_SENML),
        ([{"bver": 5.0, "n": "a", "v": 1}], Reason.NOT_SENML),
        ([{"bver": True, "n": "a", "v": 1}], Reason.NOT_SENML),
        ([{"n": "a", "v": 1}, {"bver": 5, "n": "a", "v": 1}], Reason.NOT_SENML),
        ([{"bver": 5, "n": "a", "v": 1}, {"bver": 10, "n": "a", "v": 1}], Reason.NOT_SENML),
        ([{"n": "a", "v": 10**400}], Reason.NOT_FINITE),
        ([{"bn": "a", "bt": 10**400, "v": 1}], Reason.NOT_FINITE),
        ([{"bn": "a", "bv": 1.7e308, "v": 1.7e308}], Reason.NOT_FINITE),
    ],
)
def test_rules_of_the_rfc_that_refuse(pack: Any, reason: Reason) -> None:
    with pytest.raises(Refused) as refusal:
        resolve(pack)
    assert refusal.value.reason is reason, str(refusal.value)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (b"", Reason.NOT_JSON),
        (b"24.5", Reason.NOT_SENML),
        (b'[{"n":"a","v":1}', Reason.NOT_JSON),
        (b'[{"n":"a","v":NaN}]', Reason.NOT_FINITE),
        (b'[{"n":"a","v":-Infinity}]', Reason.NOT_FINITE),
        (b'[{"n":"a","v":1e999}]', Reason.NOT_FINITE),
        (b'[{"n":"a","t":1e999,"v":1}]', Reason.NOT_FINITE),
        (b'[{"n":"a","v":' + b"9" * 5000 + b"}]", Reason.NOT_FINITE),
        (b'[{"n":"\xff","v":1}]', Reason.NOT_UTF8),
        (b'[{"n":"a","vs":"\x1b"}]', Reason.CONTROL_CHARACTERS),
        (b"[" * 60_000, Reason.TOO_DEEP),
        (b" " * 65_537, Reason.TOO_LONG),
        ('[{"n":"a\ud800","v":1}]', Reason.NOT_UTF8),
    ],
)
def test_texts_that_are_no_pack(text: bytes | str, reason: Reason) -> None:
    with pytest.raises(Refused) as refusal:
        senml.resolve(text)
    assert refusal.value.reason is reason, str(refusal.value)


@pytest.mark.bench
def test_speed_of_the_hot_path() -> None:
    """A replay is to read more than 100,000 records a second; the bound leaves room for a busy machine."""
    lines = [
        b'[{"n":"t01/temperature","u":"Cel","t":%d,"v":24.81},{"n":"t01/heater","t":%d,"vb":true}]'
        % (1_790_000_000 + i, 1_790_000_000 + i)
        for i in range(10_000)
    ]
    best = 0.0
    for _ in range(3):
        begin = time.perf_counter()
        records = sum(len(senml.resolve(line)) for line in lines)
        best = max(best, records / (time.perf_counter() - begin))
    assert best > 100_000
