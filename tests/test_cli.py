"""The commands from outside: a process of its own, its two outputs and its exit status."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tankwatch.config_path import find_config
from tankwatch.errors import ConfigError

SMALL = """\
[room]
name = "Back room"

[[tank]]
id = "t01"
name = "Long tank"
volume_l = 120.0
setpoint_c = 25.0
"""


def tankwatch(
    *arguments: str | Path, cwd: Path, given: str = "", environment: dict[str, str] | None = None
) -> "subprocess.CompletedProcess[str]":
    """Run one command to its end, away from the user's own files."""
    return subprocess.run(
        [sys.executable, "-m", "tankwatch", *map(str, arguments)],
        cwd=cwd,
        input=given,
        env={**_clean_environment(cwd), **(environment or {})},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def _clean_environment(folder: Path) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("TANKWATCH_")}
    return {**kept, "HOME": str(folder), "XDG_CONFIG_HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)}


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "tankwatch.toml"
    path.write_text(SMALL)
    return path


def test_help_lists_the_commands_and_the_cautions(tmp_path: Path) -> None:
    began = time.perf_counter()
    done = tankwatch("--help", cwd=tmp_path)
    print(f"help after {1000 * (time.perf_counter() - began):.0f} ms")
    assert done.returncode == 0
    for word in ("watch", "screen", "demo", "replay", "check", "log", "not a safety device"):
        assert word in done.stdout
    assert done.stderr == ""


def test_help_loads_nothing_heavy(tmp_path: Path) -> None:
    script = (
        "import sys\n"
        "from tankwatch.cli import run\n"
        "try:\n    run(['--help'])\nexcept SystemExit:\n    pass\n"
        "print(sorted({m.partition('.')[0] for m in sys.modules} & "
        "{'asyncio', 'numpy', 'pydantic', 'paho', 'sqlite3', 'textual', 'rich', 'serial'}), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True, cwd=tmp_path
    )
    assert done.stderr.strip() == "[]"


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("swim",),
        ("demo", "--tanks", "0", "--headless"),
        ("demo", "--headless", "--for", "soon"),
        ("demo", "--for", "3s"),
        ("replay", "tankwatch.toml"),
        ("replay", "tankwatch.toml", "missing.jsonl"),
        ("screen", "tankwatch.toml"),
        ("check", "missing.toml"),
    ],
    ids=" ".join,
)
def test_wrong_usage_is_status_2_and_says_so_on_stderr(
    config: Path, tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    done = tankwatch(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("command", ["check", "watch", "screen"])
def test_wrong_key_is_told_with_its_place_and_starts_nothing(tmp_path: Path, command: str) -> None:
    path = tmp_path / "wrong.toml"
    path.write_text(SMALL.replace("setpoint_c", "setpont_c"))
    done = tankwatch(command, path, cwd=tmp_path)
    assert done.returncode == 2
    assert f"{path}:8" in done.stderr
    assert "setpoint_c" in done.stderr
    assert list(tmp_path.iterdir()) == [path]


def test_watch_without_tanks_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "empty.toml"
    path.write_text('[room]\nname = "Back room"\n')
    done = tankwatch("watch", path, cwd=tmp_path)
    assert done.returncode == 2
    assert "[[tank]]" in done.stderr


def test_check_tells_what_is_watched_for(config: Path, tmp_path: Path) -> None:
    done = tankwatch("check", cwd=tmp_path)  # found in the working folder
    assert done.returncode == 0
    assert "Tank t01 (Long tank): 120 L at 25 °C, band 23 to 27.5 °C" in done.stdout
    assert "too-cold" in done.stdout


def test_check_json_is_one_object(config: Path, tmp_path: Path) -> None:
    found = json.loads(tankwatch("check", config, "--json", cwd=tmp_path).stdout)
    (tank,) = found["tanks"]
    watched = {item["condition"]: item["when"] for item in tank["watched_for"]}
    assert watched["too-warm"] == "water above 27.5 °C"
    assert found["store"] == str(tmp_path / "tankwatch.db")


def test_check_warns_on_stderr(config: Path, tmp_path: Path) -> None:
    config.write_text(SMALL + '[[source]]\nid = "b"\nkind = "mqtt"\npassword = "secret"\n')
    done = tankwatch("check", config, cwd=tmp_path)
    assert done.returncode == 0
    assert "password" in done.stderr
    assert "secret" not in done.stdout + done.stderr


def test_schema_describes_every_key(tmp_path: Path) -> None:
    schema = json.loads(tankwatch("check", "--schema", cwd=tmp_path).stdout)
    tank = schema["$defs"]["TankConfig"]["properties"]
    assert tank["setpoint_c"]["description"].startswith("Temperature that the thermostat")
    assert schema["$defs"]["TankConfig"]["additionalProperties"] is False


def test_replay_prints_steps_and_counts_bad_lines(config: Path, tmp_path: Path) -> None:
    start_s = 1_790_000_000
    lines = ["this is no pack"]
    # Eight hours in which the water falls by 0.5 K an hour: after four it is below 23 °C.
    for number in range(8 * 60):
        celsius = 25.0 - number / 120 + 0.02 * (number % 3)
        record = {"n": "t01/temperature", "u": "Cel", "t": start_s + 60 * number, "v": round(celsius, 3)}
        lines.append(json.dumps([record]))
    done = tankwatch("replay", config, "-", "--json", cwd=tmp_path, given="\n".join(lines) + "\n")
    assert done.returncode == 0
    steps = [json.loads(line) for line in done.stdout.splitlines()]
    cold = next(step for step in steps if step["alarm"] == "too-cold")
    assert cold["tank"] == "t01"
    assert cold["state"] == "unacknowledged"
    assert cold["priority"] in {"medium", "high", "critical"}
    assert cold["time"].endswith("Z")
    assert "2026-09-21T18:13:20Z" <= cold["time"] < "2026-09-21T19:13:20Z"  # not before the water was cold
    assert "line 1" in done.stderr

    words = tankwatch("replay", config, "-", cwd=tmp_path, given="\n".join(lines) + "\n")
    assert len(words.stdout.splitlines()) == len(steps)
    assert "too-cold" in words.stdout


def test_reader_that_has_enough_is_no_failure(config: Path, tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "tankwatch", "check", str(config)],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == ""
        assert process.wait(timeout=60) == 0


def test_log_without_a_watch_goes_into_the_store(config: Path, tmp_path: Path) -> None:
    from tankwatch.store.reader import StoreReader

    done = tankwatch("log", "--tank", "t01", "--who", "Ada", "two", "new", "plants", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    (entry,) = StoreReader(tmp_path / "tankwatch.db").log()
    assert (entry.tank, entry.kind, entry.who, entry.text) == ("t01", "note", "Ada", "two new plants")


@pytest.mark.parametrize(
    ("arguments", "told"),
    [(("--tank", "t02", "x"), "t01"), (("--kind", "Not One Word", "x"), "kind"), (("",), "text")],
)
def test_log_that_makes_no_sense_is_refused(
    config: Path, tmp_path: Path, arguments: tuple[str, ...], told: str
) -> None:
    done = tankwatch("log", *arguments, cwd=tmp_path)
    assert done.returncode in {1, 2}
    assert told in done.stderr
    assert not (tmp_path / "tankwatch.db").exists()


def test_interrupted_watch_ends_with_130_and_terminated_with_0(config: Path, tmp_path: Path) -> None:
    for number, status in ((signal.SIGINT, 130), (signal.SIGTERM, 0), (signal.SIGHUP, 0)):
        process = subprocess.Popen(
            [sys.executable, "-m", "tankwatch", "watch", str(config)],
            cwd=tmp_path,
            env=_clean_environment(tmp_path),
            stderr=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stderr is not None
        while "press Ctrl+C" not in (line := process.stderr.readline()):
            assert line, "the watch ended early"
        process.send_signal(number)
        out, err = process.communicate(timeout=30)
        assert process.returncode == status, err
        assert out == ""
        assert "stopped" in err


class TestWhichConfiguration:
    """Command line over environment over working folder over the user's own."""

    @pytest.fixture(autouse=True)
    def _no_config_of_the_user(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.delenv("TANKWATCH_CONFIG", raising=False)
        monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
        monkeypatch.chdir(tmp_path)

    def test_order(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        with pytest.raises(ConfigError, match="tankwatch demo"):
            find_config(None)
        own = tmp_path / "config" / "tankwatch" / "tankwatch.toml"
        own.parent.mkdir(parents=True)
        own.touch()
        assert find_config(None) == own
        (tmp_path / "tankwatch.toml").touch()
        assert find_config(None) == Path("tankwatch.toml")
        monkeypatch.setenv("TANKWATCH_CONFIG", "elsewhere.toml")
        assert find_config(None) == Path("elsewhere.toml")
        assert find_config(Path("named.toml")) == Path("named.toml")
