"""Where the socket of a store is found."""

import tempfile
from pathlib import Path

import pytest

from tankwatch.config import Config
from tankwatch.control.path import socket_path


def _config(store: Path) -> Config:
    return Config.model_validate({"room": {"name": "Back room"}, "store": {"path": store}})


def test_each_store_has_a_socket_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A folder of its own: that of the test may be too deep for a socket's name.
    with tempfile.TemporaryDirectory(prefix="run-") as runtime:
        monkeypatch.setenv("XDG_RUNTIME_DIR", runtime)
        one = socket_path(_config(tmp_path / "a" / "tankwatch.db"))
        other = socket_path(_config(tmp_path / "b" / "tankwatch.db"))
        assert one.parent == other.parent == Path(runtime) / "tankwatch"
        assert one != other


def test_every_name_of_a_store_leads_to_one_socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    (tmp_path / "here").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "here")
    direct = socket_path(_config(tmp_path / "here" / "tankwatch.db"))
    assert socket_path(_config(tmp_path / "link" / "tankwatch.db")) == direct
    assert socket_path(_config(tmp_path / "here" / ".." / "here" / "tankwatch.db")) == direct


@pytest.mark.parametrize("runtime", ["", "relative/folder", "/nowhere/at/all"])
def test_unusable_runtime_folder_gives_way_to_the_temporary_one(
    runtime: str, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    tmp_path = tmp_path_factory.mktemp("t")  # a short name, so that a socket fits in
    monkeypatch.setenv("XDG_RUNTIME_DIR", runtime)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    path = socket_path(_config(tmp_path / "tankwatch.db"))
    assert path.parent.parent == tmp_path
    assert path.parent.name.startswith("tankwatch-")


def test_odd_store_names_make_plain_socket_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    name = socket_path(_config(tmp_path / ("my töns & tanks " * 5 + ".db"))).name
    assert name.isascii()
    assert len(name) < 50


def test_folder_too_deep_for_a_socket_gives_way_to_a_shorter_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deep = tmp_path / ("d" * 60) / ("e" * 60)
    deep.mkdir(parents=True)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(deep))
    monkeypatch.setattr("tempfile.tempdir", str(deep))
    assert len(bytes(socket_path(_config(tmp_path / "tankwatch.db")))) <= 103


def test_socket_is_found_where_the_watch_had_another_runtime_folder(
    tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path_factory.mktemp("t")
    monkeypatch.setattr("tempfile.tempdir", str(folder))
    monkeypatch.setenv("XDG_RUNTIME_DIR", "")
    config = _config(folder / "tankwatch.db")
    of_the_watch = socket_path(config)
    of_the_watch.parent.mkdir(mode=0o700)
    of_the_watch.touch()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    assert socket_path(config) == of_the_watch
