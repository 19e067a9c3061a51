"""The weeks in review: lines against a reference library, figures against simulated tanks of known truth."""

import json
import random
from collections.abc import Iterator
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from scipy.stats import linregress
from test_review_page import _Outline, look_at

from tankwatch.cli import run
from tankwatch.clock import ManualClock
from tankwatch.config import Config, RoomConfig, StoreConfig, TankConfig
from tankwatch.reading import Channel, Reading
from tankwatch.review.days import day_facts
from tankwatch.review.line import fit_line
from tankwatch.review.page_shell import write_pieces
from tankwatch.review.signature import find_signature
from tankwatch.review.weeks import RoomWeeks, TankWeeks, review_weeks
from tankwatch.review.weeks_page import weeks_page
from tankwatch.review.weeks_words import weeks_json, weeks_lines
from tankwatch.simulate.room import RoomAir
from tankwatch.simulate.tank import Fault, FaultKind, TankSim, TankSpec
from tankwatch.store.bulk import write_history
from tankwatch.store.reader import StoreReader

DAY_S = 86_400.0
BEGIN_S = 1_788_220_800.0
"""2026-09-01 00:00 UTC."""
WEEKS = 5
STEP_S = 120.0
HOSTILE = '<script>alert(1)</script>" onload="x"\u202e&amp;'


def simulated(tank: str, faults: tuple[Fault, ...] = ()) -> Iterator[Reading]:
    """Yield the readings of a tank of 120 L with 150 W and 7.0 W/K, in a room that grows 3 K warmer."""
    air = RoomAir(mean_c=19.0, trend_k_per_day=3.0 / 35, start_s=BEGIN_S, days=36, seed=3)
    sim = TankSim(TankSpec(tank, interval_s=STEP_S), air, BEGIN_S, seed=4, faults=faults)
    while sim.time_s < BEGIN_S + 7 * WEEKS * DAY_S:
        sim.advance(sim.time_s + STEP_S)
        now_s, water_c = sim.time_s, sim.probe_c()
        if water_c is not None:
            yield Reading(tank, Channel.TEMPERATURE, now_s, water_c)
        yield Reading(tank, Channel.HEATER, now_s, float(sim.heater_on))
        yield Reading(tank, Channel.LIGHT, now_s, float(sim.light_on))
        yield Reading(tank, Channel.AIR, now_s, round(air.temperature_c(now_s) / 0.0625) * 0.0625)


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Config:
    """A store with a tank that is well, one whose lid is off from the third week, one whose heater ages."""
    path = tmp_path_factory.mktemp("weeks") / "room.db"
    lid = Fault(FaultKind.LID_OFF, BEGIN_S + 21 * DAY_S, size=1.4)
    ages = [BEGIN_S + (10 + 5 * i) * DAY_S for i in range(6)]
    weak = tuple(
        Fault(FaultKind.WEAK_ELEMENT, a, b, 1.0 - 0.05 * (i + 1)) for i, (a, b) in enumerate(pairwise(ages))
    )
    readings = [*simulated("well"), *simulated("lid", (lid,)), *simulated("weak", weak)]
    clock = ManualClock(wall=BEGIN_S + 7 * WEEKS * DAY_S + 7200.0)
    write_history(path, sorted(readings, key=lambda r: r.time_s), sealed=True, clock=clock)
    names = {"well": HOSTILE, "lid": "Lid", "weak": "Weak"}
    tanks = tuple(
        TankConfig(
            id=tank, name=name, volume_l=120.0, setpoint_c=25.0, heater_w=150.0, probe_interval_s=STEP_S
        )
        for tank, name in names.items()
    )
    return Config(room=RoomConfig(name=HOSTILE), store=StoreConfig(path=path), tank=tanks)


@pytest.fixture(scope="module")
def review(config: Config) -> RoomWeeks:
    now_s = BEGIN_S + 7 * WEEKS * DAY_S + 3600.0
    return review_weeks(config, StoreReader(config.store.path), WEEKS, now_s)


