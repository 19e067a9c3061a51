"""A tank that holds its temperature at a price, and tanks of which only the water is measured."""

from pathlib import Path

import pytest
from nights import draw, kept_and_reviewed

from tankwatch.review.cause import Cause


def test_more_loss_and_a_weaker_heater_are_told_apart_by_the_cycles(tmp_path: Path) -> None:
    right, wrong = 0, []
    for kind, seed in [(kind, seed) for kind in ("lid-off", "weak-element") for seed in range(4)]:
        night = draw(kind, seed)
        folder = tmp_path / f"{kind}{seed}"
        folder.mkdir()
        tank = kept_and_reviewed(folder, night).tanks[0]
        assert tank.strain is not None, f"{kind} {seed}"
        fault = night.faults[0]
        assert abs(tank.strain.onset_s - fault.start_s) <= 1.5 * tank.strain.onset_uncertainty_s
        assert tank.needs_attention
        if tank.strain.cause is night.cause:
            right += 1
            assert tank.strain.ratio == pytest.approx(fault.size, rel=0.2)
        else:
            wrong.append(f"{kind} {seed}: {tank.strain}")
    print(f"{right} of 8 right; wrong: {wrong}")
    assert right >= 7, wrong


@pytest.mark.parametrize("seed", range(8))
def test_a_healthy_tank_is_under_no_strain(tmp_path: Path, seed: int) -> None:
    night = draw("healthy", seed)
    if seed % 2:
        night.air_measured = False
        night.live()
    room = kept_and_reviewed(tmp_path, night)
    assert room.tanks[0].strain is None
    assert room.tanks[0].incidents == ()
    assert not room.needs_attention


@pytest.mark.parametrize(
    ("kind", "seed", "cause"),
    [
        ("stuck-on", 0, Cause.HEATER_STUCK_ON),
        ("stuck-on", 1, Cause.HEATER_STUCK_ON),
        ("dead-element", 0, Cause.HEATER_GIVES_NONE),
        ("unplugged", 1, Cause.HEATER_GIVES_NONE),
    ],
)
def test_the_water_alone_tells_that_heat_came_or_did_not(
    tmp_path: Path, kind: str, seed: int, cause: Cause
) -> None:
    night = draw(kind, seed)
    night.heater = night.air_measured = False
    night.live()
    (incident,) = kept_and_reviewed(tmp_path, night).tanks[0].incidents
    assert incident.believed is not None
    assert incident.believed.cause is cause
    error_s = min((incident.course.onset_s - truth_s for truth_s in night.onset_s), key=abs)
    assert abs(error_s) <= incident.course.onset_uncertainty_s
