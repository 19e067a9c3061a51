"""Every example has its page and its configuration, and what the pages show is true."""

import re
from pathlib import Path

import pytest
from firmware_tools import EXAMPLES

from tankwatch.config import load
from tankwatch.decode import lines

FOLDERS = sorted(
    path.parent for path in EXAMPLES.rglob("README.md") if path.parent != EXAMPLES
)  # fmt: skip
PAGES = sorted(EXAMPLES.rglob("README.md"))
TEXTS = sorted([*PAGES, *EXAMPLES.rglob("*.ino")])


def test_there_are_all_of_them() -> None:
    programs = {path.parent for path in (*EXAMPLES.rglob("*.ino"), *EXAMPLES.rglob("main.py"))}
    assert programs | {EXAMPLES / "linux_board"} == set(FOLDERS)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda path: path.name)
def test_page_has_wiring_safety_a_configuration_and_what_is_not_tested(folder: Path) -> None:
    text = (folder / "README.md").read_text()
    assert "## Wiring" in text
    assert "───" in text
    assert "README.md#safety" in text
    assert "**Stood in" in text
    (config,) = {str(match) for match in re.findall(r"\((\S+?\.toml)\)", text)}
    assert load((folder / config).resolve()).tank


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.parent.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)", page.read_text()):
        assert (page.parent / target).exists(), target


def test_checksums_shown_are_right() -> None:
    shown = [line for path in TEXTS for line in re.findall(r"(\[\{.*\]\*[0-9A-F]{4})", path.read_text())]
    assert len(shown) >= 3
    for line in shown:
        assert lines.without_checksum(line.encode()) == line.encode()[:-5]