def tank_of(review: RoomWeeks, tank: str) -> TankWeeks:
    return next(one for one in review.tanks if one.tank.id == tank)


def test_the_line_is_that_of_a_reference_library() -> None:
    rng = random.Random(5)
    x = [rng.uniform(15.0, 25.0) for _ in range(40)]
    y = [1.1 - 0.04 * value + rng.gauss(0.0, 0.02) for value in x]
    line = fit_line(x, y)
    known = linregress(x, y)
    assert line is not None
    assert line.slope == pytest.approx(known.slope, rel=1e-9)
    assert line.intercept == pytest.approx(known.intercept, rel=1e-9)
    assert line.slope_sigma == pytest.approx(known.stderr, rel=1e-9)
    assert fit_line([20.0, 20.0, 20.0], [0.1, 0.2, 0.3]) is None
    assert fit_line([20.0, 21.0], [0.1, 0.2]) is None


def test_a_tank_that_is_well_shows_its_true_loss_and_power(review: RoomWeeks) -> None:
    well = tank_of(review, "well")
    assert (review.span.from_s, review.span.hours) == (BEGIN_S, 7 * WEEKS * 24.0)
    assert well.signature is not None
    assert well.signature.loss_w_per_k is not None
    assert well.signature.loss_w_per_k == pytest.approx(7.0, rel=0.06)
    # In balance the duty is 1 where the room is P/K colder than the water, less what the lamp gives.
    gains_k = 3.0 * 7.0 / 24.0 / 7.0
    assert well.signature.full_duty_room_c == pytest.approx(25.0 - 150.0 / 7.0 - gains_k, abs=1.5)
    for week in well.weeks:
        assert week.heater_w is not None
        assert week.loss_w_per_k is not None
        assert week.light_h is not None
        assert week.heater_w.value == pytest.approx(150.0, rel=0.05)
        assert week.loss_w_per_k == pytest.approx(7.0, rel=0.05)
        assert week.light_h == pytest.approx(7.0, abs=0.1)
        assert week.swing_k is not None
        assert 0.4 < week.swing_k < 1.0
    assert well.reasons == ()


def test_a_lid_off_is_more_loss_and_an_ageing_heater_less_power(review: RoomWeeks) -> None:
    lid, weak = tank_of(review, "lid"), tank_of(review, "weak")
    assert lid.loss_drift is not None
    assert lid.loss_drift.is_notable
    assert lid.loss_drift.end == pytest.approx(7.0 * 1.4, rel=0.06)
    assert lid.heater_drift is not None
    assert not lid.heater_drift.is_notable
    assert [reason for reason in lid.reasons if "more heat" in reason] == list(lid.reasons) != []
    assert weak.heater_drift is not None
    assert weak.heater_drift.is_notable
    assert weak.heater_drift.end == pytest.approx(150.0 * 0.75, rel=0.06)
    assert weak.loss_drift is not None
    assert not weak.loss_drift.is_notable
    assert weak.signature_from > tank_of(review, "well").signature_from, (
        "only the newest weeks tell what is now"
    )
    assert review.needs_attention


