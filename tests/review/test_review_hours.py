"""The hours of a night: from the configuration, from the command, with clocks that change."""

from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tankwatch.cli import run
from tankwatch.config import RoomConfig, load
from tankwatch.errors import ConfigError
from tankwatch.reading import Channel, Reading
from tankwatch.review.span import NIGHT, night_of, time_of
from tankwatch.store.bulk import write_history

LISBON = ZoneInfo("Europe/Lisbon")


def room(folder: Path, night: str) -> Path:
    path = folder / "room.toml"
    path.write_text(
        f'[room]\nname = "Trial room"\n{night}\n[store]\npath = "room.db"\n'
        '[[tank]]\nid = "t01"\nvolume_l = 100.0\nsetpoint_c = 25.0\n'
    )
    return path


def test_without_the_key_the_night_is_the_one_the_review_knows() -> None:
    assert RoomConfig(name="Trial room").night == NIGHT == ("20:00", "08:00")


def test_the_configuration_sets_the_hours_and_the_command_has_the_last_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = room(tmp_path, 'night = ["18:30", "07:15"]')
    write_history(tmp_path / "room.db", [Reading("t01", Channel.TEMPERATURE, 1.79e9, 25.0)])
    run(["review", str(path), "--night", "2026-09-21"])
    assert "2026-09-21 18:30 UTC to 2026-09-22 07:15 UTC" in capsys.readouterr().out
    run(["review", str(path), "--night", "2026-09-21", "--hours", "22:00-07:00"])
    assert "2026-09-21 22:00 UTC to 2026-09-22 07:00 UTC" in capsys.readouterr().out


@pytest.mark.parametrize(
    "night",
    ['["20:00", "20:00"]', '["24:00", "08:00"]', '["8pm", "08:00"]', '["20:00"]', '"20:00"'],
)
def test_hours_that_make_no_night_are_refused_with_an_example(tmp_path: Path, night: str) -> None:
    with pytest.raises(ConfigError, match=r'room.toml.*night.*\["20:00", "08:00"\]'):
        load(room(tmp_path, f"night = {night}"))


def test_a_night_may_end_at_midnight_and_lie_within_one_day() -> None:
    night = night_of(date(2026, 9, 21), LISBON, ("19:00", "24:00"))
    assert datetime.fromtimestamp(night.to_s, LISBON) == datetime(2026, 9, 22, tzinfo=LISBON)
    assert night.from_s == time_of("2026-09-21T19:00", LISBON)
    # Midnight of the day on which clocks go back in the European Union (Directive 2000/84/EC) still is 24:00.
    assert night_of(date(2026, 10, 24), LISBON, ("19:00", "24:00")).hours == 5.0
