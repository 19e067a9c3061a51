"""The plan command: options in, text or JSON out, clear errors; what is known of a tank is filled in."""

import argparse
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tankwatch.care.cli_plan import add_plan_parser, run_plan
from tankwatch.care.known import known_of
from tankwatch.care.season import Season
from tankwatch.config import Config
from tankwatch.errors import ConfigError, TankwatchError, UsageError
from tankwatch.physics.chlorine import DOSING_AGENTS
from tankwatch.snapshot import Estimate, LiveValue, ModelSnapshot, RoomSnapshot, TankSnapshot

Run = Callable[..., str]
JANUARY_S = 1_768_500_000.0  # 2026-01-15

CONFIG = Config.model_validate(
    {
        "room": {"name": "Back room", "hemisphere": "south"},
        "tank": [{"id": "t01", "volume_l": 120.0, "setpoint_c": 25.0, "heater_w": 150.0}],
    }
)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run `plan` with these words and return its standard output."""

    def _run(*words: str) -> str:
        parser = argparse.ArgumentParser()
        add_plan_parser(parser.add_subparsers(dest="name"))
        arguments = parser.parse_args(["plan", *words])
        assert arguments.command is run_plan
        assert run_plan(arguments) == 0
        return capsys.readouterr().out

    return _run


COMPLETE = {
    "change": "change --volume 120 --water 25 --new 18 --percent 30",
    "dose": "dose --volume 120 --new 40 --label-ml 5 --label-l 40",
    "fill": "fill --volume 120 --fill 30 --length 100 --width 30 --chemical thiosulfate --solution 100",
    "ammonia": "ammonia --ammonia 1 --ph 8 --water 24",
    "oxygen": "oxygen --water 25 --altitude 500",
    "filter": "filter --volume 100 --feed 2 --media 1 --water 25",
    "heater": "heater --setpoint 25 --coldest 15 --length 60 --width 30 --height 36",
}


@pytest.mark.parametrize("name", sorted(COMPLETE))
def test_every_plan_prints_all_its_parts(run: Run, name: str) -> None:
    text = run(*COMPLETE[name].split())
    for heading in ("Do", "Given", "Assumed", "Working", "Caution"):
        assert f"\n{heading}\n" in text
    data = json.loads(run(*COMPLETE[name].split(), "--json"))
    assert {"title", "advice", "inputs", "assumptions", "working", "warnings", "caution"} < data.keys()
    assert all(step.keys() == {"numbers_in", "formula", "numbers_out"} for step in data["working"])


def test_json_carries_the_numbers(run: Run) -> None:
    data = json.loads(run(*COMPLETE["ammonia"].split(), "--json"))
    assert data["nh3_mg_n_per_l"] == pytest.approx(0.0502, abs=0.0001)  # UF/IFAS FA-16, worked example
    data = json.loads(run(*COMPLETE["fill"].split(), "--json"))
    assert [lift["litres"] for lift in data["lifts"]] == pytest.approx([15.0, 15.0])
    weak = "change --volume 100 --water 25 --new 20 --heater-w 20 --loss 5 --room 20 --json"
    assert json.loads(run(*weak.split()))["recovery_min"] == "never"


def test_nitrate_over_repeated_changes(run: Run) -> None:
    words = "change --percent 25% --nitrate 40 --tap-nitrate 5 --nitrate-grows 10 --nitrate-target 25 --json"
    data = json.loads(run(*words.split()))
    assert data["steady"] == pytest.approx({"before_change": 45.0, "after_change": 35.0})
    assert data["changes_to_target"] == 2


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ("change --volume -5 --water 25 --new 18", "tank volume in litres must be above 0, got -5"),
        ("change --volume 100 --water 25 --new 18 --litres 200", "share changed must be from 0 to 1, got 2"),
        ("change --volume 100 --water nan --new 18", "water temperature in °C"),
        ("change --volume 100 --new 18", "the tank's temperature is not known: give --water"),
        ("ammonia --ammonia 1 --ph 15 --water 25", "pH must be from 0 to 14, got 15"),
        ("dose --volume 120 --new 40", "say which conditioner"),
        ("dose --volume 120 --new 40 --label-ml 5", "needs both --label-ml and --label-l"),
        ("dose --volume 120 --new 4 --chemical sulfite --tap chlorine --tap-as nh2cl", "counts chloramine"),
        ("fill --volume 120 --fill 40 --label-ml 5 --label-l 40", "the footprint is not known"),
        ("heater --setpoint 25 --coldest 15 --length 60", "all of --length, --width and --height"),
        ("heater --volume 100 --setpoint 25 --coldest 15", "give the fitted loss in W/K"),
        ("oxygen --config somewhere.toml --water 25", "add --tank ID"),
    ],
)
def test_nonsense_is_refused_with_a_sentence(run: Run, words: str, complaint: str) -> None:
    with pytest.raises(UsageError) as refused:
        run(*words.split())
    assert complaint in str(refused.value)
    assert refused.value.exit_status == 2


def test_every_dosing_chemical_can_be_asked_for(run: Run) -> None:
    for key in DOSING_AGENTS:
        assert DOSING_AGENTS[key].name in run(*f"dose --volume 120 --new 40 --chemical {key}".split())


def test_200_per_cent_is_refused(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        run(*["change", "--volume", "100", "--water", "25", "--new", "18", "--percent", "200"])
    assert ended.value.code == 2
    assert "expected a percentage from 0 to 100, got '200'" in capsys.readouterr().err


def _picture(temperature: LiveValue, model: ModelSnapshot | None = None) -> RoomSnapshot:
    tank = TankSnapshot(
        "t01", "t01", 25.0, 23.0, 27.5, {"temperature": temperature}, model=model or ModelSnapshot()
    )
    return RoomSnapshot(JANUARY_S, "Back room", "Etc/UTC", JANUARY_S, tanks=(tank,))


def test_known_comes_from_configuration_and_watch() -> None:
    model = ModelSnapshot(
        heater_w=Estimate(138.0, 3.0), loss_w_per_k=Estimate(6.2, 0.3), room_c=Estimate(19.0, 0.5)
    )
    known = known_of(CONFIG, "t01", _picture(LiveValue(24.8, JANUARY_S, 4.0), model), JANUARY_S)
    assert (known.volume_l, known.water_c, known.room_c) == (120.0, 24.8, 19.0)
    assert (known.heater_w, known.loss_w_per_k, known.loss_uncertainty_w_per_k) == (138.0, 6.2, 0.3)
    assert (known.low_c, known.high_c, known.limit_k) == (23.0, 27.5, 1.5)
    assert known.season is Season.SUMMER  # January in the south


def test_old_values_are_not_planned_with() -> None:
    stale = known_of(CONFIG, "t01", _picture(LiveValue(24.8, JANUARY_S, 900.0, stale=True)), JANUARY_S)
    retained = known_of(CONFIG, "t01", _picture(LiveValue(24.8, JANUARY_S, 1.0, retained=True)), JANUARY_S)
    assert stale.water_c is None
    assert retained.water_c is None
    assert known_of(CONFIG, "t01", None, JANUARY_S).heater_w == 150.0  # rated, without a watch
    with pytest.raises(ConfigError, match="no tank 't02'"):
        known_of(CONFIG, "t02", None, JANUARY_S)


def test_a_configured_tank_fills_in_what_was_not_given(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    path = tmp_path / "tankwatch.toml"
    path.write_text(
        '[room]\nname = "Back room"\n[[tank]]\nid = "t01"\nvolume_l = 120.0\nsetpoint_c = 25.0\n'
        "max_rate_c_per_h = 1.0\n"
    )
    words = ["change", "--tank", "t01", "--config", str(path), "--water", "25", "--new", "15", "--json"]
    data = json.loads(run(*words))
    assert data["inputs"]["tank"] == "120 L at 25 °C"
    assert data["drop_k"] <= 1.0 + 1e-9
    with pytest.raises(TankwatchError, match="no tank 't99'"):
        run("change", "--tank", "t99", "--config", str(path), "--water", "25", "--new", "15")
