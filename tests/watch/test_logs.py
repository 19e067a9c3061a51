"""The watch's own log."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tankwatch.watch.logs import log_path, start_logging, stop_logging


@contextmanager
def _logging(store: Path) -> Iterator[logging.Logger]:
    handlers = start_logging(store)
    try:
        yield logging.getLogger("tankwatch.sources")
    finally:
        stop_logging(handlers)


def test_log_goes_to_stderr_and_beside_the_store(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with _logging(tmp_path / "room.db") as log:
        log.warning("broker: %s", "refused")
    assert log_path(tmp_path / "room.db") == tmp_path / "room.log"
    assert "broker: refused" in (tmp_path / "room.log").read_text()
    printed = capsys.readouterr()
    assert "broker: refused" in printed.err
    assert printed.out == ""


def test_log_cannot_steer_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with _logging(tmp_path / "room.db") as log:
        log.warning("refused %s", "\x1b]0;owned\x07\x9b31m")
    for text in (capsys.readouterr().err, (tmp_path / "room.log").read_text()):
        assert "\\x1b]0;owned\\x07\\x9b31m" in text
        assert not {"\x1b", "\x07", "\x9b"} & set(text)


def test_folder_that_cannot_be_written_is_told_and_stops_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with _logging(tmp_path / "nowhere" / "room.db") as log:
        log.info("goes on")
    printed = capsys.readouterr().err
    assert "no log file" in printed
    assert "goes on" in printed
