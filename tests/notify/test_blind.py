"""What the watch says at its start of the time in which nobody watched."""

from zoneinfo import ZoneInfo

import pytest
from telling import MIDNIGHT_S

from tankwatch.notify.blind import blind_text, blind_time, fresh_share
from tankwatch.reading import Channel
from tankwatch.snapshot import LiveValue, RoomSnapshot, TankSnapshot
from tankwatch.store.runs import WatchRun

NOW_S = MIDNIGHT_S + 4 * 3600.0 + 1200.0
LAST = {("t01", Channel.TEMPERATURE): (MIDNIGHT_S, 25.0), ("t02", Channel.TEMPERATURE): (MIDNIGHT_S, 24.0),
        ("t01", Channel.HEATER): (MIDNIGHT_S, 1.0)}  # fmt: skip


def _run(*, clean: bool = False, boot_id: str = "a") -> WatchRun:
    return WatchRun(1, MIDNIGHT_S - 9e4, MIDNIGHT_S + 3600.0, boot_id, clean)


def _picture(**water_c: float) -> RoomSnapshot:
    tanks = tuple(
        TankSnapshot(name, name, 25.0, 23.0, 27.5, {"temperature": LiveValue(value, NOW_S + 5.0, 1.0)})
        for name, value in water_c.items()
    )
    return RoomSnapshot(NOW_S + 10.0, "Back room", "Etc/UTC", NOW_S, tanks)


@pytest.mark.parametrize(
    ("run", "cause"),
    [
        (_run(clean=True), "the watch was stopped"),
        (_run(), "the watch died or was killed"),
        (_run(boot_id="b"), "the machine lost power or was restarted"),
    ],
)
def test_how_long_and_why(run: WatchRun, cause: str) -> None:
    blind = blind_time([run], "a", NOW_S, LAST)
    assert blind is not None
    assert blind.minutes == pytest.approx(200.0)
    text = blind_text(blind, None, ZoneInfo("Etc/UTC"))
    assert text == f"Nobody watched from 01:00 to 04:20 (3 h 20 min): {cause}."


def test_what_happened_meanwhile_as_far_as_the_data_tell() -> None:
    blind = blind_time([_run()], "a", NOW_S, LAST)
    assert blind is not None
    nothing = _picture()
    assert fresh_share(blind, nothing) == 0.0
    assert "Not heard yet: 2 tanks." in blind_text(blind, nothing, ZoneInfo("Etc/UTC"))
    some = _picture(t01=22.4)
    assert fresh_share(blind, some) == 0.5
    assert "Meanwhile: t01 25.0 to 22.4 °C. Not heard yet: 1 tanks." in blind_text(
        blind, some, ZoneInfo("Etc/UTC")
    )
    calm = _picture(t01=25.1, t02=24.1)
    assert blind_text(blind, calm, ZoneInfo("Etc/UTC")).endswith("No water of 2 tanks moved by 0.3 °C.")


def test_the_first_start_was_never_blind() -> None:
    assert blind_time([], "a", NOW_S, {}) is None
    assert blind_time([_run()], "a", MIDNIGHT_S, {}) is None
