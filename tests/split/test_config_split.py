"""`[split]`: what a wrong table is told, and the file as each of its watches sees it."""

from pathlib import Path

import pytest

from tankwatch.check import as_lines, report
from tankwatch.cli import run
from tankwatch.config import Config, load
from tankwatch.config_path import AS_VARIABLE
from tankwatch.config_split import seen_by
from tankwatch.control.path import socket_path
from tankwatch.errors import ConfigError, UsageError

TANK = '[[tank]]\nid = "t1"\nvolume_l = 100.0\nsetpoint_c = 25.0\n'


def _file(folder: Path, text: str) -> Path:
    path = folder / "room.toml"
    path.write_text('[room]\nname = "Large room"\n' + text + TANK)
    return path


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('watches = ["a", "a"]', "expected every name once, got 'a' twice"),
        ('watches = ["A"]', "watches"),
        ("watches = []", "watches"),
        ('watches = ["a"]\nlease_s = 1.0', "expected greater than or equal to 3"),
        ('watches = ["a"]\nlease_ss = 9', "unknown key (did you mean 'lease_s'?)"),
        ('watches = ["a"]\ntanks = {b = ["t1"]}', "no watch 'b'; known: a"),
        (
            'watches = ["a", "b"]\ntanks = {a = ["t1"], b = ["t1"]}',
            "expected every tank once, got 't1' twice",
        ),
        ('watches = ["a"]\ntanks = {a = ["t11"]}', "no tank 't11' (did you mean 't1'?)"),
        ('watches = ["a"]\nleases = "redis://x"', "expected a file or postgresql://"),
        ('watches = ["a"]\nleases = "postgresql://u:p@h/d"', "expected no password in it"),
    ],
)
def test_a_wrong_table_says_what_was_expected(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(ConfigError) as error:
        load(_file(tmp_path, f"[split]\n{text}\n"))
    assert told in str(error.value)


def test_each_watch_has_a_store_a_socket_a_room_and_clients_of_its_own(tmp_path: Path) -> None:
    text = '[split]\nwatches = ["a", "b"]\n[publish]\nclient_id = "p"\n'
    text += '[[source]]\nid = "s"\nkind = "mqtt"\nclient_id = "room"\n'
    text += '[[way]]\nid = "w"\nkind = "mqtt"\nsource = "s"\n'
    whole = load(_file(tmp_path, text))
    a, b = seen_by(whole, "a"), seen_by(whole, "b")
    assert (a.store.path.name, b.store.path.name) == ("tankwatch-a.db", "tankwatch-b.db")
    assert socket_path(a) != socket_path(b)
    assert (a.room.slug, a.room.name) == ("large-room-a", "Large room (a)")
    assert a.publish is not None
    assert a.publish.client_id == "p-a"
    assert [source.client_id for source in a.source if source.kind == "mqtt"] == ["room-a"]
    assert [way.topic for way in a.way if way.kind == "mqtt"] == ["tankwatch/a"]
    assert a.split is not None
    assert b.split is not None
    assert a.split.leases == b.split.leases == str(tmp_path / "tankwatch-leases.db")
    assert a.whole is whole


def test_a_long_name_of_the_room_still_gives_an_id_that_is_one(tmp_path: Path) -> None:
    path = _file(
        tmp_path, f'id = "{"r" * 32}"\n[split]\nwatches = ["a-long-name-of-16"]\n'.replace("of-16", "of")
    )
    assert len(seen_by(load(path), "a-long-name-of").room.slug) == 32


def test_which_watch_is_said_by_name_or_by_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _file(tmp_path, '[split]\nwatches = ["a", "b"]\n')
    with pytest.raises(UsageError, match="split among a, b: say which with --as"):
        seen_by(load(path), None)
    with pytest.raises(UsageError, match="no watch 'c'; known: a, b"):
        seen_by(load(path), "c")
    monkeypatch.setenv(AS_VARIABLE, "b")
    assert load(path).watch_name == "b"
    assert load(_file(tmp_path, "")).watch_name is None


@pytest.mark.parametrize(
    ("split", "arguments", "told"),
    [
        ('[split]\nwatches = ["a"]\n', [], "say which with --as"),
        ('[split]\nwatches = ["a"]\n', ["--as", "b"], "no watch 'b'"),
        ("", ["--as", "b"], "there is no [split]"),
    ],
)
def test_a_watch_that_is_not_named_rightly_does_not_start(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    split: str,
    arguments: list[str],
    told: str,
) -> None:
    monkeypatch.setenv(AS_VARIABLE, "")
    assert run(["watch", str(_file(tmp_path, split)), *arguments]) == 2
    assert told in capsys.readouterr().err
    assert not list(tmp_path.glob("*.db"))


def test_a_check_tells_which_watch_has_which_tank_while_all_live() -> None:
    config = Config.model_validate(
        {
            "room": {"name": "Large room"},
            "split": {"watches": ["a", "b"], "tanks": {"b": ["t01"]}},
            "tank": [{"id": f"t{n:02}", "volume_l": 100.0, "setpoint_c": 25.0} for n in range(1, 9)],
        }
    )
    found = report(config, Path("room.toml"))["split"]["tanks_while_all_live"]
    assert "t01" in found["b"]
    assert sorted(found["a"] + found["b"]) == [tank.id for tank in config.tank]
    lines = "\n".join(as_lines(report(config, Path("room.toml"))))
    assert "Split among 2 watches; leases of 15 s" in lines
