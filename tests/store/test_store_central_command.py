"""`tankwatch central`, and what `check --live` and the page of health say of the central store."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from store_data import T0, step, temperature

from tankwatch.cli import run
from tankwatch.config import Config
from tankwatch.screen.health_page import _forward
from tankwatch.screen.ink import plain
from tankwatch.snapshot import ForwardSnapshot
from tankwatch.store import numbers
from tankwatch.store.bulk import write_history
from tankwatch.store.postgres.connection import connect
from tankwatch.store.postgres.live_check import try_central
from tankwatch.store.postgres.reader import PostgresReader
from tankwatch.store.postgres.schema import MIGRATIONS
from tankwatch.store.postgres.write import write_history as write_central


def _config(url: str, path: Path) -> Config:
    return Config.model_validate(
        {
            "room": {"name": "Back room"},
            "store": {"path": path},
            "tank": [{"id": "t01", "volume_l": 120.0, "setpoint_c": 25.0}],
            "forward": {"url": url},
        }
    )


def test_the_command_makes_tables_months_and_rights_and_may_run_again(
    postgres_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with connect(postgres_url) as owner:
        for role in ("command_writer", "command_reader"):
            owner.execute(f"CREATE ROLE {role} LOGIN".encode())
    words = ["central", postgres_url, "--writer", "command_writer", "--reader", "command_reader"]
    assert run(words) == 0
    out = capsys.readouterr().out
    assert f"tables: {', '.join(MIGRATIONS)} applied" in out
    assert "command_writer may add what is new; command_reader may look" in out
    month = datetime.now(UTC).strftime("reading_%Y_%m")
    with connect(postgres_url) as owner:
        (made,) = owner.execute(
            "SELECT count(*) FROM pg_class WHERE relname LIKE 'reading\\_2%' AND relkind = 'r'"
        ).fetchone() or (0,)
        assert made == 3
        assert owner.execute("SELECT to_regclass(%s) IS NOT NULL", (month,)).fetchone() == (True,)
    assert PostgresReader(postgres_url.replace("owner@", "command_reader@"), "r").span() is None
    assert run(words) == 0
    assert "tables: up to date" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["room.db"], "expected postgresql://OWNER@HOST/DATABASE"),
        (["postgresql://127.0.0.1/x", "--writer", "w"], "name both roles"),
    ],
)
def test_wrong_use_of_the_command_is_told(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["central", *words]) == 2
    assert said in capsys.readouterr().err


def test_a_live_check_tells_the_user_and_how_far_it_is(postgres_url: str, tmp_path: Path) -> None:
    config = _config(postgres_url, tmp_path / "room.db")
    (found,) = try_central(config)
    assert found.ok
    assert "connected as owner; there are no tables yet; `tankwatch central" in found.detail
    write_history(config.store.path, [temperature(0), temperature(90)], [])
    write_central(postgres_url, "other", [temperature(0)])
    assert "nothing of room back-room is there yet" in try_central(config)[0].detail
    write_central(postgres_url, "back-room", [temperature(0)])
    assert try_central(config)[0].detail.endswith("its newest reading 90 s behind the store here")
    with connect(postgres_url) as owner:
        owner.execute("INSERT INTO migration VALUES ('9999_later', now())")
    (found,) = try_central(config)
    assert (found.ok, "newer tankwatch" in found.detail) == (False, True)
    (away,) = try_central(_config("postgresql://owner@127.0.0.1:1/none", tmp_path / "room.db"))
    assert (away.ok, "cannot be reached" in away.detail) == (False, True)


def test_numbers_set_apart_are_not_given_again(postgres_url: str) -> None:
    write_central(postgres_url, "r", [temperature(0)], [step(7)])
    reader = PostgresReader(postgres_url, "r")
    assert reader.next_alarm_id() == 8
    with connect(postgres_url) as owner:
        owner.execute(
            "INSERT INTO memory (room, key, value, time_s) VALUES ('r', %s, %s, %s)",
            (numbers.KEY, '{"beyond": 108}', T0),
        )
    assert reader.next_alarm_id() == 108


@pytest.mark.parametrize(
    ("health", "said"),
    [
        (ForwardSnapshot("postgresql://db/t", 5.0, 1200), "has all but the last seconds; 1 200 rows sent"),
        (ForwardSnapshot("postgresql://db/t", 5400.0, 0), "behind for 1 h 30 min; 0 rows sent"),
        (ForwardSnapshot("postgresql://db/t", 9.0, 3, "It is away."), "It is away. Nothing is lost"),
    ],
)
def test_the_page_of_health_tells_how_the_central_store_is(health: ForwardSnapshot, said: str) -> None:
    text = " ".join(" ".join(plain(_forward(health, 110))).split())
    assert text.startswith("central store postgresql://db/t")
    assert said in text
