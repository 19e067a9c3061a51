"""Light against an instrument maker's example and the definitions."""

from collections.abc import Callable
from typing import Any

import pytest

from tankwatch.physics.light import daily_light_integral_mol_per_m2, hours_between, lux_from_foot_candles

Row = Callable[[str], Any]


def test_daily_light_integral(check_row: Row) -> None:
    for name in ("dli.example", "dli.24h"):
        row = check_row(name)
        row.agrees(daily_light_integral_mol_per_m2(row.inputs["ppfd"], row.inputs["h"]))


def test_foot_candles(check_row: Row) -> None:
    row = check_row("lux.fc")
    row.agrees(*[lux_from_foot_candles(fc) for fc in row.inputs["fc"]])


def test_hours_across_midnight(check_row: Row) -> None:
    check_row("photo.hours").agrees(hours_between(20.0, 6.0))
    assert hours_between(10.0, 20.0) == 10.0
    assert hours_between(0.0, 24.0) == 24.0


def test_equal_times_are_refused_and_so_is_nonsense() -> None:
    with pytest.raises(ValueError, match="0 or 24 hours"):
        hours_between(8.0, 8.0)
    with pytest.raises(ValueError, match="switching on in hours"):
        hours_between(25.0, 6.0)
    with pytest.raises(ValueError, match="hours of light"):
        daily_light_integral_mol_per_m2(10.0, 30.0)
    with pytest.raises(ValueError, match="foot-candles"):
        lux_from_foot_candles(-1.0)
