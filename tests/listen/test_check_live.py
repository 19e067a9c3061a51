"""`tankwatch check --live`: verdicts on channels, first pure, then as a user runs it."""

import grp
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from conftest import MosquittoBroker, free_port

from tankwatch.config import Config
from tankwatch.listen.capture import Arrival
from tankwatch.listen.cli_live import group_hint
from tankwatch.listen.live import LiveCheck, Verdict, as_lines

NOW_S = 1_790_000_000.0


def _config(channels: list[dict[str, Any]], source: dict[str, Any] | None = None) -> Config:
    return Config.model_validate(
        {
            "room": {"name": "Back room"},
            "source": [{"id": "src", **(source or {"kind": "mqtt"})}],
            "tank": [
                {
                    "id": "t01", "volume_l": 120.0, "setpoint_c": 25.0,
                    "channel": [{"source": "src", "kind": "temperature", **channel} for channel in channels],
                }
            ],
        }
    )  # fmt: skip


def _verdict(
    channel: dict[str, Any],
    *messages: tuple[str, Any],
    source: dict[str, Any] | None = None,
    trouble: str = "",
    retained: bool = False,
) -> Verdict:
    """Return the verdict on the one channel after `messages` came ten seconds ago."""
    check = LiveCheck(_config([channel], source))
    for where, payload in messages:
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        kind = (source or {"kind": "mqtt"})["kind"]
        check.take(Arrival("src", kind, where, data, NOW_S - 10, retained))
    (verdict,) = check.verdicts(NOW_S, 30.0, {"src": trouble} if trouble else {})
    return verdict


def test_a_reading_with_value_and_age() -> None:
    verdict = _verdict({"topic": "fish/t01"}, ("fish/t01", [{"n": "temperature", "u": "Cel", "v": 24.5}]))
    assert (verdict.seen, verdict.fine, verdict.value, verdict.age_s) == (True, True, 24.5, 10.0)
    assert list(as_lines([verdict])) == ["t01          temperature seen     24.5, 10.0 s old (src)"]


@pytest.mark.parametrize(
    ("value", "words"),
    [({"vb": True}, "mains there"), ({"vb": False}, "mains gone"), ({"v": 149.5}, "149.5")],
)
def test_a_power_channel_is_told_by_watts_and_by_the_mains(value: dict[str, Any], words: str) -> None:
    verdict = _verdict({"kind": "power", "topic": "fish/t01"}, ("fish/t01", [{"n": "power", **value}]))
    assert (verdict.seen, verdict.fine, verdict.kind) == (True, True, "power")
    assert list(as_lines([verdict])) == [f"t01          power       seen     {words}, 10.0 s old (src)"]


def test_a_topic_that_is_not_there_and_one_like_it() -> None:
    verdict = _verdict({"topic": "fish/t01/sate"}, ("fish/t01/state", b"1"), ("house/power", b"1"))
    assert verdict.why == "nothing on topic fish/t01/sate in 30 s; heard near it: fish/t01/state"
    assert not verdict.seen
    nothing = _verdict({"topic": "fish/t01"})
    assert nothing.why == "nothing on topic fish/t01 in 30 s; no topic at all was heard"


def test_a_pointer_that_misses_and_the_keys_that_are_there() -> None:
    payload = {"water": {"celsius": 24.6}, "relay": {"heater": "on"}}
    verdict = _verdict({"topic": "r", "decode": "pointer:/water/temp"}, ("r", payload))
    assert verdict.why == "pointer:/water/temp leads nowhere; the payload has: /water/celsius, /relay/heater"
    assert json.loads(verdict.raw) == payload


def test_a_record_that_is_not_there_and_those_that_are() -> None:
    pack = [{"n": "water", "v": 24.5}, {"n": "heater", "vb": True}]
    verdict = _verdict({"topic": "r"}, ("r", pack))
    assert verdict.why == "no record t01/temperature or temperature in it; records there: water, heater"


