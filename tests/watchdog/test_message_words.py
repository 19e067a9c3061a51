"""Numbers in messages: on the side of the limit on which they are."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tankwatch.watchdog.words import beyond_text


@pytest.mark.parametrize(
    ("value", "limit", "text"),
    [
        (8.4, 8.0, "8.4"),
        (8.02, 8.0, "8.02"),
        (8.04, 8.03, "8.04"),
        (7.99, 7.98, "8.0"),
        (23.46, 23.5, "23.46"),
        (0.004, 0.0, "0.004"),
    ],
)
def test_a_number_shows_that_it_is_beyond_its_limit(value: float, limit: float, text: str) -> None:
    assert beyond_text(value, limit) == text


@given(st.integers(0, 40_000), st.integers(1, 500))
def test_what_is_beyond_never_reads_as_within(limit_mk: int, beyond_mk: int) -> None:
    limit = limit_mk / 1000.0
    assert float(beyond_text(limit + beyond_mk / 1000.0, limit)) > limit
    assert float(beyond_text(limit - beyond_mk / 1000.0, limit)) < limit
