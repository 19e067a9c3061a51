"""Texts that try to be more than text, through every exit of the program; looked at is what comes out.

The inlets are names in the configuration, topics and payloads, texts of the log, who and why, and errors of a
broker. The screen itself is driven with a few of these texts in tests/screen/test_pages.py.
"""

import csv
import io
import json
import logging
import sys
import tomllib
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "screen"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "notify"))

from poison import POISON, longest_stack, unsafe_in
from screen_fakes import NOW_S, make_alarm, make_room, make_tank
from telling import Desk, make_config

from tankwatch.alarms.model import AlarmState, Condition, Priority, Transition
from tankwatch.cli import run
from tankwatch.config import Config
from tankwatch.control.protocol import snapshot_line
from tankwatch.listen.capture import Arrival
from tankwatch.listen.listen import Listening, as_lines
from tankwatch.notify.command_way import _environment
from tankwatch.notify.message import LONGEST_TEXT
from tankwatch.notify.mqtt_way import _line
from tankwatch.notify.status import room_document, tank_document
from tankwatch.printing import step_as_json, step_as_text
from tankwatch.reading import Channel, Reading, ServiceMark
from tankwatch.review.page import page
from tankwatch.review.report_json import as_json
from tankwatch.review.report_text import text_lines
from tankwatch.review.review import review_room
from tankwatch.review.span import Span
from tankwatch.safetext import safe_json
from tankwatch.screen.alarmdraw import draw_detail, draw_row
from tankwatch.screen.ink import plain
from tankwatch.screen.sources_page import draw_sources
from tankwatch.screen.standing import ordered, view_of
from tankwatch.screen.steady import Steady
from tankwatch.screen.summary import sentence
from tankwatch.screen.tankdraw import Past, draw_details, draw_head
from tankwatch.screen.wall import Showing, lay_out
from tankwatch.snapshot import RoomSnapshot, from_json, to_json
from tankwatch.store.bulk import write_history
from tankwatch.store.entry import LogEntry
from tankwatch.store.reader import StoreReader
from tankwatch.transfer.csv_file import read_csv, write_csv
from tankwatch.transfer.stored_rows import Row
from tankwatch.watch.logs import start_logging, stop_logging

UTC = ZoneInfo("Etc/UTC")
BEGINS_A_FORMULA = tuple("=+-@\t\r\0")
"""CWE-1236, and OWASP ASVS 5.0, 1.2.10."""

every_poison = pytest.mark.parametrize("text", POISON.values(), ids=list(POISON))


def poisoned_room(text: str) -> RoomSnapshot:
    """Return a picture with `text` wherever a text from outside can stand."""
    alarm = make_alarm(1, message=text, who=text, evidence={text: text}, state=AlarmState.ACKNOWLEDGED)
    lost = make_alarm(2, None, Condition.SOURCE_LOST, Priority.HIGH, message=text, subject=text)
    room = make_room(1, [alarm, lost], [make_tank(i, name=text, service=text) for i in range(3)])
    source = replace(
        room.sources[0], source_id=text, detail=text, state=text, refused={text: 3}, last_refused=text
    )
    return replace(room, room=text, sources=(source,))


def assert_plain(text: str, *, stacks: bool = True) -> None:
    """Fail if `text` steers a terminal, reorders or hides, or is no UTF-8."""
    assert unsafe_in(text) == []
    text.encode("utf-8")
    if stacks:
        assert longest_stack(text) <= 2


@every_poison
def test_the_screen(text: str) -> None:
    room = poisoned_room(text)
    lines = []
    for width in (40, 120):
        view = view_of(room, live=True)
        lines += lay_out(ordered(view), width, 20, Steady(), Showing()).lines
        lines += draw_sources(room, True, width)
        for standing in view.tanks:
            lines += draw_head(standing, width, view.time_s)
            lines += draw_details(standing, Past(), width, UTC, view.time_s)
        for alarm in room.alarms:
            lines.append(draw_row(alarm, {"t01": text}, width, UTC, view.time_s, None))
            lines += draw_detail(alarm, {"t01": text}, width, UTC, view.time_s)
        sentence(view)
    for line in plain(lines):
        assert unsafe_in(line, also="") == []
        assert line.isprintable()
        assert len(line) <= 2 * 120


