"""Export, import, export: the second file is the first, byte for byte, and the store holds the same."""

import csv
import datetime
import io
import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history
from tankwatch.store.entry import StoredMark
from tankwatch.store.reader import StoreReader
from tankwatch.transfer.csv_file import COLUMNS, parse_time_us, read_csv, time_text, write_csv
from tankwatch.transfer.parquet_file import read_parquet, write_parquet
from tankwatch.transfer.senml_file import read_senml, write_senml
from tankwatch.transfer.stored_rows import Row, stored_rows

T0 = 1_790_000_000.0


def refuse(number: int, reason: str) -> None:
    pytest.fail(f"line {number} refused: {reason}")


def awkward() -> list[Reading]:
    """Readings whose times and values are hard to write down exactly."""
    readings = []
    for tank in ("t01", "b.2-c_D"):
        for i in range(300):
            t = T0 + i * 10.001
            readings.append(Reading(tank, Channel.TEMPERATURE, t, 24.0 + i * 0.1 / 3.0))
            readings.append(Reading(tank, Channel.HEATER, t, float(i % 7 < 3)))
            readings.append(Reading(tank, Channel.LIGHT, t + 0.5 * (i % 2), float(i % 2)))
            if i % 3 == 0:
                readings.append(Reading(tank, Channel.AIR, t, -0.0 if i == 3 else 1e-5 * i))
                readings.append(Reading(tank, Channel.POWER, t, 149.99999999999997))
                readings.append(Reading(tank, Channel.MAINS, t, float(i < 150)))  # at the very time of watts
                readings.append(Reading(tank, Channel.LEVEL, t, 1.0 if i % 2 else 0.1 + 0.2))
                readings.append(Reading(tank, Channel.FLOW, t, 512.125 / 3.0))
            if i % 50 == 0:
                readings.append(Reading(tank, Channel.PH, t, 7.1))
                readings.append(Reading(tank, Channel.HUMIDITY, t, 55.5))
        for t, word in ((100.123456, "water-out"), (700.25, "end"), (700.25, "work"), (900.0, "end")):
            readings.append(Reading(tank, Channel.SERVICE, T0 + t, 0.0, word, source='Ane, "the keeper"'))
    readings.append(Reading("t01", Channel.TEMPERATURE, T0 + 40 * 86_400.0, 24.0))
    return readings


def store(path: Path, readings: list[Reading]) -> StoreReader:
    write_history(path, readings)
    return StoreReader(path)


def rewritten(form: str, first: Path, second: Path, reader: StoreReader, other: Path) -> StoreReader:
    """Export, import into another store, export again."""
    if form == "csv":
        for source, target in ((reader, first), (StoreReader(other), second)):
            with target.open("w", encoding="utf-8", newline="") as file:
                write_csv(stored_rows(source), file)
            if target == first:
                with first.open(encoding="utf-8", newline="") as back:
                    write_history(other, list(read_csv(back, refuse)))
    elif form == "senml":
        with first.open("w", encoding="utf-8", newline="") as file:
            write_senml(stored_rows(reader), file)
        with first.open("rb") as lines:
            write_history(other, list(read_senml(lines, refuse)))
        with second.open("w", encoding="utf-8", newline="") as file:
            write_senml(stored_rows(StoreReader(other)), file)
    else:
        write_parquet(stored_rows(reader), first)
        write_history(other, list(read_parquet(first, refuse)))
        write_parquet(stored_rows(StoreReader(other)), second)
    return StoreReader(other)


def _mark(mark: StoredMark) -> tuple[str, str, float]:
    return mark.tank, mark.mark.value, mark.time_s


@pytest.mark.parametrize("form", ["csv", "senml", "parquet"])
def test_the_second_file_is_the_first(form: str, tmp_path: Path) -> None:
    if form == "parquet":
        pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    reader = store(tmp_path / "a.db", awkward())
    first, second = tmp_path / "first", tmp_path / "second"
    after = rewritten(form, first, second, reader, tmp_path / "b.db")
    assert first.read_bytes() == second.read_bytes()
    assert first.stat().st_size > 5_000
    for tank, channel in reader.last_values():
        was, found = (r.series(tank, channel, 0, 1e10) for r in (reader, after))
        assert found.time_s.tolist() == was.time_s.tolist()
        assert [v.hex() for v in found.mean.tolist()] == [(v + 0.0).hex() for v in was.mean.tolist()]
    for was_marked, is_marked in zip(*(sorted(map(_mark, r.marks())) for r in (reader, after)), strict=True):
        assert is_marked[:2] == was_marked[:2]
        assert is_marked[2] == pytest.approx(was_marked[2], abs=1e-6)
    if form != "senml":
        assert {m.who for m in after.marks()} == {'Ane, "the keeper"'}


