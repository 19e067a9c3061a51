"""The key of acknowledgement codes is the watch's alone, and a password is not sent in the open untold."""

import logging
import os
from pathlib import Path

import pytest

from tankwatch.config import Config, warnings_of
from tankwatch.errors import UsageError
from tankwatch.notify.codes import Permit, Signer, load_signer


def _code(folder: Path) -> str:
    return load_signer(folder / "room.db").code("a")


def _key(folder: Path) -> Path:
    return folder / "room.db.key"


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o660, 0o604, 0o602])
def test_a_key_open_to_others_is_given_up_and_told(
    tmp_path: Path, mode: int, caplog: pytest.LogCaptureFixture
) -> None:
    first = _code(tmp_path)
    _key(tmp_path).chmod(mode)
    with caplog.at_level(logging.WARNING):
        assert _code(tmp_path) != first
    assert f"mode {mode:04o}" in caplog.text
    assert _key(tmp_path).stat().st_mode & 0o777 == 0o600
    assert _code(tmp_path) == _code(tmp_path)


def test_a_key_that_someone_else_made_is_given_up(tmp_path: Path) -> None:
    if os.getuid() != 0:
        pytest.skip("only the administrator can give a file away")
    first = _code(tmp_path)
    os.chown(_key(tmp_path), 54_321, -1)
    assert _code(tmp_path) != first
    assert _key(tmp_path).stat().st_uid == 0


def test_a_link_in_place_of_the_key_is_not_followed(tmp_path: Path) -> None:
    planted = tmp_path / "planted"
    planted.write_bytes(b"k" * 32)
    planted.chmod(0o600)
    _key(tmp_path).symlink_to(planted)
    assert _code(tmp_path) != Signer(b"k" * 32).code("a")
    assert not _key(tmp_path).is_symlink()
    assert planted.read_bytes() == b"k" * 32


@pytest.mark.parametrize("text", ["1.e30.\ud800", "1.\udcff.x", "１.e30.x", "1.e30.é"])
def test_what_is_no_ascii_is_no_token(text: str) -> None:
    with pytest.raises(UsageError, match="not made by this watch"):
        Signer(b"k" * 32).read_token(text, 0.0)


def test_a_token_is_good_for_its_own_alarms_only() -> None:
    signer = Signer(b"k" * 32)
    body = signer.token(Permit((99,), "sam", 2e9)).split(".")[1]
    signed = signer.token(Permit((3,), "sam", 2e9)).split(".")[2]
    with pytest.raises(UsageError, match="not made by this watch"):
        signer.read_token(f"1.{body}.{signed}", 0.0)


@pytest.mark.parametrize(
    ("host", "told"),
    [
        ("127.0.0.1", False),
        ("127.8.9.1", False),
        ("localhost", False),
        ("::1", False),
        ("127.0.0.1.attacker.example", True),
        ("localhost.example", True),
        ("192.0.2.7", True),
        ("2001:db8::1", True),
    ],
)
def test_a_password_in_the_open_is_told_unless_it_stays_on_this_machine(host: str, told: bool) -> None:
    source = {"id": "broker", "kind": "mqtt", "host": host, "username": "w"}
    config = Config.model_validate({"room": {"name": "x"}, "source": [source]})
    assert any("crosses the network unencrypted" in line for line in warnings_of(config)) is told


def test_no_key_of_the_configuration_turns_the_check_of_certificates_off() -> None:
    """The keys of a broker that speak of TLS: whether, and whom to trust; an unknown one is refused."""
    from tankwatch.config import MqttSourceConfig
    from tankwatch.config_rooms import CentreConfig, PublishConfig

    for table in (MqttSourceConfig, PublishConfig, CentreConfig):
        words = ("tls", "ca_", "cert", "verif", "insecure", "hostname", "ssl")
        assert {key for key in table.model_fields if any(word in key for word in words)} == {"tls", "ca_file"}


@pytest.mark.parametrize(
    ("url", "told"),
    [
        ("postgresql://w@db.example/tanks", True),
        ("postgresql://w@db.example/tanks?sslmode=require", True),
        ("postgresql://w@db.example/tanks?sslmode=verify-full", False),
        ("postgresql://w@127.0.0.1:5433/tanks", False),
        ("postgresql://w@[2001:db8::1]:5433/tanks", True),
        ("postgresql:///tanks?host=/run/postgresql", False),
        ("postgresql:///tanks?host=db.example", True),
    ],
)
def test_a_central_store_that_proves_nothing_is_told(
    url: str, told: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """PostgreSQL manual, "SSL Support", table of the modes: only the verify- ones look at the certificate."""
    monkeypatch.delenv("PGSSLMODE", raising=False)
    config = Config.model_validate({"room": {"name": "x"}, "forward": {"url": url}})
    assert any("nothing proves that" in line for line in warnings_of(config)) is told
    monkeypatch.setenv("PGSSLMODE", "verify-full")
    told_still = told and "sslmode" in url
    assert any("nothing proves that" in line for line in warnings_of(config)) is told_still


def test_a_password_file_of_the_central_store_that_others_may_read_is_told(tmp_path: Path) -> None:
    file = tmp_path / "pass"
    file.write_text("x")
    file.chmod(0o644)
    forward = {"url": "postgresql:///tanks", "password_file": file}
    config = Config.model_validate({"room": {"name": "x"}, "forward": forward})
    assert [line for line in warnings_of(config) if "is readable by others (mode 0644)" in line]
