"""Photos of the care log: their paths are checked, kept with the entry, sent to the watch, and shown."""

import json
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tankwatch.cli import run
from tankwatch.control.client import note
from tankwatch.control.protocol import Note, parse_request, request_line
from tankwatch.errors import ControlError, UsageError
from tankwatch.screen.care.record import draw_record
from tankwatch.screen.ink import length, plain
from tankwatch.store.entry import LogEntry
from tankwatch.store.reader import StoreReader
from tankwatch.watch.note import photos_at

Log = Callable[..., int]
NOW_S = 1_795_572_000.0


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Log:
    """Run `log` with these words beside a configuration and two photos."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    text = '[room]\nname = "Back room"\n[[tank]]\nid = "t01"\nvolume_l = 120.0\nsetpoint_c = 25.0\n'
    (tmp_path / "tankwatch.toml").write_text(text, encoding="utf-8")
    for name in ("fin.jpg", "eye [x] ü.jpg"):
        (tmp_path / name).write_bytes(b"\xff\xd8")
    return lambda *words: run(["log", "--config", "tankwatch.toml", "--who", "Ada", *words])


def test_photos_are_kept_with_the_entry_by_their_whole_paths(log: Log, tmp_path: Path) -> None:
    photos = ("--photo", "fin.jpg", "--photo", "eye [x] ü.jpg", "--photo", "./fin.jpg")
    assert log("--tank", "t01", *photos, "a torn fin") == 0
    (entry,) = StoreReader(tmp_path / "tankwatch.db").log()
    assert entry.text == "a torn fin"
    assert entry.photos == (str(tmp_path / "fin.jpg"), str(tmp_path / "eye [x] ü.jpg"))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--photo", "no.jpg", "x"), "--photo no.jpg: there is no such file"),
        (("--photo", ".", "x"), "there is no such file"),
        (("--tank", "t01", "--photo", "fin.jpg", "calibration", "ice=0.3"), "keeps no photo"),
    ],
)
def test_a_photo_that_is_not_there_is_refused_and_nothing_is_written(
    log: Log, tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    assert log(*words) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "tankwatch.db").exists()


def test_a_name_that_is_no_text_is_refused(tmp_path: Path) -> None:
    photo = tmp_path / "\udcff.jpg"
    try:
        photo.write_bytes(b"")
    except OSError:
        pytest.skip("this file system takes only names that are text")
    with pytest.raises(UsageError, match="not UTF-8"):
        photos_at([photo])


def test_the_watch_is_sent_the_photos_and_an_older_one_none() -> None:
    sent = request_line(note("t01", "note", "a torn fin", "Ada", ("/p/fin.jpg",)))
    assert parse_request(sent) == Note(
        tank="t01", kind="note", text="a torn fin", who="Ada", photos=("/p/fin.jpg",)
    )
    assert "photos" not in json.loads(request_line(note(None, "note", "x", "Ada")))
    with pytest.raises(ControlError, match="photos"):
        note(None, "note", "x", "Ada", ("/p/fin.jpg",) * 9)


def test_the_record_shows_where_the_photos_are() -> None:
    hostile = "/p/[/red]\x1b[2J.jpg"
    entry = LogEntry(NOW_S - 60.0, "t01", "note", "Ada", "a torn fin", photos=("/p/fin.jpg", hostile))
    lines = draw_record([entry], (), ZoneInfo("Etc/UTC"), NOW_S, 78)
    text = " ".join(" ".join(plain(lines)).split())
    assert "a torn fin; photo /p/fin.jpg; photo /p/[/red]\\x1b[2J.jpg (Ada)" in text
    assert all(length(line) <= 78 for line in lines)