def test_half_known_days_are_not_told_and_fault_codes_are_no_swing(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    readings = []
    for day, hours in enumerate((24, 12, 24)):
        for step in range(hours * 12):
            now_s = BEGIN_S + day * DAY_S + step * 300.0
            spoilt = day == 2 and step == 100
            readings.append(
                Reading("t01", Channel.TEMPERATURE, now_s, 85.0 if spoilt else 25.0 + step % 2 / 10)
            )
            readings.append(Reading("t01", Channel.HEATER, now_s, float(step % 12 < 3)))
    write_history(path, readings)
    days = day_facts(StoreReader(path), "t01", date(2026, 9, 1), 4, ZoneInfo("Etc/UTC"))
    assert [day.day for day in days] == [date(2026, 9, 1) + timedelta(days=i) for i in range(4)]
    assert [day.duty for day in days] == [
        pytest.approx(0.25, abs=0.005),
        None,
        pytest.approx(0.25, abs=0.005),
        None,
    ]
    assert [day.swing_k for day in days] == [pytest.approx(0.1), None, pytest.approx(0.1), None]
    assert {day.air_c for day in days} == {day.light_h for day in days} == {None}
    assert find_signature(days, 150.0) is None


def test_a_local_day_of_25_hours_is_one_day(tmp_path: Path) -> None:
    # Clocks go back on 2026-10-25 in the European Union (Directive 2000/84/EC).
    zone, path = ZoneInfo("Europe/Lisbon"), tmp_path / "room.db"
    begin_s = 1_792_882_800.0  # 2026-10-24 23:00 UTC, midnight there
    write_history(path, [Reading("t01", Channel.LIGHT, begin_s + 300.0 * i, 1.0) for i in range(25 * 12)])
    (day,) = day_facts(StoreReader(path), "t01", date(2026, 10, 25), 1, zone)
    assert day.light_h == pytest.approx(25.0, abs=0.01)


def test_text_and_json_tell_the_same(review: RoomWeeks) -> None:
    text = "\n".join(weeks_lines(review))
    assert "heat-loss signature" in text
    assert "look for a lid left open" in text
    assert "look for an ageing element" in text
    assert text.count("no more than chance or a trifle") == 4
    assert "not a safety device" in text
    assert "\u202e" not in text
    found = json.loads(json.dumps(weeks_json(review)))
    lid = next(tank for tank in found["tanks"] if tank["tank"] == "lid")
    assert found["from"] == "2026-09-01T00:00:00Z"
    assert len(lid["weeks"]) == WEEKS
    assert len(lid["days"]) == 7 * WEEKS
    assert lid["weeks"][0]["first_day"] == "2026-09-01"
    assert lid["loss_drift_w_per_k"]["end"] == pytest.approx(9.8, rel=0.06)
    assert lid["signature"]["duty_per_k"] < 0


def test_the_page_has_a_drawing_with_words_and_escapes_what_comes_from_outside(review: RoomWeeks) -> None:
    text = "".join(weeks_page(review))
    outline = _Outline()
    outline.feed(text)
    assert outline.open == []
    assert outline.events == []
    assert "script" not in outline.tags
    assert all(address.startswith(("#", "data:,")) for address in outline.addresses)
    assert len(set(outline.ids)) == len(outline.ids)
    assert text.count('class="fit"') == 6
    assert text.count("<desc ") == 6
    assert f"{7 * WEEKS} days; the room lay between" in text
    # The newest seven days are told by a shape, in both widths of three tanks.
    assert text.count('class="fresh"') == 6 * 7
    assert text.count('class="day"') == 6 * 7 * (WEEKS - 1)


def test_a_browser_and_an_accessibility_checker_find_nothing(review: RoomWeeks, tmp_path: Path) -> None:
    write_pieces(weeks_page(review), tmp_path / "weeks.html")
    look_at(tmp_path / "weeks.html", tmp_path)


def test_the_command_gives_its_status_and_refuses_what_does_not_fit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "room.toml"
    path.write_text('[room]\nname = "R"\n[[tank]]\nid = "t01"\nvolume_l = 100.0\nsetpoint_c = 25.0\n')
    write_history(tmp_path / "tankwatch.db", [Reading("t01", Channel.TEMPERATURE, BEGIN_S, 25.0)])
    assert run(["review", str(path), "--weeks", "2", "--html", str(tmp_path / "weeks.html")]) == 0
    assert "not known: too few whole days" in (tmp_path / "weeks.html").read_text()
    assert run(["review", str(path), "--weeks", "2", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["tanks"][0]["signature"] is None
    for arguments, words in (
        (("--weeks", "0"), "1 to 520"),
        (("--weeks", "2", "--night", "2026-09-01"), "leave --night away"),
        (("--weeks", "2", "--alarms"), "leave --alarms away"),
    ):
        assert run(["review", str(path), *arguments]) == 2
        assert words in capsys.readouterr().err
