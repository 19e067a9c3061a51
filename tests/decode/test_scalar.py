"""Bare numbers and on/off words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.decode import Reason, Refused, scalar


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"24.81", 24.81),
        (b" -0.5\r\n", -0.5),
        (b"+7", 7.0),
        (b"1e-3", 0.001),
        (b".5", 0.5),
        (b"24.", 24.0),
        ("85.0", 85.0),
    ],
)
def test_numbers(payload: bytes | str, value: float) -> None:
    assert scalar.number(payload) == value


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", Reason.NOT_A_NUMBER),
        (b"24,5", Reason.NOT_A_NUMBER),
        (b"24.5 C", Reason.NOT_A_NUMBER),
        (b"0x18", Reason.NOT_A_NUMBER),
        (b"1_000", Reason.NOT_A_NUMBER),
        ("٢٤".encode(), Reason.NOT_A_NUMBER),
        (b"nan", Reason.NOT_FINITE),
        (b"-Infinity", Reason.NOT_FINITE),
        (b"1e999", Reason.NOT_FINITE),
        (b"24\x1b[2J", Reason.CONTROL_CHARACTERS),
        (b"2\x004", Reason.CONTROL_CHARACTERS),
        (b"24\n25", Reason.CONTROL_CHARACTERS),
        (b"\xff24", Reason.NOT_UTF8),
        (b"1" * 70_000, Reason.TOO_LONG),
    ],
)
def test_what_is_no_number(payload: bytes, reason: Reason) -> None:
    with pytest.raises(Refused) as refusal:
        scalar.number(payload)
    assert refusal.value.reason is reason


@pytest.mark.parametrize("word", [b"on", b"ON", b" True\n", b"yes", b"1"])
def test_words_for_on(word: bytes) -> None:
    assert scalar.on_off(word) is True


@pytest.mark.parametrize("word", [b"off", b"Off", b"false", b"NO", b"0"])
def test_words_for_off(word: bytes) -> None:
    assert scalar.on_off(word) is False


@pytest.mark.parametrize("word", [b"", b"2", b"onn", b"maybe", b"open", b"on off"])
def test_other_words_are_refused(word: bytes) -> None:
    with pytest.raises(Refused) as refusal:
        scalar.on_off(word)
    assert refusal.value.reason is Reason.UNKNOWN_WORD


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_comes_back_as_it_was_written(value: float) -> None:
    assert scalar.number(repr(value)) == value