def test_another_form_than_the_one_configured() -> None:
    assert 'decode = "number" reads 24.5' in _verdict({"topic": "r"}, ("r", 24.5)).why
    assert 'decode = "pointer:/c" reads 24.5' in _verdict({"topic": "r"}, ("r", {"c": 24.5})).why


def test_a_wrong_unit() -> None:
    verdict = _verdict({"topic": "r"}, ("r", [{"n": "temperature", "u": "degF", "v": 76}]))
    assert verdict.why.startswith("wrong unit: temperature in 'degF'")


@pytest.mark.parametrize(
    ("ahead_s", "words"), [(3600.0, "clock is 3600 s ahead"), (8.0, "clock is 8 s ahead")]
)
def test_a_clock_that_is_ahead(ahead_s: float, words: str) -> None:
    pack = [{"n": "temperature", "u": "Cel", "v": 24.5, "t": NOW_S - 10 + ahead_s}]
    verdict = _verdict({"topic": "r"}, ("r", pack))
    assert (verdict.seen, verdict.fine) == (True, False)
    assert words in verdict.why


def test_a_clock_that_is_behind_and_one_that_is_right() -> None:
    old = [{"n": "temperature", "u": "Cel", "v": 24.5, "t": NOW_S - 10 - 7200}]
    assert "newest time is 7200 s old" in _verdict({"topic": "r"}, ("r", old)).why
    right = [{"n": "temperature", "u": "Cel", "v": 24.5, "t": (NOW_S - 12) * 1000}]  # in milliseconds
    assert _verdict({"topic": "r"}, ("r", right)).fine


def test_a_kept_message_is_not_enough() -> None:
    verdict = _verdict({"topic": "r", "decode": "number"}, ("r", 24.5), retained=True)
    assert (verdict.seen, verdict.fine) == (False, False)
    assert "nobody publishes it now" in verdict.why


def test_a_fault_code_is_told() -> None:
    verdict = _verdict({"topic": "r", "decode": "number"}, ("r", 85.0))
    assert (verdict.seen, verdict.fine) == (True, False)


def test_a_port_without_lines_and_one_that_cannot_be_opened() -> None:
    port = {"kind": "serial", "port": "/dev/ttyX"}
    assert "no line came in 30 s; check baud" in _verdict({}, source=port).why
    assert _verdict({}, source=port, trouble="/dev/ttyX: not there").why == "/dev/ttyX: not there"
    assert _verdict({}, ("/dev/ttyX", b"temperature=24.5"), source=port).fine


def test_a_sensor_that_is_not_on_the_bus() -> None:
    bus = {"kind": "onewire", "path": "/tmp/none"}  # noqa: S108 - never opened
    verdict = _verdict({"name": "28-000000000001"}, ("28-000000000002", b""), source=bus)
    assert verdict.why == "no sensor 28-000000000001 on the bus; there are: 28-000000000002"


def test_the_group_to_join_is_named(tmp_path: Path) -> None:
    port = tmp_path / "port"
    port.touch(mode=0o660)
    group = grp.getgrgid(port.stat().st_gid).gr_name
    assert f"usermod -aG {group} " in group_hint(port)
    port.chmod(0o600)
    assert "may not read it either" in group_hint(port)
    assert "usermod -aG dialout " in group_hint(tmp_path / "absent")


