"""Listening from the first run: where to, what is shown of it, and the file that is written once."""

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest
from screen_fakes import EVIL
from textual.pilot import Pilot
from textual.widgets import Input

from tankwatch.config import MqttSourceConfig, load
from tankwatch.listen.capture import Arrival
from tankwatch.listen.ear import Hearing
from tankwatch.listen.listen import Listening
from tankwatch.listen.places import Where
from tankwatch.listen.tables import source_table
from tankwatch.screen.first_run import FirstRun
from tankwatch.screen.heard_page import HeardPage, draw_heard, draw_heard_head, write_new
from tankwatch.screen.ink import length, plain
from tankwatch.screen.listen_dialog import ListenDialog
from tankwatch.screen.picture import Picture


def heard_from(*messages: tuple[str, bytes]) -> Hearing:
    """Return what listening makes of messages that come again every ten seconds."""
    listening = Listening()
    for turn in range(5):
        for topic, payload in messages:
            listening.take(Arrival("broker", "mqtt", topic, payload, 1_790_000_000.0 + 10 * turn))
    table = source_table(MqttSourceConfig(id="broker", kind="mqtt", host="tanks.local"))
    report = listening.report([table])
    return Hearing(report["streams"], report["unreadable"], report["configuration"], 42.0, ("broker",))


TANK = heard_from(("fish/long/temperature", b"24.8"), ("fish/long/heater", b"on"), ("house/power", b"40.5"))


class FakeListener:
    """Hears what a test says."""

    def __init__(self, where: Where) -> None:
        self.where = where
        self.hearing = Hearing()
        self.calls: list[str] = []

    def start(self) -> None:
        self.calls.append("start")

    def stop(self) -> None:
        self.calls.append("stop")


class FakeEars:
    """Makes listeners and remembers them."""

    def __init__(self) -> None:
        self.made: list[FakeListener] = []

    def __call__(self, where: Where) -> FakeListener:
        self.made.append(FakeListener(where))
        return self.made[-1]


async def until(pilot: Pilot[None], holds: Callable[[], bool]) -> None:
    for _ in range(200):
        await pilot.pause()
        if holds():
            return
        await asyncio.sleep(0.02)
    raise AssertionError("it did not come true")


def shown(app: FirstRun) -> str:
    return "\n".join(picture.text for picture in app.screen.query(Picture))


@pytest.mark.asyncio
async def test_from_the_first_run_to_a_file_that_loads(tmp_path: Path) -> None:
    ears = FakeEars()
    app = FirstRun("no configuration file", tmp_path, ears)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("l")
        await until(pilot, lambda: isinstance(app.screen, ListenDialog))
        await pilot.press("down")
        app.screen.query_one("#host", Input).value = "tanks.local"
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, HeardPage))
        (ear,) = ears.made
        assert ear.where == Where("mqtt", "tanks.local", 1883)
        await until(pilot, lambda: ear.calls == ["start"])
        await pilot.press("w")
        await until(pilot, lambda: "Nothing to write yet" in shown(app))

        ear.hearing = TANK
        await until(pilot, lambda: "water temperature: 24.8, every 10 s" in shown(app))
        assert "heater, on or off: True" in shown(app)
        assert "3 streams, 1 tank" in shown(app)

        (tmp_path / "tankwatch.toml").write_text("mine", encoding="utf-8")
        await pilot.press("w")
        await until(pilot, lambda: bool(app.screen.query("#note")))
        assert app.screen.query_one("#note", Input).value == str(tmp_path / "tankwatch.toml")
        await pilot.press("enter")
        await until(pilot, lambda: "Not written" in shown(app))
        assert (tmp_path / "tankwatch.toml").read_text(encoding="utf-8") == "mine"

        await pilot.press("w")
        await until(pilot, lambda: bool(app.screen.query("#note")))
        app.screen.query_one("#note", Input).value = "found.toml"
        await pilot.press("enter")
        await until(pilot, lambda: len(app.screen_stack) == 1)
        assert ear.calls == ["start", "stop"]
        await until(pilot, lambda: "Written:" in shown(app))
        await pilot.press("q")
    config = load(tmp_path / "found.toml")
    assert [channel.kind.value for channel in config.tank[0].channel] == ["temperature", "heater"]
    assert isinstance(config.source[0], MqttSourceConfig)
    assert config.source[0].host == "tanks.local"


