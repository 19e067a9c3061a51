"""A large room for long: memory and handles stay flat, the log is bounded, nothing is dropped.

That an idle screen sends no byte is tested in tests/screen/test_idle_terminal.py.
"""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import MosquittoBroker
from soak import Sample, Soak

pytestmark = pytest.mark.usefixtures("own_runtime_folder")

WAL_LIMIT_MB = 64.0
"""Folded in at 16 MiB; the rest is what may come while it is folded."""
HANDLES_MORE = 3
"""A look of the test, and a commit under way, each hold a file open for a moment."""


def _soak(folder: Path, broker: MosquittoBroker, **size: float) -> Soak:
    soak = Soak(
        folder,
        broker.port,
        tanks=int(size["tanks"]),
        hours=size["hours"],
        step_s=size["step_s"],
        wall_s=size["wall_s"],
    )
    soak.run(size["sample_every_s"])
    print(soak.figures())
    assert soak.stored == 3 * soak.published
    assert all(sample.dropped == 0 for sample in soak.samples)
    assert max(sample.wal_mb for sample in soak.samples) < WAL_LIMIT_MB
    return soak


def _is_flat(samples: list[Sample]) -> None:
    handles = [sample.handles for sample in samples]
    assert max(handles) - min(handles) <= HANDLES_MORE
    assert len({sample.threads for sample in samples}) <= 2


def test_a_large_room_for_some_seconds(
    tmp_path: Path, make_mosquitto: Callable[..., MosquittoBroker]
) -> None:
    broker = make_mosquitto(settings=("allow_anonymous true", "max_queued_messages 0"))
    soak = _soak(tmp_path, broker, tanks=300, hours=0.2, step_s=60.0, wall_s=3.0, sample_every_s=0.5)
    _is_flat(soak.samples[2:])


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_three_hundred_tanks_for_a_day_and_a_half_of_stamps(
    tmp_path: Path, make_mosquitto: Callable[..., MosquittoBroker]
) -> None:
    broker = make_mosquitto(settings=("allow_anonymous true", "max_queued_messages 0"))
    wall_s = float(os.environ.get("TANKWATCH_SOAK_S", "1800"))
    soak = _soak(tmp_path, broker, tanks=300, hours=36.0, step_s=30.0, wall_s=wall_s, sample_every_s=5.0)
    # A day of minutes is kept of each tank: until it is full the memory grows, after it it must not.
    full = [sample for sample in soak.samples if sample.data_h > 25.0]
    _is_flat(full)
    third = len(full) // 3
    early, late = full[:third], full[-third:]
    growth_mb = max(s.resident_mb for s in late) - max(s.resident_mb for s in early)
    print(f"growth over the last {full[-1].data_h - full[0].data_h:.1f} h of stamps: {growth_mb:.1f} MB")
    assert growth_mb < 0.05 * early[0].resident_mb
