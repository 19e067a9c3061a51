"""The page of a review: escaped, self-contained, and looked at in a browser with an accessibility checker."""

import json
import os
import re
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from conftest import need_program
from nights import BEGIN_S, HOUR_S, SPAN, config_of, draw

from tankwatch.review.page import page, write_page
from tankwatch.review.review import RoomReview, review_room
from tankwatch.store.bulk import write_history
from tankwatch.store.entry import LogEntry
from tankwatch.store.reader import StoreReader
from tankwatch.watchdog.watchdog import Watchdog

HOSTILE = '<script>alert(1)</script>" onload="x"\u202e&amp;'
_BROWSER = Path(__file__).parent / "browser"


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> RoomReview:
    """Two bad nights, one with a gap, under names that try to break out."""
    path = tmp_path_factory.mktemp("page") / "room.db"
    stuck, dead = draw("stuck-on", 0), draw("dead-element", 1)
    gap = (BEGIN_S + 5 * HOUR_S, BEGIN_S + 6 * HOUR_S)
    dead.readings = [r for r in dead.readings if not gap[0] < r.time_s < gap[1]]
    readings = sorted([*stuck.readings, *dead.readings], key=lambda r: r.time_s)
    config = config_of(path, stuck, dead)
    dog = Watchdog(config)
    for reading in readings:
        dog.advance(reading.time_s)
        dog.feed(reading)
    steps = dog.take_steps()
    steps[0] = replace(steps[0], alarm=replace(steps[0].alarm, message=HOSTILE))
    log = [LogEntry(BEGIN_S + HOUR_S, "t00", HOSTILE, HOSTILE, HOSTILE)]
    write_history(path, readings, steps, log=log)
    named = tuple(tank.model_copy(update={"name": HOSTILE}) for tank in config.tank)
    config = config.model_copy(
        update={"tank": named, "room": config.room.model_copy(update={"name": HOSTILE})}
    )
    return review_room(config, StoreReader(path), SPAN, SPAN.to_s)


class _Outline(HTMLParser):
    """Checks that elements nest, and collects tags, ids and attributes."""

    _VOID = frozenset({"meta", "link", "br", "line", "rect", "path"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: set[str] = set()
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.events: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            self.ids += [value or ""] if name == "id" else []
            self.addresses += [value or ""] if name in {"href", "src", "action", "data", "xlink:href"} else []
            self.events += [name] if name.startswith("on") else []
        if tag not in self._VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self._VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag not in self._VOID:
            assert self.open.pop() == tag


def test_it_is_well_formed_self_contained_and_escapes_what_comes_from_outside(review: RoomReview) -> None:
    text = "".join(page(review))
    outline = _Outline()
    outline.feed(text)
    assert outline.open == []
    assert outline.events == []
    assert not outline.tags & {"script", "img", "iframe", "object", "embed", "form", "audio", "video"}
    assert all(address.startswith(("#", "data:,")) for address in outline.addresses)
    assert len(set(outline.ids)) == len(outline.ids)
    assert "url(http" not in text
    assert "@import" not in text
    assert "\u202e" not in text
    assert "&lt;script&gt;" in text
    for number in re.findall(r'aria-labelledby="([^"]+)"', text):
        assert set(number.split()) <= set(outline.ids)


def test_its_figures_are_those_of_the_review(review: RoomReview) -> None:
    text = "".join(page(review))
    for tank in review.tanks:
        assert tank.water is not None
        assert f"{tank.water.greatest_c:.2f} °C at" in text
        for gap in tank.gaps:
            assert f"({round(gap.minutes)} min)" in text
    assert "no readings from" in text
    assert "EEMUA 191" in text
    assert "not a safety device" in text


def test_a_page_that_cannot_be_finished_leaves_the_old_one(
    review: RoomReview, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "page.html"
    write_page(review, path)
    first = path.read_text()

    def fails(_review: RoomReview) -> list[str]:
        raise RuntimeError("the drawing failed")

    monkeypatch.setattr("tankwatch.review.page.page", fails)
    with pytest.raises(RuntimeError):
        write_page(review, path)
    assert path.read_text() == first
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]


def test_a_browser_and_an_accessibility_checker_find_nothing(review: RoomReview, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    write_page(review, path)
    look_at(path, tmp_path)


def look_at(path: Path, folder: Path) -> None:
    """Open a page in a browser, check it for accessibility, and leave screenshots in `folder`."""
    chromium, node = need_program("chromium"), need_program("node")
    if not (_BROWSER / "node_modules" / "axe-core").is_dir():
        reason = f"axe-core and playwright-core are not in {_BROWSER.name}/node_modules: npm install there"
        if os.environ.get("TANKWATCH_TEST_ALL") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    done = subprocess.run(
        [node, _BROWSER / "look.mjs", chromium, path, folder],
        capture_output=True,
        text=True,
        timeout=100,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["violations"] == []
    assert found["console"] == []
    assert found["requests"] == []
    assert found["overflow"] == [0, 0], "wider than its window"
    assert found["passes"] > 20
    assert all((folder / name).stat().st_size > 20_000 for name in found["pictures"])
    assert (folder / "print.pdf").read_bytes()[:5] == b"%PDF-"
