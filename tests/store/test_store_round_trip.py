"""Any mix of readings, in any order and any batches, against a plain list."""

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tankwatch.clock import ManualClock
from tankwatch.reading import Channel, Reading
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter

TANKS = ("t01", "t02", "Ærø [b]")
CHANNELS = (Channel.TEMPERATURE, Channel.HEATER, Channel.PH)

readings = st.builds(
    Reading,
    tank=st.sampled_from(TANKS),
    channel=st.sampled_from(CHANNELS),
    # Few different stamps, so that duplicates are frequent; negative ones are before 1970.
    time_s=st.integers(-50, 50).map(lambda ms: ms / 1000.0)
    | st.integers(0, 4_000_000_000_000).map(lambda ms: ms / 1000.0),
    value=st.floats(allow_nan=False, allow_infinity=False, width=64),
    text=st.none(),
    retained=st.just(False),
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    batches=st.lists(st.lists(readings, max_size=60), max_size=4), flushes=st.lists(st.booleans(), max_size=4)
)
def test_what_is_read_is_what_was_put(batches: list[list[Reading]], flushes: list[bool]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "room.db"
        writer = StoreWriter(path, ManualClock(), batch_s=0.001)
        writer.start()
        plain: dict[tuple[str, Channel, int], float] = {}
        for number, batch in enumerate(batches):
            writer.put_readings(batch)
            if number < len(flushes) and flushes[number]:
                assert writer.flush(10.0)
            for reading in batch:
                key = (reading.tank, reading.channel, round(reading.time_s * 1000))
                plain.setdefault(key, reading.value)
        assert writer.flush(10.0)
        writer.stop(10.0)
        reader = StoreReader(path)
        for tank in TANKS:
            for channel in CHANNELS:
                kept = sorted((ms, v) for (t, c, ms), v in plain.items() if (t, c) == (tank, channel))
                series = reader.series(tank, channel, -1.0, 5e9)
                assert series.time_s.tolist() == [ms / 1000.0 for ms, _ in kept]
                assert series.mean.tolist() == [value for _, value in kept]
                if kept:
                    assert reader.last_values()[tank, channel] == (kept[-1][0] / 1000.0, kept[-1][1])
                    cut = reader.series(tank, channel, -1.0, 5e9, 7)
                    values = np.array([value for _, value in kept])
                    assert (cut.low.min(), cut.high.max()) == (values.min(), values.max())
                    assert cut.count.sum() == len(kept)
        assert writer.health().written == len(plain)
