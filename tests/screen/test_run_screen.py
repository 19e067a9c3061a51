"""Starting the screen: nothing of Textual before its settings are made, and what they are."""

import os
import subprocess
import sys

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


def test_what_the_user_set_has_the_last_word(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TEXTUAL_FPS", "30")
    prepare_environment(slow=True)
    assert os.environ["TEXTUAL_FPS"] == "30"
