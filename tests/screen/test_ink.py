"""Lines keep their width whatever is in them, and foreign text cannot act on a terminal."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from tankwatch.screen.ink import (
    Run,
    beside,
    clean,
    crop,
    fit,
    fit_name,
    joined,
    length,
    on_ground,
    plain,
    wrap,
)

any_text = st.text(max_size=40)


@given(any_text, st.integers(0, 30), st.sampled_from(["left", "right", "middle"]))
def test_fit_gives_exactly_the_cells_asked_for(text: str, width: int, align: str) -> None:
    assert cell_len(fit(clean(text), width, align)) == width  # type: ignore[arg-type]


@given(any_text)
def test_cleaned_text_holds_nothing_that_a_terminal_obeys(text: str) -> None:
    kinds = {unicodedata.category(char) for char in clean(text)}
    assert not kinds & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def test_escapes_and_joiners() -> None:
    assert clean("Long tank") == "Long tank"
    assert "\x1b" not in clean("a\x1b[2Jb")
    assert clean("fish\u200d\ufe0f") == "fish"
    assert clean("[/bold][0]") == "[/bold][0]"


def test_fit_cuts_with_a_sign_and_never_through_a_wide_character() -> None:
    assert fit("Driftwood", 6) == "Drift…"
    assert fit("水族館", 4) == "水… "
    assert fit("25.0", 6, "right") == "  25.0"
    assert fit("ab", 5, "middle") == " ab  "


@given(st.lists(any_text, max_size=5), st.integers(0, 40))
def test_crop_gives_exactly_the_cells_asked_for(texts: list[str], width: int) -> None:
    assert length(crop(tuple(Run(clean(t)) for t in texts), width)) == width


def test_blocks_stand_side_by_side() -> None:
    rows = beside([[(Run("a"),), (Run("b"),)], [(Run("c"),)]], [3, 2], 1)
    assert plain(rows) == ["a   c ", "b     "]


def test_neighbours_of_one_look_are_joined() -> None:
    assert joined([Run("a"), Run("b"), Run("c", "bright")]) == (Run("ab"), Run("c", "bright"))


def test_a_ground_does_not_cover_another() -> None:
    assert on_ground((Run("a"), Run("b", ground="band")), "chosen")[1].ground == "band"


@given(st.text(alphabet="ab 水", max_size=60), st.integers(2, 20), st.integers(1, 4))
def test_wrapped_rows_fit_and_are_not_too_many(text: str, width: int, most: int) -> None:
    rows = wrap(text, width, most)
    assert len(rows) <= most
    assert all(cell_len(row) <= width for row in rows)


@pytest.mark.parametrize(("width", "rows"), [(20, ["one two three"]), (7, ["one two", "three"])])
def test_wrapping_breaks_at_blanks(width: int, rows: list[str]) -> None:
    assert wrap("one two three", width) == rows


@pytest.mark.parametrize(
    ("name", "width", "shown"),
    [
        ("Quarantine rack north 17", 14, "Quarantine…17"),
        ("Quarantine rack north 17", 24, "Quarantine rack north 17"),
        ("Grandmother", 8, "Grand…er"),
        ("Tank 4", 3, "Ta…"),
    ],
)
def test_a_name_too_long_keeps_its_end(name: str, width: int, shown: str) -> None:
    assert fit_name(name, width).rstrip() == shown


@given(st.text(max_size=40), st.integers(0, 40))
def test_a_name_always_takes_exactly_its_cells(name: str, width: int) -> None:
    name = clean(name)
    assert cell_len(fit_name(name, width)) == width
