"""Text from outside must never reach a terminal as a command."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.safetext import safe_text


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("fish/t01/state", "fish/t01/state"),
        ("\x1b[2J\x1b]0;owned\x07", r"\x1b[2J\x1b]0;owned\x07"),
        ("two\nlines\r\n", r"two\x0alines\x0d\x0a"),
        ("\x9b31m", r"\x9b31m"),
        ("abc\u202edef\u200b", r"abc\u202edef\u200b"),
        ("\ud800", r"\ud800"),
        ("°C µ – 水槽", "°C µ – 水槽"),
        (b"\xff\xfe24.5", r"\xff\xfe24.5"),
        (b"24.5 \xc2\xb0C", "24.5 °C"),
        ("[/red][0]", "[/red][0]"),
        ("e\u0301t", "e\u0301t"),
        ("\u0301x", r"\u0301x"),
        ("a\u0301\u0301\u0301", "a\u0301\u0301" + r"\u0301"),
    ],
)
def test_outside_text_is_made_showable(raw: str | bytes, shown: str) -> None:
    assert safe_text(raw) == shown


def test_long_text_is_cut_to_the_limit() -> None:
    assert safe_text("x" * 100, limit=10) == "xxxxxxxxx…"
    assert safe_text("x" * 10, limit=10) == "x" * 10
    assert safe_text(b"\x1b" * 10_000_000, limit=10) == r"\x1b\x1b…"
    assert safe_text("x", limit=0) == ""


@given(st.one_of(st.text(), st.binary()), st.integers(0, 200))
def test_any_text_comes_out_printable_and_bounded(raw: str | bytes, limit: int) -> None:
    shown = safe_text(raw, limit)
    assert len(shown) <= limit
    assert "\x1b" not in shown
    assert not any(ord(c) < 0x20 or 0x7F <= ord(c) < 0xA0 for c in shown)
    assert shown.encode("utf-8").decode() == shown
