"""`[keys]`: other keys by id; what is unknown, doubled or needed for writing is refused by name."""

from pathlib import Path

import pytest

from tankwatch.config import load
from tankwatch.config_keys import DEFAULT_KEYS, keys_in
from tankwatch.errors import ConfigError

ROOM = '[room]\nname = "Back room"\n\n'


def load_keys(folder: Path, lines: str) -> dict[str, str]:
    path = folder / "tankwatch.toml"
    path.write_text(f"{ROOM}[keys]\n{lines}\n", encoding="utf-8")
    return load(path).keys


def test_without_the_table_nothing_is_changed(tmp_path: Path) -> None:
    path = tmp_path / "tankwatch.toml"
    path.write_text(ROOM, encoding="utf-8")
    assert load(path).keys == {}


def test_other_keys_are_taken(tmp_path: Path) -> None:
    keys = load_keys(tmp_path, '"page.alarms" = "f5, A"\n"room.sort" = "ctrl+t"')
    assert keys == {"page.alarms": "f5,A", "room.sort": "ctrl+t"}


def test_two_keys_may_change_places(tmp_path: Path) -> None:
    assert load_keys(tmp_path, '"room.sort" = "k"\n"room.acknowledge" = "s"')


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('"page.alarm" = "f5"', "'page.alarm' (did you mean 'page.alarms'?)"),
        ('"room.sort" = "ctrl+enter"', "not every terminal sends 'ctrl+enter'"),
        ('"quit" = ""', "not every terminal sends ''"),
        ('"room.sort" = "k"', "'k' would mean both room.sort and room.acknowledge"),
        ('"page.night" = "c"', "'c' would mean both tank.care and page.night"),
        ('"form.keep" = "s"', "needed for writing there"),
        ('"note.cancel" = "space"', "needed for writing there"),
        ('"room.sort" = 3', "keys = 3: expected a string"),
    ],
    ids=str,
)
def test_wrong_keys_are_told_with_file_and_nearest(tmp_path: Path, lines: str, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load_keys(tmp_path, lines)
    assert words in str(caught.value)
    assert "tankwatch.toml" in str(caught.value)


def test_the_usual_keys_are_fit_for_every_terminal(tmp_path: Path) -> None:
    lines = "\n".join(f'"{ident}" = "{keys}"' for ident, keys in DEFAULT_KEYS.items())
    assert load_keys(tmp_path, lines) == DEFAULT_KEYS
    assert keys_in("f1, question_mark") == ["f1", "question_mark"]
