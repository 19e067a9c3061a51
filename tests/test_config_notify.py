"""The tables of people, ways and alarms: what is refused, what is warned of, and that secrets stay secret."""

import os
from pathlib import Path

import pytest

from tankwatch.alarms.model import Condition
from tankwatch.config import load, warnings_of
from tankwatch.config_notify import AppriseWayConfig, CommandWayConfig, heartbeat_url_of, url_of
from tankwatch.errors import ConfigError

BEGIN = """\
[room]
name = "Back room"
[[source]]
id = "broker"
kind = "mqtt"
[[source]]
id = "bench"
kind = "serial"
port = "/dev/none"
"""
WAY = '[[way]]\nid = "bell"\nkind = "command"\ncommand = ["/bin/true"]\n'
PERSON = '[[person]]\nid = "sam"\nways = ["bell"]\n'


def _write(folder: Path, text: str) -> Path:
    path = folder / "tankwatch.toml"
    path.write_text(BEGIN + text)
    return path


def test_without_the_tables_nobody_is_told_and_defaults_hold(tmp_path: Path) -> None:
    config = load(_write(tmp_path, ""))
    assert (config.way, config.person) == ((), ())
    assert (config.notify.messages_per_10_min, config.notify.repeat_from) == (10, "high")
    assert (config.alarms.latching, config.alarms.realarm_min) == ((), None)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (WAY + PERSON + 'quite = ["22:00", "07:00"]\n', "unknown key (did you mean 'quiet'?)"),
        (WAY + '[[person]]\nid = "sam"\nways = ["bel"]\n', "no way 'bel' (did you mean 'bell'?)"),
        (WAY + '[[person]]\nid = "sam"\nways = []\n', "at least 1"),
        (WAY + PERSON + "after_min = -1\n", "greater than or equal to 0"),
        (WAY + PERSON + 'days = ["monday"]\n', "'mon'"),
        (WAY + PERSON + 'from_priority = "urgent"\n', "'low', 'medium', 'high' or 'critical'"),
        (WAY + WAY, "'bell' twice"),
        (WAY + PERSON + PERSON, "'sam' twice"),
        ('[[way]]\nid = "x"\nkind = "pigeon"\n', "expected one of: apprise, command, mqtt"),
        ('[[way]]\nid = "x"\nkind = "mqtt"\nsource = "bench"\n', "source of kind mqtt, got 'bench'"),
        ('[[way]]\nid = "x"\nkind = "mqtt"\nsource = "broker"\ntopic = "a/#"\n', "without + and #"),
        ('[[way]]\nid = "x"\nkind = "apprise"\n', "TANKWATCH_URL_X"),
        ('[[way]]\nid = "x"\nkind = "command"\ncommand = "ring"\n', "expected a list"),
        ('[alarms]\nlatching = ["heater-stuck"]\n', "did you mean 'heater-stuck-on'?"),
        ("[notify]\nrepeat_mins = 5\n", "did you mean 'repeat_min'?"),
        ("[notify]\nmessages_per_10_min = 1\n", "greater than or equal to 3"),
    ],
)
def test_a_wrong_table_is_refused_with_place_and_expectation(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load(_write(tmp_path, text))
    assert told in str(caught.value)
    assert str(tmp_path / "tankwatch.toml") in str(caught.value)


@pytest.mark.parametrize(
    "line",
    [
        'ulr = "https://host.example/T0K3N"',
        'url = ["https://host.example/T0K3N"]',
        'heartbeat = "https://host.example/T0K3N"',
        'url_file = 5\nurl = "https://host.example/T0K3N"',
    ],
)
def test_no_error_shows_a_secret(tmp_path: Path, line: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load(_write(tmp_path, f'[[way]]\nid = "phone"\nkind = "apprise"\n{line}\n'))
    assert "T0K3N" not in str(caught.value)


def test_urls_come_from_environment_file_or_configuration(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = tmp_path / "phone.url"
    secret.write_text("json://127.0.0.1/from-file\n")
    secret.chmod(0o600)
    config = load(_write(tmp_path, '[[way]]\nid = "phone"\nkind = "apprise"\nurl_file = "phone.url"\n'))
    (way,) = config.way
    assert isinstance(way, AppriseWayConfig)
    assert url_of(way) == "json://127.0.0.1/from-file"
    monkeypatch.setenv("TANKWATCH_URL_PHONE", "json://127.0.0.1/from-environment")
    assert url_of(way) == "json://127.0.0.1/from-environment"
    monkeypatch.delenv("TANKWATCH_URL_PHONE")
    secret.unlink()
    with pytest.raises(ConfigError, match="url_file"):
        url_of(way)


def test_the_heartbeat_url_comes_from_its_file(tmp_path: Path) -> None:
    (tmp_path / "beat.url").write_text("https://127.0.0.1/beat\nsecond line\n")
    config = load(_write(tmp_path, '[notify]\nheartbeat_url_file = "beat.url"\n'))
    assert heartbeat_url_of(config.notify) == "https://127.0.0.1/beat"
    assert heartbeat_url_of(load(_write(tmp_path, "")).notify) is None


def test_programs_and_conditions_are_read(tmp_path: Path) -> None:
    text = '[[way]]\nid = "bell"\nkind = "command"\ncommand = ["./ring", "twice"]\n'
    config = load(_write(tmp_path, text + '[alarms]\nlatching = ["heater-stuck-on"]\n'))
    (way,) = config.way
    assert isinstance(way, CommandWayConfig)
    assert way.command == (str(tmp_path / "ring"), "twice")
    assert config.alarms.latching == (Condition.HEATER_STUCK_ON,)


def test_warnings_name_secrets_in_the_open_and_ways_nobody_uses(tmp_path: Path) -> None:
    secret = tmp_path / "phone.url"
    secret.write_text("json://127.0.0.1/T0K3N\n")
    os.chmod(secret, 0o644)
    text = (
        '[[way]]\nid = "phone"\nkind = "apprise"\nurl_file = "phone.url"\n'
        '[[way]]\nid = "open"\nkind = "apprise"\nurl = "json://127.0.0.1/T0K3N"\n'
    )
    told = "\n".join(warnings_of(load(_write(tmp_path, text))))
    assert "phone.url is readable by others (mode 0644)" in told
    assert "way open: the URL, a secret, stands in the configuration file" in told
    assert "way phone: no [[person]] uses it" in told
    assert "T0K3N" not in told