@settings(max_examples=150)
@given(st.floats(-150.0, 150.0), st.integers(300_000_000_000, 4_000_000_000_000))
def test_any_value_and_time_come_back_exactly(value: float, time_ms: int) -> None:
    value += 0.0  # rows carry no -0.0
    row = Row(time_ms * 1000, "t01", {Channel.TEMPERATURE: value, Channel.HEATER: 1.0})
    text = io.StringIO()
    write_csv([row], text)
    packs = io.StringIO()
    write_senml([row], packs)
    text.seek(0)
    expected = [(Channel.TEMPERATURE, value.hex()), (Channel.HEATER, (1.0).hex())]
    for found in (
        list(read_csv(text, refuse)),
        list(read_senml(io.BytesIO(packs.getvalue().encode()), refuse)),
    ):
        assert [(r.channel, r.value.hex()) for r in found] == expected
        assert [round(r.time_s * 1000) for r in found] == [time_ms, time_ms]


def test_rows_come_in_order_of_time_and_tank_across_windows_and_gaps(tmp_path: Path) -> None:
    readings = [Reading(t, Channel.TEMPERATURE, T0 + i, 25.0) for t in ("t02", "t01") for i in range(12_000)]
    readings += [Reading("t01", Channel.HEATER, T0 + 300 * 86_400.0 + i * 7, 1.0) for i in range(2000)]
    reader = store(tmp_path / "a.db", readings)
    told: list[float] = []
    places = [(row.time_us, row.tank) for row in stored_rows(reader, progress=told.append)]
    assert places == sorted(places)
    assert len(places) == len(set(places)) == 26_000
    assert told == sorted(told)
    assert told[-1] == 1.0
    part = list(stored_rows(reader, T0 + 10, T0 + 20, ["t02"]))
    assert [(row.tank, row.time_us // 1_000_000 - int(T0)) for row in part] == [
        ("t02", t) for t in range(10, 21)
    ]
    assert list(stored_rows(store(tmp_path / "empty.db", []))) == []


def test_the_csv_reads_as_other_programs_read_it(tmp_path: Path) -> None:
    out = io.StringIO()
    write_csv(stored_rows(store(tmp_path / "a.db", awkward())), out)
    out.seek(0)
    rows = list(csv.DictReader(out))
    assert tuple(rows[0]) == COLUMNS
    stamps = [datetime.datetime.fromisoformat(row["time_utc"]) for row in rows]
    assert all(stamp.utcoffset() == datetime.timedelta(0) for stamp in stamps)
    assert stamps == sorted(stamps)
    assert {row["heater_on"] for row in rows} == {"0", "1", ""}
    assert [row["service"] for row in rows if row["service"]].count("end") == 4


def test_the_senml_keeps_the_rules_of_rfc_8428(tmp_path: Path) -> None:
    out = io.StringIO()
    write_senml(stored_rows(store(tmp_path / "a.db", awkward())), out)
    units = set()
    for line in out.getvalue().splitlines():
        pack: list[dict[str, Any]] = json.loads(line)
        assert pack
        for record in pack:
            assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", record["n"])  # section 4.5.1
            assert sum(field in record for field in ("v", "vb", "vs", "vd")) == 1  # section 4.2
            assert record["t"] >= 2**28  # section 4.5.3: an absolute time
            units.add(record.get("u"))
    assert units == {"Cel", "W", "%RH", "pH", None}  # section 12.1


def test_times_that_senml_takes_for_relative_are_left_out_and_counted() -> None:
    # Below 2^28 s a time is relative to now (RFC 8428 section 4.5.3): a board without a clock begins in 1970.
    rows = [Row(t * 1_000_000, "t01", {Channel.PH: 7.0}) for t in (5, 2**28 - 1, 2**28)]
    left_out: list[Row] = []
    out = io.StringIO()
    assert write_senml(rows, out, left_out.append) == 1
    assert left_out == rows[:2]
    assert [r.time_s for r in read_senml(io.BytesIO(out.getvalue().encode()), refuse)] == [2.0**28]


def test_the_parquet_carries_types_and_time_zone(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow", reason="pyarrow is not installed")
    from pyarrow import parquet

    path = tmp_path / "a.parquet"
    count = write_parquet(stored_rows(store(tmp_path / "a.db", awkward())), path)
    table = parquet.read_table(path)
    assert table.num_rows == count
    assert tuple(table.column_names) == COLUMNS
    assert str(table.schema.field("time_utc").type) == "timestamp[us, tz=UTC]"
    assert str(table.schema.field("temperature_c").type) == "double"


@pytest.mark.parametrize(
    ("text", "time_us"),
    [
        ("1970-01-01T00:00:00Z", 0),
        ("2026-09-21T13:33:20.001Z", 1_789_997_600_001_000),
        ("2026-09-21T15:33:20.001+02:00", 1_789_997_600_001_000),
        ("2026-09-21T13:33:20", None),
        ("yesterday", None),
    ],
)
def test_times_need_an_offset(text: str, time_us: int | None) -> None:
    assert parse_time_us(text) == time_us
    if time_us is not None:
        assert parse_time_us(time_text(time_us)) == time_us