@pytest.mark.asyncio
async def test_the_serial_ports_ask_for_no_host_and_escape_ends_the_listening(tmp_path: Path) -> None:
    ears = FakeEars()
    app = FirstRun("no configuration file", tmp_path, ears)
    async with app.run_test(size=(60, 20)) as pilot:
        await pilot.press("l")
        await until(pilot, lambda: isinstance(app.screen, ListenDialog))
        await pilot.press("right")
        await until(pilot, lambda: not app.screen.query_one("#row-host").display)
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, HeardPage))
        assert ears.made[0].where.kind == "serial"
        await pilot.press("escape")
        await until(pilot, lambda: ears.made[0].calls == ["start", "stop"])
        assert not list(tmp_path.iterdir())


@pytest.mark.asyncio
async def test_a_broker_with_tls_and_a_password_and_a_slow_port(tmp_path: Path) -> None:
    secret = tmp_path / "broker.password"
    secret.write_text("invented\n", encoding="utf-8")
    ears = FakeEars()
    app = FirstRun("no configuration file", tmp_path, ears)
    async with app.run_test(size=(60, 20)) as pilot:
        await pilot.press("l")
        await until(pilot, lambda: isinstance(app.screen, ListenDialog))
        assert not app.screen.query_one("#row-baud").display
        app.screen.query_one("#tls").focus()
        await pilot.press("right")
        await until(pilot, lambda: app.screen.query_one("#port", Input).value == "8883")
        app.screen.query_one("#password", Input).value = str(tmp_path / "missing")
        await pilot.pause()
        await pilot.press("enter")
        await until(pilot, lambda: "needs the name of its user" in shown(app))
        app.screen.query_one("#username", Input).value = "probe-reader"
        await pilot.pause()
        await pilot.press("enter")
        await until(pilot, lambda: "password cannot be read" in shown(app))
        app.screen.query_one("#password", Input).value = str(secret)
        await pilot.pause()
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, HeardPage))
        where = ears.made[0].where
        assert where == Where(
            "mqtt", "127.0.0.1", 8883, tls=True, username="probe-reader", password_file=secret.resolve()
        )
        (source,) = where.sources()
        table = source_table(source)
        assert "tls = true" in table
        assert f'password_file = "{secret.resolve()}"' in table
        assert "invented" not in table
        await pilot.press("escape")

        await pilot.press("l")
        await until(pilot, lambda: isinstance(app.screen, ListenDialog))
        await pilot.press("right")
        await until(pilot, lambda: bool(app.screen.query_one("#row-baud").display))
        app.screen.query_one("#baud", Input).value = "fast"
        await pilot.pause()
        await pilot.press("enter")
        await until(pilot, lambda: "from 300 to 4000000" in shown(app))
        app.screen.query_one("#baud", Input).value = "9600"
        await pilot.pause()
        await pilot.press("enter")
        await until(pilot, lambda: len(ears.made) == 2)
        assert ears.made[1].where == Where("serial", baud=9600)
        await pilot.press("escape")


@pytest.mark.asyncio
async def test_a_port_that_is_none_is_asked_again(tmp_path: Path) -> None:
    ears = FakeEars()
    app = FirstRun("no configuration file", tmp_path, ears)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("l")
        await until(pilot, lambda: isinstance(app.screen, ListenDialog))
        app.screen.query_one("#port", Input).value = "99999"
        await pilot.pause()
        await pilot.press("enter")
        await until(pilot, lambda: "from 1 to 65535" in shown(app))
        assert not ears.made
        await pilot.press("escape")
        await until(pilot, lambda: len(app.screen_stack) == 1)


def test_raw_text_of_others_is_shown_but_steers_nothing() -> None:
    steering = b'{"water": {"celsius": 24.5, "note": "\x1b]0;x\x07[/]\xe2\x80\xae"}}'
    hearing = heard_from((f"fish/{EVIL}/x", steering), ("fish/a/temperature", b"\x1b[2J[/red]"))
    for width in (58, 78, 118):
        lines = draw_heard(hearing, width) + draw_heard_head(Where("mqtt", EVIL), hearing, EVIL, width)
        assert all(length(line) <= width for line in lines)
        assert all(row.isprintable() for row in plain(lines))
    assert any("cannot be read" in row for row in plain(lines))
    assert any("[/red]" in row for row in plain(lines))


def test_trouble_is_told_in_place_of_silence() -> None:
    refused = Hearing(trouble={"broker": "Connection refused"})
    assert "broker: Connection refused" in "\n".join(plain(draw_heard_head(Where("mqtt"), refused, "", 78)))
    nothing = draw_heard_head(Where("onewire"), Hearing(), "", 78)
    assert "Connecting." in "\n".join(plain(nothing))


@pytest.mark.parametrize("answer", ["no/such/folder.toml", "a\0b", ".", "\ud800/x"])
def test_a_path_that_cannot_be_is_told(tmp_path: Path, answer: str) -> None:
    assert write_new(tmp_path, answer, "text")[1]
    assert not list(tmp_path.iterdir())
