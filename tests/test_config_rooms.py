"""The tables that tie rooms together: what a wrong one is told, and what is unwise."""

from pathlib import Path

import pytest

from tankwatch.config import load, password_of, warnings_of
from tankwatch.errors import ConfigError
from tankwatch.rooms.session import broker_of


def _file(folder: Path, text: str) -> Path:
    path = folder / "room.toml"
    path.write_text('[room]\nname = "x"\n' + text)
    return path


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "[publish]\nheartbeat = 5\n",
            "room.toml:4: [publish] heartbeat = 5: unknown key (did you mean 'heartbeat_s'?)",
        ),
        ("[publish]\nheartbeat_s = 0.5\n", "expected greater than or equal to 1"),
        ("[publish]\nport = 0\n", "room.toml:4: [publish] port = 0: expected greater than or equal to 1"),
        ('[publish]\ntopic = "fish/#"\n', "expected the first levels of a topic, such as fish/watch"),
        ("[publish]\nmessages_per_s = true\n", "[publish] messages_per_s = true: expected a number"),
        ('[centre]\nrooms = ["Back room"]\n', "[centre] rooms = 'Back room':"),
        ('[centre]\nrooms = ["a", "a"]\n', "expected every room once, got 'a' twice"),
        ("[centre]\nsilent_after_s = 1.0\n", "expected greater than or equal to 3"),
        ("[[centre]]\nport = 1\n", "expected a table"),
    ],
)
def test_a_wrong_table_says_where_and_what_was_expected(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(ConfigError) as error:
        load(_file(tmp_path, text))
    assert told in str(error.value)


def test_without_the_tables_nothing_is_published_and_nothing_heard(tmp_path: Path) -> None:
    config = load(_file(tmp_path, ""))
    assert config.publish is None
    assert config.centre is None


def test_a_password_is_found_and_what_is_unwise_about_it_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = tmp_path / "secret"
    secret.write_text("mud\n")
    secret.chmod(0o644)
    config = load(
        _file(
            tmp_path,
            '[publish]\nhost = "broker.example"\nusername = "back-room"\npassword_file = "secret"\n'
            '[centre]\npassword = "open"\n',
        )
    )
    assert config.publish is not None
    assert config.centre is not None
    assert config.publish.password_file == secret
    assert password_of(broker_of(config.publish, "publish")) == "mud"
    told = list(warnings_of(config))
    assert any(t.startswith("[publish]: ") and "readable by others" in t for t in told)
    assert "[publish]: the password crosses the network unencrypted; set tls = true" in told
    assert "[centre]: the password stands in the configuration file; prefer password_file" in told
    monkeypatch.setenv("TANKWATCH_PASSWORD_CENTRE", "sand")
    assert password_of(broker_of(config.centre, "centre")) == "sand"