def _check_live(folder: Path, text: str, *arguments: str) -> "subprocess.Popen[str]":
    (folder / "tankwatch.toml").write_text('[room]\nname = "Back room"\n' + text)
    environment = {key: value for key, value in os.environ.items() if not key.startswith("TANKWATCH_")}
    return subprocess.Popen(
        [sys.executable, "-m", "tankwatch", "check", "tankwatch.toml", "--live", *arguments],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


_TANK = """\
[[tank]]
id = "t01"
volume_l = 120.0
setpoint_c = 25.0
[[tank.channel]]
kind = "temperature"
source = "broker"
topic = "fish/t01"
"""


def _until_ended(process: "subprocess.Popen[str]", broker: MosquittoBroker) -> tuple[str, str]:
    ended = threading.Event()

    def keep_publishing() -> None:
        while not ended.wait(0.2):
            broker.publish("fish/t01", json.dumps([{"n": "temperature", "u": "Cel", "v": 24.5}]), qos=0)

    thread = threading.Thread(target=keep_publishing)
    thread.start()
    try:
        return process.communicate(timeout=60)
    finally:
        ended.set()
        thread.join()


def test_all_well_ends_at_once_with_status_0(tmp_path: Path, mosquitto_broker: MosquittoBroker) -> None:
    source = f'[[source]]\nid = "broker"\nkind = "mqtt"\nport = {mosquitto_broker.port}\n'
    began_s = time.monotonic()
    process = _check_live(tmp_path, source + _TANK, "--for", "30s")
    out, narration = _until_ended(process, mosquitto_broker)
    assert process.returncode == 0, narration
    assert "t01          temperature seen     24.5" in out
    assert time.monotonic() - began_s < 20


def test_what_does_not_come_is_explained_with_status_3(
    tmp_path: Path, mosquitto_broker: MosquittoBroker
) -> None:
    text = (
        f'[[source]]\nid = "broker"\nkind = "mqtt"\nport = {mosquitto_broker.port}\n'
        f'[[source]]\nid = "bench"\nkind = "serial"\nport = "{tmp_path / "none"}"\n'
        f'[[source]]\nid = "far"\nkind = "mqtt"\nport = {free_port()}\n'
        + _TANK
        + '[[tank.channel]]\nkind = "heater"\nsource = "bench"\n'
        + '[[tank.channel]]\nkind = "light"\nsource = "far"\ntopic = "x"\n'
        + '[[tank.channel]]\nkind = "air"\nsource = "broker"\ntopic = "fish/t1"\n'
    )
    process = _check_live(tmp_path, text, "--for", "2", "--json")
    out, narration = _until_ended(process, mosquitto_broker)
    assert process.returncode == 3, narration
    found = {channel["kind"]: channel for channel in json.loads(out)["channels"]}
    assert found["temperature"]["fine"]
    assert "not there; is it plugged in?" in found["heater"]["why"]
    assert "connection refused" in found["light"]["why"]
    assert "heard near it: fish/t01" in found["air"]["why"]


def test_without_channels_there_is_nothing_to_wait_for(tmp_path: Path) -> None:
    process = _check_live(tmp_path, '[[tank]]\nid = "t01"\nvolume_l = 1.0\nsetpoint_c = 25.0\n')
    _, narration = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "tankwatch listen finds and writes them" in narration


_WAYS = """\
[[way]]
id = "script"
kind = "command"
command = ["/bin/sh", "-c", "cat > told.json"]
[[way]]
id = "gone"
kind = "command"
command = ["/nonexistent/program"]
[[person]]
id = "sam"
ways = ["script", "gone"]
"""


def test_a_test_message_goes_by_every_way_and_each_result_is_told(tmp_path: Path) -> None:
    process = _check_live(tmp_path, _WAYS)
    told, narrated = process.communicate(timeout=60)
    assert process.returncode == 3, narrated
    lines = told.splitlines()
    assert any(line.startswith("fine  way script (command)") for line in lines)
    assert any(line.startswith("FAILED  way gone (command)") for line in lines)
    assert "test" in (tmp_path / "told.json").read_text().lower()


def test_results_of_ways_are_json_as_well(tmp_path: Path) -> None:
    process = _check_live(tmp_path, _WAYS, "--json")
    told, _ = process.communicate(timeout=60)
    ways = {way["way"]: way["ok"] for way in json.loads(told)["ways"]}
    assert ways == {"script": True, "gone": False}
