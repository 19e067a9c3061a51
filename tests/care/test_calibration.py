"""Calibration of a probe: its numbers, its uncertainties, its drift, and the command that keeps it."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from conftest import CheckRow

from tankwatch.care.calibration import (
    ICE_POINT_C,
    ICE_POINT_UNCERTAINTY_K,
    Calibration,
    Point,
    drift,
    parse,
    text_of,
)
from tankwatch.errors import UsageError

DAY_S = 86_400.0


def test_the_ice_point_is_the_published_one(check_row: Callable[[str], CheckRow]) -> None:
    row = check_row("icepoint")  # ASTM E563
    row.agrees(ICE_POINT_C)
    assert row.tolerance == ICE_POINT_UNCERTAINTY_K


def test_one_point_gives_an_offset() -> None:
    calibration = parse(["ice=0.31"], 0.0)
    assert (calibration.scale, calibration.scale_u) == (1.0, None)
    assert calibration.offset_c == pytest.approx(-0.31)
    assert calibration.corrected_c(0.31) == pytest.approx(0.0)
    assert calibration.uncertainty_k(25.0) == pytest.approx(np.hypot(0.05, 0.03))


def test_two_points_are_met_exactly() -> None:
    calibration = parse(["30.0=30.5", "ice=0.2", "reference=0.1"], 0.0)
    assert calibration.corrected_c(0.2) == pytest.approx(0.0)
    assert calibration.corrected_c(30.5) == pytest.approx(30.0)
    assert calibration.scale == pytest.approx(30.0 / 30.3)


@pytest.mark.parametrize("reading_c", [0.2, 10.0, 25.0, 30.5, 34.0])
def test_uncertainties_agree_with_a_simulation(reading_c: float) -> None:
    """Propagation of distributions by drawing (JCGM 101:2008), numpy as the reference."""
    points = (Point(0.0, 0.2, 0.05, 0.03), Point(30.0, 30.5, 0.1, 0.03))
    calibration = Calibration(0.0, points)
    rng = np.random.default_rng(1)
    references = [rng.normal(p.reference_c, p.reference_u_k, 200_000) for p in points]
    shown = [rng.normal(p.reading_c, p.reading_u_k, 200_000) for p in points]
    scales = (references[1] - references[0]) / (shown[1] - shown[0])
    corrected = references[0] + scales * (reading_c - shown[0])
    assert calibration.uncertainty_k(reading_c) == pytest.approx(float(np.std(corrected)), rel=0.02)
    assert calibration.scale_u == pytest.approx(float(np.std(scales)), rel=0.02)


def test_corrections_follow_one_another() -> None:
    calibration = parse(["20.0=20.4", "30.0=30.8"], 0.0)
    scale, offset_c = calibration.after(0.1, 0.5)
    for raw in (180.0, 250.0, 310.0):
        assert scale * raw + offset_c == pytest.approx(calibration.corrected_c(0.1 * raw + 0.5))


def test_drift_is_told_only_beyond_the_uncertainties() -> None:
    first = parse(["25.0=25.0", "reference=0.05"], 0.0)
    same = drift(first, parse(["25.0=25.1", "reference=0.05"], 200 * DAY_S), 25.0)
    assert not same.is_real
    moved = drift(first, parse(["25.0=25.5", "reference=0.05"], 200 * DAY_S), 25.0)
    assert moved.is_real
    assert moved.change_k == pytest.approx(-0.5)
    assert moved.k_per_year == pytest.approx(-0.5 * 365.25 / 200)
    assert drift(first, parse(["25.0=25.5"], 2 * DAY_S), 25.0).k_per_year is None


@pytest.mark.parametrize(
    "words", [["ice=0.31"], ["20.0=20.4", "30.0=30.5", "reference=0.1"], ["ice=-0.2", "30.0=29.6"]]
)
def test_a_calibration_is_read_back_as_it_was_written(words: list[str]) -> None:
    calibration = parse(words, 5.0)
    assert parse(text_of(calibration).split(), 5.0) == calibration


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "expected one or two points, got 0"),
        (["ice=0.1", "20=20", "30=30"], "expected one or two points, got 3"),
        (["ice"], "expected ice=SHOWN"),
        (["ice=nan"], "expected ice=SHOWN"),
        (["20.0=20.1", "22.0=22.1"], "at least 5 K apart"),
        (["25.0=85.0"], "so far off it is broken"),
        (["ice=0.0", "30.0=25.0"], "a scale of 1.200 is no calibration"),
        (["ice=0.0", "reference=0"], "above 0"),
    ],
)
def test_what_is_no_calibration_is_refused(words: list[str], says: str) -> None:
    with pytest.raises(UsageError, match=says):
        parse(words, 0.0)


def _log(folder: Path, *words: str, channel: str = "") -> "subprocess.CompletedProcess[str]":
    (folder / "tankwatch.toml").write_text(
        '[room]\nname = "R"\n[[source]]\nid = "b"\nkind = "mqtt"\n'
        '[[tank]]\nid = "t01"\nvolume_l = 60.0\nsetpoint_c = 25.0\n'
        f'[[tank.channel]]\nkind = "temperature"\nsource = "b"\ntopic = "x"\n{channel}'
    )
    return subprocess.run(
        [sys.executable, "-m", "tankwatch", "log", "--config", "tankwatch.toml", "--who", "Ada", *words],
        cwd=folder,
        env={"PATH": "/usr/bin", "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_the_command_keeps_it_and_tells_drift(tmp_path: Path) -> None:
    first = _log(tmp_path, "--tank", "t01", "calibration", "ice=0.31")
    assert first.returncode == 0, first.stderr
    assert "offset_c = -0.310" in first.stdout
    assert "25 °C from the setpoint" in first.stdout
    assert "Against" not in first.stdout
    # The configuration now corrects, so the keeper sees corrected readings; the log keeps the probe's own.
    second = _log(tmp_path, "--tank", "t01", "calibration", "ice=0.5", channel="offset_c = -0.31\n")
    assert "offset_c = -0.810" in second.stdout
    assert "-0.50 °C ± 0.08 °C: the probe drifts" in second.stdout


def test_a_probe_in_tenths_keeps_its_unit(tmp_path: Path) -> None:
    done = _log(tmp_path, "--tank", "t01", "calibration", "25.0=25.4", channel="scale = 0.1\n")
    assert "scale = 0.100000\noffset_c = -0.400" in done.stdout


def test_the_command_needs_a_tank(tmp_path: Path) -> None:
    done = _log(tmp_path, "calibration", "ice=0.1")
    assert done.returncode == 2
    assert "add --tank ID" in done.stderr
