"""The wall: every tank is on it, nothing overlaps, and it uses the space there is."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from screen_fakes import (
    EVIL,
    NOW_S,
    FakeHistory,
    make_alarm,
    make_config,
    make_room,
    make_tank,
    troubled_room,
)

from tankwatch.screen.gauge import gauge, place
from tankwatch.screen.ink import length, plain
from tankwatch.screen.standing import ordered, view_of, view_of_history
from tankwatch.screen.steady import Steady
from tankwatch.screen.tank_history import fetch_trend
from tankwatch.screen.wall import Showing, Wall, lay_out, neighbour, panel_shape


def wall_of(count: int, width: int, height: int, **how: object) -> Wall:
    view = view_of(troubled_room(count) if count >= 6 else make_room(count, [make_alarm(1)]))
    return lay_out(ordered(view), width, height, Steady(), Showing(**how))  # type: ignore[arg-type]


@settings(deadline=None, max_examples=40)
@given(st.integers(1, 320), st.integers(30, 250), st.integers(8, 70), st.booleans())
def test_every_tank_has_a_place_of_its_own(count: int, width: int, height: int, panels: bool) -> None:
    wall = wall_of(count, width, height, trends={} if panels else None)
    taken: set[tuple[int, int]] = set()
    for spot in wall.spots:
        cells = {
            (x, y) for x in range(spot.x, spot.x + spot.width) for y in range(spot.y, spot.y + spot.height)
        }
        assert not cells & taken
        taken |= cells
        assert spot.x + spot.width <= width
        assert spot.y + spot.height <= len(wall.lines)
    assert len({s.key for s in wall.spots}) == count
    assert all(length(line) <= width for line in wall.lines)


@pytest.mark.parametrize(
    ("count", "size"),
    [
        (1, (78, 18)),
        (6, (58, 15)),
        (12, (78, 19)),
        (12, (118, 35)),
        (24, (198, 55)),
        (300, (198, 55)),
        (500, (248, 66)),
    ],
)
def test_it_fits_without_scrolling(count: int, size: tuple[int, int]) -> None:
    assert len(wall_of(count, *size, trends={}).lines) <= size[1]


def test_what_is_wrong_stands_above_what_is_quiet_with_its_reason() -> None:
    text = plain(wall_of(12, 78, 20).lines)
    assert "◆ critical" in text[0]
    assert "38 min to low limit" in text[0]
    assert "The heater draws power" in text[1]
    divider = next(i for i, row in enumerate(text) if "tanks quiet" in row)
    assert "Long tank" not in "".join(text[divider:])
    assert "Driftwood" in "".join(text[divider:])


def test_an_old_picture_calls_nothing_quiet() -> None:
    view = view_of(troubled_room(12), live=False)
    rows = plain(lay_out(ordered(view), 78, 20, Steady(), Showing(live=False)).lines)
    assert "?23.6 °C" in rows[0]
    assert "min to" not in rows[0]
    assert any("tanks as last known" in row for row in rows)
    assert not any("quiet" in row for row in rows)


def test_panels_show_the_last_day() -> None:
    tank = make_tank(0)
    trends = {"t01": fetch_trend(FakeHistory(), tank, NOW_S)}
    view = view_of(make_room(tanks=[tank]))
    wall = lay_out(ordered(view), 80, 12, Steady(), Showing(trends=trends))
    text = "".join(plain(wall.lines))
    assert any("\u2800" < c <= "\u28ff" for c in text)
    assert "heater 33 %" in text


def test_without_history_a_panel_says_so() -> None:
    assert any("no history yet" in row for row in plain(wall_of(2, 80, 20, trends={}).lines))


def test_panels_only_where_each_has_room() -> None:
    assert panel_shape(12, 118, 35) == (3, 8)
    assert panel_shape(12, 78, 20) is None
    assert panel_shape(300, 198, 55) is None


def test_the_chosen_one_is_marked_without_colour_too() -> None:
    for count, size in ((12, (78, 20)), (12, (118, 36)), (300, (78, 20))):
        for chosen, split in itertools.product(("t01", "t02"), (True, False)):  # a troubled and a quiet one
            wall = wall_of(count, *size, chosen=chosen, trends={}, split=split)
            spot = next(s for s in wall.spots if s.key == chosen)
            row = plain(wall.lines[spot.y : spot.y + 1])[0]
            assert "›" in row[spot.x : spot.x + 3]
            assert row.count("›") == 1


def test_stale_numbers_carry_a_question_mark() -> None:
    view = view_of_history(make_config(2), FakeHistory().last_values(), NOW_S)
    text = "".join(plain(lay_out(ordered(view), 78, 20, Steady(), Showing(live=False)).lines))
    assert "?24.4" in text
    assert "–" in plain(lay_out(ordered(view), 40, 3, Steady(), Showing(live=False)).lines)[0] or "?" in text


@pytest.mark.parametrize("width", [40, 58, 78, 118, 198])
def test_foreign_names_keep_the_columns(width: int) -> None:
    tanks = [make_tank(i, name=EVIL if i % 2 else "plain") for i in range(40)]
    wall = lay_out(ordered(view_of(make_room(tanks=tanks))), width, 12, Steady(), Showing())
    assert all(length(line) <= width for line in wall.lines)
    assert not any("\x1b" in row for row in plain(wall.lines))


def test_arrows_walk_the_grid_and_stop_at_its_ends() -> None:
    spots = wall_of(300, 78, 20).spots
    first = spots[0].key
    assert neighbour(spots, first, "left") == first
    assert neighbour(spots, first, "up") == first
    assert neighbour(spots, first, "right") == spots[1].key
    last = spots[-1].key
    assert neighbour(spots, last, "down") == last
    below = neighbour(spots, spots[-30].key, "down")
    there = {s.key: s for s in spots}
    assert there[below].y > there[spots[-30].key].y
    assert neighbour(spots, "gone", "down") == first
    assert neighbour([], "gone", "down") == ""


def test_the_gauge_shows_where_in_the_band_the_water_is() -> None:
    def drawn(value: float | None) -> str:
        return "".join(run.text for run in gauge(value, 25.0, 23.0, 27.0, 9))

    assert drawn(24.0) == "├─●─┼───┤"
    assert drawn(25.0) == "├───●───┤"
    assert drawn(22.0) == "◂───┼───┤"
    assert drawn(28.0) == "├───┼───▸"
    assert drawn(None) == "├───┼───┤"
    assert place(99.0, 23.0, 27.0, 9) == 8


@given(st.floats(20, 30), st.lists(st.floats(-0.029, 0.029), max_size=50))
def test_a_trembling_value_is_shown_still_and_right(centre: float, noise: list[float]) -> None:
    steady = Steady()
    tenth = round(centre, 1)
    shown = [steady.shown("t", tenth + n) for n in noise]
    assert len(set(shown)) <= 1
    moved = steady.shown("t", centre + 3.14159)
    assert abs(moved - (centre + 3.14159)) <= 0.05 + 1e-9


def test_free_lines_tell_what_to_do_in_full_and_a_full_wall_takes_none() -> None:
    advice = "Water 23.4 °C and no warmth arrives. " + "First look at plug, fuse and pilot lamp. " * 2
    alarm = make_alarm(message=advice.strip())
    for count, whole in ((6, True), (240, False)):
        standings = ordered(view_of(make_room(count, [alarm])))
        wall = lay_out(standings, 77, 20, Steady(), Showing())
        text = " ".join(" ".join(plain(wall.lines)).split())
        assert (advice.strip() in text) is whole
        assert len(wall.lines) <= 20 or not whole
        assert wall.spots[0].height == (4 if whole else 2)
