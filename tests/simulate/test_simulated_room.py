"""The air of a simulated room: a daily wave, weather, events, the same every time. Invented figures."""

from itertools import pairwise
from statistics import mean, pstdev

import pytest

from tankwatch.simulate.room import AirEvent, RoomAir

HOUR_S = 3600.0
DAY_S = 86_400.0


def hourly(air: RoomAir, days: int) -> list[float]:
    return [air.temperature_c(HOUR_S * hour) for hour in range(24 * days)]


def test_a_room_without_wave_and_weather_stays_at_its_mean() -> None:
    assert set(hourly(RoomAir(mean_c=20.0, daily_k=0.0, weather_k=0.0), 3)) == {20.0}


def test_the_daily_wave_is_warmest_in_the_afternoon() -> None:
    day = hourly(RoomAir(mean_c=20.0, daily_k=1.5, weather_k=0.0), 1)
    assert day.index(max(day)) == 16
    assert day.index(min(day)) == 4
    assert max(day) - min(day) == pytest.approx(3.0)
    assert mean(day) == pytest.approx(20.0)


def test_the_weather_wanders_by_its_standard_deviation() -> None:
    """Over many rooms, as over a long time, the spread is the one asked for."""
    seen = [
        RoomAir(daily_k=0.0, weather_k=0.6, days=40.0, seed=seed).temperature_c(30 * DAY_S)
        for seed in range(600)
    ]
    assert mean(seen) == pytest.approx(20.0, abs=0.1)
    assert pstdev(seen) == pytest.approx(0.6, rel=0.15)


def test_the_weather_does_not_jump() -> None:
    air = RoomAir(daily_k=0.0, weather_k=0.6)
    minutes = [air.temperature_c(60.0 * i) for i in range(24 * 60 * 5)]
    assert max(abs(b - a) for a, b in pairwise(minutes)) < 0.02


def test_the_same_seed_gives_the_same_weather() -> None:
    assert hourly(RoomAir(seed=5), 5) == hourly(RoomAir(seed=5), 5)
    assert hourly(RoomAir(seed=5), 5) != hourly(RoomAir(seed=6), 5)


def test_a_trend_adds_up() -> None:
    air = RoomAir(mean_c=20.0, daily_k=0.0, weather_k=0.0, trend_k_per_day=-0.5)
    assert air.temperature_c(4 * DAY_S) == pytest.approx(18.0)


def test_an_event_comes_and_goes_gradually() -> None:
    """63.2 % of a step after one time constant (definition, e.g. ASTM E839, IEC 60751)."""
    event = AirEvent(start_s=1000.0, end_s=50_000.0, change_k=-4.0, ramp_s=1800.0)
    assert event.change_at(1000.0) == 0.0
    assert event.change_at(2800.0) == pytest.approx(-4.0 * 0.632, abs=0.002)
    assert event.change_at(50_000.0) == pytest.approx(-4.0, abs=0.001)
    assert event.change_at(51_800.0) == pytest.approx(-4.0 * 0.368, abs=0.002)
    assert event.change_at(80_000.0) == pytest.approx(0.0, abs=0.001)


def test_before_and_after_its_days_a_room_keeps_the_last_weather() -> None:
    air = RoomAir(daily_k=0.0, start_s=0.0, days=2.0)
    assert air.temperature_c(30 * DAY_S) == air.temperature_c(60 * DAY_S)
    assert air.temperature_c(-5.0) == air.temperature_c(0.0)
