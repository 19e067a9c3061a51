"""The chart: its size, its labels, what lies outside the band, the cursor."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from screen_fakes import NOW_S, FakeHistory, FakeSeries

from tankwatch.reading import Channel
from tankwatch.screen.chart.draw import (
    GUTTER,
    ChartData,
    ChartMark,
    columns_of,
    draw_chart,
    draw_trend,
    value_at,
    value_range,
)
from tankwatch.screen.ink import length, plain

UTC = ZoneInfo("UTC")
DAY_S = 86_400.0


def day_of(water_c: float | None = None) -> ChartData:
    history = FakeHistory()
    water = history.series("t01", Channel.TEMPERATURE, NOW_S - DAY_S, NOW_S, 400)
    if water_c is not None:
        flat = np.full(400, water_c)
        water = FakeSeries(water.time_s, flat, flat, flat)
    return ChartData(
        NOW_S - DAY_S,
        NOW_S,
        25.0,
        23.0,
        27.0,
        water=water,
        heater=history.series("t01", Channel.HEATER, NOW_S - DAY_S, NOW_S, 200),
        light=history.series("t01", Channel.LIGHT, NOW_S - DAY_S, NOW_S, 200),
    )


@pytest.mark.parametrize("size", [(60, 8), (80, 12), (120, 20), (200, 44), (19, 7), (5, 3)])
def test_it_fills_exactly_the_cells_it_is_given(size: tuple[int, int]) -> None:
    lines = draw_chart(day_of(), *size, UTC)
    assert len(lines) == size[1]
    assert {length(line) for line in lines} == {size[0]}


def test_it_names_its_limits_its_strips_and_its_times() -> None:
    text = "\n".join(plain(draw_chart(day_of(), 100, 20, UTC)))
    for word in ("high 27", "set 25", "low 23", "heater", "light", "╷06:00", "╷Wed 25"):
        assert word in text


def test_a_high_reading_in_one_bucket_is_seen() -> None:
    data = day_of(25.0)
    assert isinstance(data.water, FakeSeries)
    spike = data.water.high.copy()
    spike[200] = 29.0
    data = replace(data, water=FakeSeries(data.water.time_s, data.water.low, spike, data.water.mean))
    low, high = value_range(data, columns_of(data.water, data, 180), close=False)
    assert low < 23.0
    assert high > 29.0
    upper = draw_chart(data, 100, 24, UTC)[:4]
    alarming = [run for line in upper for run in line[1:] if run.role == "high"]
    assert alarming, "what leaves the band is drawn in another role"


def test_water_in_its_band_has_no_colour() -> None:
    roles = {run.role for line in draw_chart(day_of(), 100, 20, UTC) for run in line}
    assert roles <= {"text", "label", "faint", "bright"}


def test_a_long_silence_is_a_gap_and_a_short_one_is_not() -> None:
    data = day_of(25.0)
    assert isinstance(data.water, FakeSeries)
    hours_ago = (NOW_S - data.water.time_s) / 3600
    keep = (hours_ago < 4) | (hours_ago > 8)
    water = FakeSeries(
        *(a[keep] for a in (data.water.time_s, data.water.low, data.water.high, data.water.mean))
    )
    rows = plain(draw_chart(replace(data, water=water), 100 + GUTTER, 20, UTC))[:16]
    drawn = [any("\u2800" < row[GUTTER + x] <= "\u28ff" for row in rows) for x in range(100)]
    gap = [x for x, there in enumerate(drawn) if not there]
    assert gap == list(range(gap[0], gap[-1] + 1))
    assert len(gap) == pytest.approx(100 * 4 / 24, abs=2)


def test_marks_and_cursor_stand_at_their_times() -> None:
    data = replace(day_of(), marks=(ChartMark(NOW_S - DAY_S / 2, "◆", "critical", "heater no heat"),))
    lines = draw_chart(data, 100 + GUTTER, 20, UTC, cursor_s=NOW_S - DAY_S / 4)
    assert plain(lines)[-2].index("◆") == GUTTER + 50
    x = 0
    for run in lines[3]:
        if run.ground == "chosen":
            break
        x += len(run.text)
    assert x == GUTTER + 75


def test_close_up_shows_the_water_alone() -> None:
    data = day_of()
    low, high = value_range(data, columns_of(data.water, data, 100), close=True)
    assert (low, high) == pytest.approx((24.64, 25.36), abs=0.05)


def test_nothing_read_is_told_as_nothing() -> None:
    data = ChartData(NOW_S - DAY_S, NOW_S, 25.0, 23.0, 27.0)
    assert data.empty
    assert not any("\u2800" < c <= "\u28ff" for row in plain(draw_chart(data, 80, 12, UTC)) for c in row)


def test_the_trend_of_the_wall_has_no_gutter() -> None:
    lines = draw_trend(day_of(), 40, 5)
    assert [length(line) for line in lines] == [40] * 5


def test_the_value_under_the_cursor_is_the_nearest_one_within_reach() -> None:
    series = FakeSeries(*(np.array(v) for v in ([10.0, 20.0], [1.0, 2.0], [3.0, 4.0], [2.0, 3.0])))
    assert value_at(series, 12.0, 5.0) == (1.0, 2.0, 3.0)
    assert value_at(series, 40.0, 5.0) is None
    assert value_at(None, 12.0, 5.0) is None
