"""Gaps are stated, drawn and counted as gaps; nothing is computed across one."""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from nights import BEGIN_S, HOUR_S, SPAN, config_of, draw, kept_and_reviewed

from tankwatch.config import TankConfig
from tankwatch.reading import Channel, Reading
from tankwatch.review.chart import chart
from tankwatch.review.measures import water_facts
from tankwatch.review.recording import record
from tankwatch.review.review import review_room
from tankwatch.store.bulk import write_history
from tankwatch.store.reader import StoreReader

TANK = TankConfig(id="t01", volume_l=100.0, setpoint_c=25.0, low_c=24.0, high_c=26.0)


def kept(path: Path, readings: list[Reading]) -> StoreReader:
    write_history(path, readings)
    return StoreReader(path)


def water(seconds: float, value: float) -> Reading:
    return Reading("t01", Channel.TEMPERATURE, BEGIN_S + seconds, value)


def test_a_gap_is_neither_inside_nor_outside_the_band(tmp_path: Path) -> None:
    # 27.0 °C, one above the band, with two hours of silence in the middle of six.
    readings = [water(t, 27.0) for t in range(0, 6 * 3600, 10) if not 7200 <= t < 14400]
    recording = record(kept(tmp_path / "a.db", readings), TANK, BEGIN_S, BEGIN_S + 6 * HOUR_S)
    assert [(g.from_s - BEGIN_S, g.to_s - BEGIN_S) for g in recording.gaps] == [(7190.0, 14400.0)]
    facts = water_facts(recording)
    assert facts is not None
    assert facts.minutes_above == pytest.approx(240.0, abs=4.0)
    assert facts.degree_hours_above == pytest.approx(4.0, abs=0.06)
    assert facts.known_minutes == pytest.approx(240.0, abs=2.0)


def test_no_change_is_measured_across_a_gap(tmp_path: Path) -> None:
    readings = [water(t, 24.0 if t < 7200 else 27.0) for t in range(0, 4 * 3600, 10) if not 5400 < t < 7200]
    recording = record(kept(tmp_path / "a.db", readings), TANK, BEGIN_S, BEGIN_S + 4 * HOUR_S)
    facts = water_facts(recording)
    assert facts is not None
    assert facts.fastest_1h is not None
    assert facts.fastest_1h.change_k == 0.0


@pytest.mark.parametrize(
    ("interval_s", "pause_s", "is_gap"), [(10, 60, False), (10, 200, True), (60, 180, False), (60, 240, True)]
)
def test_three_intervals_or_a_minute_are_no_gap(
    tmp_path: Path, interval_s: int, pause_s: int, is_gap: bool
) -> None:
    tank = TANK.model_copy(update={"probe_interval_s": float(interval_s)})
    times = list(range(0, 3600, interval_s)) + list(range(3600 - interval_s + pause_s, 7200, interval_s))
    recording = record(
        kept(tmp_path / "a.db", [water(t, 25.0) for t in times]), tank, BEGIN_S, BEGIN_S + 7200 - interval_s
    )
    assert bool(recording.gaps) is is_gap
    known = np.isfinite(recording.water_c[recording.inside])
    assert bool(known.all()) is not is_gap


def test_silence_at_either_end_and_throughout_is_told(tmp_path: Path) -> None:
    reader = kept(tmp_path / "a.db", [water(t, 25.0) for t in range(3600, 7200, 10)])
    recording = record(reader, TANK, BEGIN_S, BEGIN_S + 3 * HOUR_S)
    assert [(g.from_s - BEGIN_S, g.to_s - BEGIN_S) for g in recording.gaps] == [(0, 3600), (7190, 10800)]
    later = record(reader, TANK, BEGIN_S + 50 * HOUR_S, BEGIN_S + 52 * HOUR_S)
    assert [g.minutes for g in later.gaps] == [120.0]
    assert water_facts(later) is None


def test_fault_codes_and_spikes_are_left_out_and_counted(tmp_path: Path) -> None:
    readings = [water(t, 25.0) for t in range(0, 3600, 10)]
    for index, value in ((50, 85.0), (51, -127.0), (200, 12.0), (300, 31.0)):
        readings[index] = water(index * 10.0, value)
    recording = record(kept(tmp_path / "a.db", readings), TANK, BEGIN_S, BEGIN_S + HOUR_S)
    facts = water_facts(recording)
    assert facts is not None
    assert (facts.least_c, facts.greatest_c, recording.refused) == (25.0, 25.0, 4)


def test_an_incident_with_a_gap_says_so_and_its_drawing_breaks_the_line(tmp_path: Path) -> None:
    night = draw("dead-element", 1)
    gap = (BEGIN_S + 5 * HOUR_S, BEGIN_S + 6.5 * HOUR_S)
    night.readings = [r for r in night.readings if not gap[0] < r.time_s < gap[1]]
    room = kept_and_reviewed(tmp_path, night)
    tank = room.tanks[0]
    assert [round(g.minutes) for g in tank.gaps] == [90]
    assert [i.course.gap_inside for i in tank.incidents] == [True]
    assert tank.incidents[0].believed is not None
    assert tank.incidents[0].believed.cause is night.cause
    assert "the probe was silent" in tank.reasons
    drawing = chart(tank, ZoneInfo("Etc/UTC"), width=760, key="x")
    assert drawing.count('class="water"') == 2
    assert "no readings" in drawing
    unknown = np.isnan(tank.recording.on[tank.recording.inside])
    assert unknown.sum() == pytest.approx(90, abs=2)


def test_times_without_a_watch_are_told(tmp_path: Path) -> None:
    night = draw("stuck-on", 1)
    path = tmp_path / "room.db"
    write_history(path, night.readings, run=(BEGIN_S - HOUR_S, BEGIN_S + 10 * HOUR_S))
    room = review_room(config_of(path, night), StoreReader(path), SPAN, SPAN.to_s)
    assert [(g.from_s - BEGIN_S, g.to_s - BEGIN_S) for g in room.blind] == [(10 * HOUR_S, 12 * HOUR_S)]
    assert any("nobody watched" in reason for reason in room.reasons)
