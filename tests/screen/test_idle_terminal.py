"""In a real terminal: while nothing changes nothing is sent."""

import sys

import pytest
from pty_measure import ScreenInTerminal

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")


def test_an_idle_screen_sends_no_byte() -> None:
    with ScreenInTerminal(24, "nothing", 120, 40) as screen:
        first = screen.read(20, until=b"All 24 tanks are quiet")
        assert b"All 24 tanks are quiet" in first
        screen.read(2.5)  # the history of the tanks is drawn, the last size report is answered
        assert screen.read(3) == b""
        assert screen.press(b"\x1b[B") < 1.0
        assert screen.read(1) != b""


@pytest.mark.bench
def test_what_the_screen_costs(request: pytest.FixtureRequest) -> None:
    """Prints bytes per second, share of a core and time to paint; `pytest -m bench -s tests/screen`."""
    if "bench" not in request.config.getoption("markexpr"):
        pytest.skip("a measurement: run it with -m bench -s")
    for tanks, mode, columns, rows in (
        (24, "nothing", 120, 40),
        (24, "water", 120, 40),
        (300, "water", 200, 60),
        (300, "five", 200, 60),
    ):
        with ScreenInTerminal(tanks, mode, columns, rows) as screen:
            screen.read(20, until=b"tanks are quiet")
            screen.read(5)
            cost = screen.measure(20)
            paint = screen.press(b"\x1b[B")
            print(
                f"{tanks} tanks, {mode} changes, {columns}x{rows}: {cost.bytes_per_s:.0f} B/s, "
                f"{cost.cpu_percent:.2f} % of a core, key to paint {1000 * paint:.0f} ms, "
                f"{screen.memory_kb} kB"
            )
            if tanks == 24:
                assert cost.cpu_percent < 1.0
            assert cost.cpu_percent < 5.0
            assert cost.bytes_per_s < {"nothing": 1, "water": 200, "five": 2000}[mode]
