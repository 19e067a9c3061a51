"""Cutting a stream of bytes into lines, and name=value pairs."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.decode import Reason, Refused, lines


def test_half_lines_wait_for_their_other_half() -> None:
    buffer = lines.LineBuffer()
    assert buffer.feed(b"temperature=24.") == []
    assert buffer.feed(b"8") == []
    assert buffer.feed(b"1\r\nheater=on\n\n  \nli") == [b"temperature=24.81", b"heater=on"]
    assert buffer.feed(b"ght=off\n") == [b"light=off"]


@given(st.binary(max_size=300), st.lists(st.integers(1, 20), max_size=40))
def test_the_cuts_between_reads_do_not_matter(stream: bytes, sizes: list[int]) -> None:
    buffer = lines.LineBuffer()
    got, rest = [], stream
    for size in sizes:
        got += buffer.feed(rest[:size])
        rest = rest[size:]
    got += buffer.feed(rest)
    complete = stream.split(b"\n")[:-1]
    assert got == [line.removesuffix(b"\r") for line in complete if line.strip()]


def test_an_over_long_line_is_cut_once_and_never_fills_the_memory() -> None:
    buffer = lines.LineBuffer(limit=10)
    for _ in range(1000):
        assert buffer.feed(b"x" * 100) == []
    assert buffer.feed(b"x\nok=1\n") == [b"x" * 11, b"ok=1"]


@pytest.mark.parametrize(
    ("line", "found"),
    [
        (b"temperature=24.81 heater=on", [("temperature", "24.81"), ("heater", "on")]),
        (
            b"t01/temperature=24.8, t01/heater=1;light=0",
            [("t01/temperature", "24.8"), ("t01/heater", "1"), ("light", "0")],
        ),
        (b"\tph=7.1\t", [("ph", "7.1")]),
    ],
)
def test_pairs(line: bytes, found: list[tuple[str, str]]) -> None:
    assert lines.pairs(line) == found


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"hello world", Reason.NOT_A_LINE),
        (b"temperature=", Reason.NOT_A_LINE),
        (b"=24.8", Reason.NOT_A_LINE),
        (b"temperature=24.8 =", Reason.NOT_A_LINE),
        (b"a=b=c", Reason.NOT_A_LINE),
        (b",;", Reason.NOT_A_LINE),
        (b"temp\x00=24", Reason.CONTROL_CHARACTERS),
        (b"temperature=24.8\xf0\x28", Reason.NOT_UTF8),
    ],
)
def test_lines_that_are_no_pairs(line: bytes, reason: Reason) -> None:
    with pytest.raises(Refused) as refusal:
        lines.pairs(line)
    assert refusal.value.reason is reason
