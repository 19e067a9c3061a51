"""Packs read by their shape say the same as packs resolved with care, whatever the bytes."""

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tankwatch.decode import senml
from tankwatch.decode.refused import Refused
from tankwatch.decode.shape import Shape, Shapes

NOW_S = 1_790_000_000.0
Rows = list[tuple[str, str | None, float | None, senml.Value]]


def same(shape: Shape) -> Shape:
    return shape


def by_shape(shapes: Shapes[Shape], payload: bytes) -> Rows | None:
    found = shapes.find(payload)
    if found is None:
        return None
    stamps = [NOW_S + t if t < senml.ABSOLUTE_FROM_S else t for t in found.times_s]
    shape = found.meaning
    of_record = [stamps[i] for i in shape.time_of]
    return list(zip(shape.names, shape.units, of_record, found.values, strict=True))


def with_care(payload: bytes) -> Rows | None:
    try:
        return [(r.name, r.unit, r.time_s, r.value) for r in senml.resolve(payload, NOW_S)]
    except Refused:
        return None


NUMBERS = st.one_of(
    st.integers(-(10**20), 10**20),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([0, -0.0, 1e299, 1e301, 2**28, 2**28 - 1, 1_790_000_000, 1_790_000_000.5, 1_000_003]),
)
RECORDS = st.fixed_dictionaries(
    {},
    optional={
        "bn": st.sampled_from(["t01/", "t02:", "", 5, None]),
        "bt": NUMBERS,
        "bu": st.sampled_from(["Cel", "", None]),
        "bv": NUMBERS,
        "bver": st.sampled_from([10, 11, True]),
        "n": st.sampled_from(["temperature", "t01/heater", "", "x y", '"v":1,', "\\u0000", None, 3]),
        "u": st.sampled_from(["Cel", "K", "", "\u0007", None, 1]),
        "t": NUMBERS,
        "v": st.one_of(NUMBERS, st.just("1"), st.none(), st.just([1])),
        "vb": st.sampled_from([True, False, 1, "true"]),
        "vs": st.sampled_from(["work", "end", ": 5}"]),
        "s": NUMBERS,
    },
)


@settings(max_examples=300)
@given(st.lists(RECORDS, min_size=1, max_size=4), st.booleans(), st.lists(NUMBERS, min_size=8, max_size=8))
def test_both_ways_say_the_same(pack: list[dict[str, Any]], spaced: bool, others: list[float]) -> None:
    shapes = Shapes(8, same)
    separators = (", ", ": ") if spaced else (",", ":")
    for _ in range(2):  # the second has other numbers in the same shape
        payload = json.dumps(pack, separators=separators).encode()
        found = by_shape(shapes, payload)
        if found is not None:
            assert found == with_care(payload)
        rest = iter(others)
        for record in pack:
            for field in ("v", "t", "bt"):
                if type(record.get(field)) in (int, float):
                    record[field] = next(rest, 1)


@settings(max_examples=300)
@given(st.binary(max_size=12), st.integers(0, 100), st.integers(0, 8))
def test_bytes_put_into_a_known_pack_are_never_taken_for_another(junk: bytes, at: int, cut: int) -> None:
    good = b'[{"bn":"t01/","bt":1790000000,"n":"temperature","u":"Cel","v":24.9},{"n":"heater","vb":true}]'
    shapes = Shapes(8, same)
    assert by_shape(shapes, good) == with_care(good)
    bad = good[:at] + junk + good[at + cut :]
    found = by_shape(shapes, bad)
    if found is not None:
        assert found == with_care(bad)


@pytest.mark.parametrize(
    "odd",
    [
        b'[{"n":"a","v":01}]',
        b'[{"n":"a","v":1.}]',
        b'[{"n":"a","v":+1}]',
        b'[{"n":"a","v":1_0}]',
        b'[{"n":"a","v":1e999}]',
        b'[{"n":"a","v":NaN}]',
        b'[{"n":"a","v":1,"v":2}]',
        b'[{"n":"a","v":1,"vb":true}]',
        b'[{"n":"a","v":true}]',
        b'[{"n":"a","vb":1}]',
        b'[{"n":"a","t":true,"v":1}]',
        b'[{"n":"a","v":1000003}]',
        b'[{"n":"a","v":1},1000003]',
        b'[{"n":"a","t":  1000003,"v":1}]',
        b'[{"n":"a","v":{"v":1}}]',
        b'{"n":"a","v":1}',
        b'[{"n":"a\\u0000","v":1}]',
        b'[{"n":"\xff","v":1}]',
        b'[{"n":"a","v":1}',
        b"[]",
        b"",
    ],
)
def test_odd_packs_say_the_same_twice(odd: bytes) -> None:
    shapes = Shapes(4, same)
    for _ in range(2):
        found = by_shape(shapes, odd)
        assert found is None or found == with_care(odd)


def test_the_usual_pack_takes_the_short_way_and_a_kind_that_changes_does_not() -> None:
    shapes = Shapes(4, same)
    pack = b'[{"bn": "t1/", "n": "temperature", "u": "Cel", "v": %s}, {"n": "heater", "vb": %s}]'
    for value, state in ((b"24.9", b"true"), (b"-1e1", b"false")):
        assert by_shape(shapes, pack % (value, state)) == with_care(pack % (value, state))
        assert by_shape(shapes, pack % (value, state)) is not None
    assert by_shape(shapes, pack % (b"true", b"true")) is None
    assert by_shape(shapes, pack % (b"1", b"1")) is None


def test_names_that_never_come_again_do_not_fill_the_memory() -> None:
    shapes = Shapes(4, same)
    for i in range(100):
        assert shapes.find(b'[{"n":"a%d","v":1}]' % i) is not None
    assert len(shapes._known) <= 4
