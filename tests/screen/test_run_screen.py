"""Starting the screen: nothing of Textual before its settings are made, and what they are."""

import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from tankwatch.screen.run import prepare_environment


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Start from a local terminal without settings, and leave none behind."""
    for name in ("TEXTUAL_FPS", "TEXTUAL_ANIMATIONS", "SSH_CONNECTION", "SSH_TTY"):
        # Set first, so that what the code sets is undone whatever was there before.
        monkeypatch.setenv(name, "")
        monkeypatch.delenv(name)


def test_importing_the_starter_imports_no_textual() -> None:
    code = "import sys, tankwatch.screen.run; print('textual' in sys.modules, 'rich' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.split() == ["False", "False"]


@pytest.mark.parametrize(
    ("ssh", "slow", "fps"), [("", False, None), ("10.0.0.1 1 10.0.0.2 22", False, "15"), ("", True, "4")]
)
def test_links_get_fewer_frames_and_no_animation(
    monkeypatch: pytest.MonkeyPatch, ssh: str, slow: bool, fps: str | None
) -> None:
    if ssh:
        monkeypatch.setenv("SSH_CONNECTION", ssh)
    prepare_environment(slow=slow)
    assert os.environ["TEXTUAL_ANIMATIONS"] == "none"
    assert os.environ.get("TEXTUAL_FPS") == fps


@pytest.mark.parametrize(("value", "kept"), [("", False), ("1", True), ("0", True)])
def test_an_empty_no_color_asks_for_nothing(monkeypatch: pytest.MonkeyPatch, value: str, kept: bool) -> None:
    # no-color.org: "when present and not an empty string (regardless of its value)".
    monkeypatch.setenv("NO_COLOR", value)
    prepare_environment(slow=False)
    assert ("NO_COLOR" in os.environ) is kept


def test_what_the_user_set_has_the_last_word(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TEXTUAL_FPS", "30")
    prepare_environment(slow=True)
    assert os.environ["TEXTUAL_FPS"] == "30"


def test_without_a_configuration_a_terminal_gets_guidance_and_status_2(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {**os.environ, "HOME": str(tmp_path), "TERM": "xterm", "XDG_CONFIG_HOME": str(tmp_path)}
    environment.pop("TANKWATCH_CONFIG", None)
    command = [sys.executable, "-m", "tankwatch", "screen"]
    child = subprocess.Popen(
        command, stdin=slave, stdout=slave, stderr=slave, cwd=tmp_path, env=environment, close_fds=True
    )
    os.close(slave)
    seen = b""
    deadline = time.monotonic() + 20
    try:
        while b"tankwatch demo" not in seen and time.monotonic() < deadline:
            if select.select([master], [], [], 0.2)[0]:
                seen += os.read(master, 65_536)
        os.write(master, b"q")
        while child.poll() is None and time.monotonic() < deadline:
            if select.select([master], [], [], 0.2)[0]:
                try:
                    os.read(master, 65_536)
                except OSError:
                    break  # Linux reports the closed far end of a terminal so
        assert child.wait(timeout=10) == 2
    finally:
        child.kill()
        child.wait()
        os.close(master)
    assert b"It has no room to show yet." in seen
    assert list(tmp_path.glob("*.toml")) == []
