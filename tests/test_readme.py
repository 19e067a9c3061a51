"""The README keeps its promises: its reference, its commands, its example."""

import re
import tomllib
from pathlib import Path

import pytest

from tankwatch.cli import run
from tankwatch.config import Config
from tankwatch.config_reference import markdown

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_configuration_reference_is_the_one_the_model_makes() -> None:
    made = README.partition("<!-- Made by: python -m tankwatch.config_reference -->")[2]
    made = made.partition("<!-- End of what is made. -->")[0]
    assert made.strip() == markdown().strip(), "run: python -m tankwatch.config_reference"


def test_example_configurations_are_valid() -> None:
    blocks = re.findall(r"```toml\n(.*?)```", README, flags=re.DOTALL)
    assert blocks
    for block in blocks:
        config = Config.model_validate(tomllib.loads(block))
        assert config.tank or config.centre


def test_every_command_of_the_program_is_described(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        run(["--help"])
    listed = re.findall(r"^    (\w+) ", capsys.readouterr().out, flags=re.MULTILINE)
    assert {"watch", "screen", "demo", "replay", "check", "log"} <= set(listed)
    for command in listed:
        assert f"`tankwatch {command}" in README


def test_links_lead_somewhere() -> None:
    for text in (README, (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")):
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / target).exists(), target