@every_poison
def test_steps_as_words_and_as_json(text: str) -> None:
    alarm = make_alarm(message=text, subject=text, evidence={text: text})
    step = Transition(alarm, AlarmState.NORMAL, NOW_S, who=text, why=text)
    words, line = step_as_text(step), step_as_json(step)
    assert_plain(words)
    assert "\n" not in words + line
    assert len(words) <= 2000
    assert_plain(line, stacks=False)
    found = json.loads(line)
    assert (found["message"], found["who"], found["why"]) == (text, text, text)  # the very same to a program


@every_poison
def test_errors_on_stderr(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "tankwatch.toml"
    # Escaped as TOML allows; what it has no way to hold is refused as no TOML.
    quoted = json.dumps(text[:2000], ensure_ascii=True)
    for lines in (
        f'[room]\nname = "x"\ntimezone = {quoted}\n',
        f'[room]\nname = "x"\n{quoted} = {quoted}\n',
        f'[room]\nname = "x"\n[[tank]]\nid = {quoted}\nvolume_l = 1.0\nsetpoint_c = 25.0\n',
    ):
        path.write_text(lines)
        assert run(["check", str(path)]) == 2
        printed = capsys.readouterr()
        assert printed.out == ""
        assert_plain(printed.err)
        assert all(len(line) <= 2000 for line in printed.err.splitlines())


@every_poison
def test_check(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "tankwatch.toml"
    name = _toml(text[:80].encode("utf-8", "replace").decode())
    tank = '[[tank]]\nid = "t01"\nvolume_l = 120.0\nsetpoint_c = 25.0\n'
    path.write_text(f"[room]\nname = {name}\n{tank}name = {name}\n")
    for options in ([], ["--json"]):
        assert run(["check", *options, str(path)]) == 0
        printed = capsys.readouterr()
        assert_plain(printed.out, stacks=not options)
        assert_plain(printed.err)


@every_poison
def test_the_log(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logging.getLogger("tankwatch"), "propagate", False)  # or pytest would carry it on raw
    handlers = start_logging(tmp_path / "room.db")
    try:
        logging.getLogger("tankwatch.sources").warning("refused: %s", text)
    finally:
        stop_logging(handlers)
    for written in (capsys.readouterr().err, (tmp_path / "room.log").read_text(encoding="utf-8")):
        assert "refused: " in written
        assert_plain(written)


@every_poison
def test_messages_to_people(text: str) -> None:
    name = text[:80].encode("utf-8", "replace").decode() or "x"
    config = make_config()
    config = config.model_copy(
        update={
            "room": config.room.model_copy(update={"name": name}),
            "tank": tuple(tank.model_copy(update={"name": name}) for tank in config.tank),
        }
    )
    desk = Desk(config)
    desk.begin(message=text)
    desk.begin("t001", Condition.HEATER_STUCK_ON, message=text)
    desk.begin(None, Condition.SOURCE_LOST, message=text, subject=text)
    messages = desk.run(60.0)
    assert messages
    for message in messages:
        # No line feed either: a title becomes the subject of a mail.
        assert unsafe_in(message.title + message.text, also="") == []
        assert longest_stack(message.title) <= 2
        assert longest_stack(message.text) <= 2
        assert len(message.text) <= LONGEST_TEXT
        assert len(message.title) <= LONGEST_TEXT
        hostile = replace(message, title=text, text=text)
        for value in _environment(hostile).values():
            assert unsafe_in(value, also="") == []
            value.encode()


@every_poison
def test_what_is_published(text: str) -> None:
    room = poisoned_room(text)
    for document in (room_document(room), tank_document(room.tanks[0], room.alarms)):
        line = _line(document)
        assert_plain(line, stacks=False)
        assert "\n" not in line
        assert json.loads(line) == json.loads(json.dumps(document))
    with pytest.raises(ValueError, match="id"):  # ids are levels of topics: nothing else may be one
        Config.model_validate(
            {"room": {"name": "x"}, "tank": [{"id": text, "volume_l": 1.0, "setpoint_c": 25.0}]}
        )
    for table in ("publish", "centre"):
        if set(text) & set("+#\0"):
            with pytest.raises(ValueError, match="topic"):
                Config.model_validate({"room": {"name": "x"}, table: {"topic": text[:200]}})


@every_poison
def test_pictures_over_the_control_socket(text: str) -> None:
    room = poisoned_room(text.encode("utf-8", "replace").decode())
    line = snapshot_line(to_json(room))
    assert line.count(b"\n") == 1
    assert line.endswith(b"\n")
    assert from_json(to_json(room)).room == room.room


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        for name, value in attrs:
            self.attributes.add(name)
            self.addresses += [value or ""] if name in {"href", "src", "action", "xlink:href"} else []


@every_poison
def test_the_review_as_page_words_and_json(text: str, tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    begin_s = NOW_S - 12 * 3600.0
    readings = [Reading("t000", Channel.TEMPERATURE, begin_s + 60.0 * i, 25.0) for i in range(720)]
    alarm = make_alarm(1, "t000", message=text, who=text, since_s=NOW_S - 2400)
    step = Transition(alarm, AlarmState.NORMAL, NOW_S - 2400, who=text, why=text)
    entry = LogEntry(NOW_S - 3000, "t000", text[:32], text[:200], text[:4000])
    write_history(path, readings, [step], log=[entry])
    name = text[:80].encode("utf-8", "replace").decode()
    config = make_config(tanks=1)
    tanks = tuple(tank.model_copy(update={"name": name}) for tank in config.tank)
    config = config.model_copy(update={"tank": tanks, "room": config.room.model_copy(update={"name": name})})
    span = Span(begin_s, NOW_S, "Night")
    review = review_room(config, StoreReader(path), span, NOW_S)
    html = "".join(page(review))
    assert_plain(html)
    tags = _Tags()
    tags.feed(html)
    assert not tags.tags & {"script", "img", "iframe", "object", "embed", "form"}
    assert not [name for name in tags.attributes if name.startswith("on")]
    assert all(address.startswith(("#", "data:,")) for address in tags.addresses)
    for line in text_lines(review, alarms=True):
        assert_plain(line)
        assert "\n" not in line
    assert_plain(safe_json(as_json(review), indent=2), stacks=False)


@every_poison
def test_the_exported_table(text: str) -> None:
    who = text.encode("utf-8", "replace").decode()  # as the store keeps it
    out = io.StringIO(newline="")
    assert write_csv([Row(1_790_000_000_000_000, "t01", {}, ServiceMark.WORK.value, who)], out) == 1
    table = out.getvalue()
    with io.StringIO(table, newline="") as file:
        _, cells = csv.reader(file)
    assert not [cell for cell in cells if cell.startswith(BEGINS_A_FORMULA)]
    with io.StringIO(table, newline="") as file:
        (reading,) = read_csv(file, lambda number, reason: pytest.fail(f"line {number}: {reason}"))
    assert reading.source == who


@pytest.mark.parametrize("who", ["'", "''", "'=1", "''=1", "'Ada", "Ada", "O'Hara", "-", "＝1"])
def test_quotes_before_names_come_back_exactly(who: str) -> None:
    out = io.StringIO(newline="")
    write_csv([Row(0, "t01", {}, ServiceMark.WORK.value, who)], out)
    out.seek(0)
    (reading,) = read_csv(out, lambda number, reason: pytest.fail(reason))
    assert reading.source == who


@every_poison
def test_what_listen_hears_and_proposes(text: str) -> None:
    listening = Listening()
    topic = text[:200].encode("utf-8", "replace").decode()
    for i in range(10):
        at_s = 1_790_000_000.0 + 10.0 * i
        listening.take(Arrival("broker", "mqtt", topic, f"{24.5 + 0.1 * (i % 3):.1f}".encode(), at_s))
        odd = json.dumps({text[:300]: {"temperature": 24.5 + 0.1 * (i % 3)}, "s": text})
        listening.take(Arrival("broker", "mqtt", "odd", odd.encode(), at_s))
        listening.take(Arrival("broker", "mqtt", "raw", text.encode("utf-8", "replace"), at_s))
    report = listening.report(['[[source]]\nid = "broker"\nkind = "mqtt"\n'])
    for line in as_lines(report):
        assert_plain(line)
    assert_plain(safe_json(report), stacks=False)
    proposed = report["configuration"]
    if proposed is not None:
        assert_plain(proposed, stacks=False)
        assert set(tomllib.loads(proposed)) <= {"room", "source", "tank"}


def _toml(text: str) -> str:
    escaped = "".join(f"\\U{ord(character):08x}" for character in text)
    return f'"{escaped}"'
