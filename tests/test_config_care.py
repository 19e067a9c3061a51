"""`[tank.care]`: documented defaults, clear refusals, and used by plans, forms and the routine."""

import argparse
import json
from pathlib import Path

import pytest

from tankwatch.care.cli_plan import add_plan_parser, run_plan
from tankwatch.care.known import Known, known_of
from tankwatch.care.schedule import DEFAULT_ROUTINE, DueState, routine_every
from tankwatch.config import Config, load
from tankwatch.config_care import CareConfig
from tankwatch.errors import ConfigError
from tankwatch.screen.care.fill_form import FillForm
from tankwatch.screen.care.past import CarePast, due
from tankwatch.store.entry import LogEntry

DAY_S = 86_400.0
NOW_S = 1_795_572_000.0
ROOM = '[room]\nname = "Back room"\n[[tank]]\nid = "t01"\nvolume_l = 120.0\nsetpoint_c = 25.0\n'
CARE = (
    "[tank.care]\nlength_cm = 80\nwidth_cm = 40\nlift_cm = 4\nconditioner_ml_per_l = 0.0125\n"
    "conditioner_max_ml_per_l = 0.05\nchange_days = 7\n"
)


def written(folder: Path, text: str) -> Path:
    path = folder / "tankwatch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def plan(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, object]:
    parser = argparse.ArgumentParser()
    add_plan_parser(parser.add_subparsers(dest="name"))
    assert run_plan(parser.parse_args(["plan", *words, "--json"])) == 0
    found: dict[str, object] = json.loads(capsys.readouterr().out)
    return found


def known(config: Config) -> Known:
    return known_of(config, "t01", None, NOW_S)


def test_without_the_table_the_routine_is_the_usual_one(tmp_path: Path) -> None:
    (tank,) = load(written(tmp_path, ROOM)).tank
    assert tank.care == CareConfig()
    assert tank.care.days == {task.key: task.every_days for task in DEFAULT_ROUTINE}
    assert routine_every(tank.care.days) == DEFAULT_ROUTINE


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("length_cm = 80", "expected both length_cm and width_cm"),
        ("chang_days = 7", "did you mean 'change_days'?"),
        ("change_days = 0", "greater than 0"),
        ("conditioner_max_ml_per_l = 0.5", "needs conditioner_ml_per_l"),
        ("conditioner_ml_per_l = 0.5\nconditioner_max_ml_per_l = 0.1", "at least the dose, got 0.1 < 0.5"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(tmp_path: Path, line: str, told: str) -> None:
    with pytest.raises(ConfigError, match=r"tank\.care") as refused:
        load(written(tmp_path, ROOM + "[tank.care]\n" + line + "\n"))
    assert told in str(refused.value)
    assert "tankwatch.toml:" in str(refused.value)


def test_fill_and_dose_take_what_is_not_given_from_the_tank(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tank = ("--tank", "t01", "--config", str(written(tmp_path, ROOM + CARE)), "--tap", "chlorine")
    # By hand: 80 cm x 40 cm x 4 cm is 12.8 L a lift; 0.0125 mL/L for all 120 L is 1.5 mL.
    bare = plan(capsys, "fill", *tank, "--fill", "25.6")
    assert [lift["litres"] for lift in bare["lifts"]] == pytest.approx([12.8, 12.8])  # type: ignore[attr-defined]
    said = ("--length", "80", "--width", "40", "--lift", "4", "--label-ml", "0.0125", "--label-l", "1")
    spelt = plan(capsys, "fill", *tank, *said, "--label-max", "0.05", "--fill", "25.6")
    assert spelt == bare
    dose = plan(capsys, "dose", *tank, "--new", "40", "--into", "tank")
    assert dose["dose"]["ml"] == pytest.approx(1.5)  # type: ignore[index]


def test_the_maximum_of_one_bottle_is_not_put_on_another(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tank = ("--tank", "t01", "--config", str(written(tmp_path, ROOM + CARE)), "--new", "40")
    own = plan(capsys, "dose", *tank)
    other = plan(capsys, "dose", *tank, "--label-ml", "5", "--label-l", "40")
    said = "the label's maximum is not given, so the running total is not judged"
    assert said not in own["assumptions"]  # type: ignore[operator]
    assert said in other["assumptions"]  # type: ignore[operator]


def test_the_form_of_new_water_begins_with_it(tmp_path: Path) -> None:
    form = FillForm("Long tank", known(load(written(tmp_path, ROOM + CARE))), None, 0.0)
    start = {field.key: field.start for field in form.fields}
    wanted = {
        "label_ml": "0.0125",
        "label_l": "1",
        "most": "0.05",
        "length": "80",
        "width": "40",
        "lift": "4",
    }
    assert {key: start[key] for key in wanted} == wanted
    assert len(form.check({"new": "25.6"}).lifts) == 2
    plain = FillForm("Long tank", known(load(written(tmp_path, ROOM))), None, 0.0)
    start = {field.key: field.start for field in plain.fields}
    assert (start["label_ml"], start["label_l"], start["most"], start["lift"]) == ("", "", "", "5")


def test_the_routine_falls_due_by_the_days_of_the_tank(tmp_path: Path) -> None:
    past = CarePast("t01", entries=[LogEntry(NOW_S - 8 * DAY_S, "t01", "change", "", "10 L")])

    def change_of(days: dict[str, float]) -> tuple[DueState, float]:
        found = next(d for d in due(past, NOW_S, routine_every(days)) if d.task.key == "change")
        return found.state, round(found.due_in_days, 6)

    assert change_of({}) == (DueState.LATER, 6.0)
    (tank,) = load(written(tmp_path, ROOM + CARE)).tank
    assert change_of(tank.care.days) == (DueState.DUE, -1.0)
