"""What an import takes and refuses, a logger's own file, and what the commands say of it."""

import io
import json
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tankwatch.clock import SystemClock
from tankwatch.errors import UsageError
from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history
from tankwatch.store.reader import StoreReader
from tankwatch.store.writer import StoreWriter
from tankwatch.transfer.csv_file import read_csv
from tankwatch.transfer.logger_file import Mapping, column_of, read_logger
from tankwatch.transfer.senml_file import read_senml

T0 = 1_790_000_000.0
LISBON = ZoneInfo("Europe/Lisbon")
CONFIG = """\
[room]
name = "Trial"
timezone = "Europe/Lisbon"
[store]
path = "room.db"
[[tank]]
id = "t01"
volume_l = 100.0
setpoint_c = 25.0
"""


def tankwatch(*arguments: str, cwd: Path, given: str = "") -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "tankwatch", *arguments],
        cwd=cwd, input=given, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "room.toml").write_text(CONFIG)
    return tmp_path


def test_bad_lines_of_a_csv_are_counted_with_their_number_and_stop_nothing() -> None:
    text = (
        "tank,time_utc,temperature_c,heater_on,service\n"
        "t01,2026-09-21T13:33:20Z,24.5,1,\n"
        "t01,2026-09-21 13:33,24.5,1,\n"
        "t01,2026-09-21T13:33:30Z,warm,0,\n"
        "t01,2026-09-21T13:33:40Z,2400,0,\n"
        "t01,2026-09-21T13:33:50Z\n"
        "\n"
        "t01,2026-09-21T13:34:00Z,,,party\n"
        "t01,2026-09-21T13:34:10Z,,,work\n"
    )
    refused: list[tuple[int, str]] = []
    found = list(read_csv(io.StringIO(text), lambda number, reason: refused.append((number, reason))))
    assert [(r.channel, r.value, r.text) for r in found] == [
        (Channel.TEMPERATURE, 24.5, None),
        (Channel.HEATER, 1.0, None),
        (Channel.HEATER, 0.0, None),
        (Channel.HEATER, 0.0, None),
        (Channel.SERVICE, 0.0, "work"),
    ]
    assert [number for number, _ in refused] == [3, 4, 5, 6, 8]


def test_a_file_of_another_form_is_refused_with_what_is_expected() -> None:
    with pytest.raises(UsageError, match=r"unknown column 'Temp'.*--time and --column"):
        list(read_csv(io.StringIO("time_utc,tank,Temp\n"), lambda *_: None))
    with pytest.raises(UsageError, match="no column time_utc or tank"):
        list(read_csv(io.StringIO("\ufefftime_utc,ph\n"), lambda *_: None))


def test_bad_packs_are_counted_and_stop_nothing() -> None:
    lines = [
        {"n": "t01/temperature", "u": "Cel", "t": T0, "v": 24.5},
        {"n": "t01/temperature", "u": "K", "t": T0 + 1, "v": 298.15},
        {"n": "t01/colour", "t": T0, "v": 1},
        {"n": "t01/temperature", "t": 5, "v": 1},
        {"n": "t01/temperature", "u": "Pa", "t": T0, "v": 1},
        {"n": "t01/service", "t": T0, "vs": "party"},
    ]
    data = b"not json\n\n" + b"".join(json.dumps([line]).encode() + b"\n" for line in lines)
    refused: list[int] = []
    found = list(read_senml(io.BytesIO(data), lambda number, _: refused.append(number)))
    assert [(r.time_s, round(r.value, 9)) for r in found] == [(T0, 24.5), (T0 + 1, 25.0)]
    assert refused == [1, 5, 6, 7, 8]


def test_a_heater_is_on_or_off_and_nothing_else() -> None:
    values: list[dict[str, object]] = [
        {"v": 24.9},
        {"v": 1},
        {"v": 0.0},
        {"vb": True},
        {"vb": False},
        {"v": -1},
        {"v": 0.5},
    ]
    lines = [json.dumps([{"n": "t01/heater", "t": T0 + i, **value}]) for i, value in enumerate(values)]
    refused: list[tuple[int, str]] = []
    data = io.BytesIO("\n".join(lines).encode())
    found = list(read_senml(data, lambda number, reason: refused.append((number, reason))))
    assert [reading.value for reading in found] == [1.0, 0.0, 1.0, 0.0]
    assert [number for number, _ in refused] == [1, 6, 7]
    assert refused[0][1] == "absurd value: heater of 24.9; expected 0, 1, false or true"
    table = io.StringIO("tank,time_utc,heater_on\nt01,2026-09-21T13:33:20Z,24.9\n")
    refused.clear()
    assert list(read_csv(table, lambda number, reason: refused.append((number, reason)))) == []
    assert refused == [(2, "heater_on: absurd value: heater of 24.9; expected 0, 1, false or true")]


def logger(text: str, **options: object) -> tuple[list[Reading], list[int]]:
    columns = (column_of("Water (F)=t01/temperature:F"), column_of("Heater=t01/heater"))
    mapping = Mapping("When", columns, LISBON, **options)  # type: ignore[arg-type]
    refused: list[int] = []
    return list(read_logger(io.StringIO(text), mapping, lambda n, _: refused.append(n))), refused


def test_a_loggers_file_is_read_by_its_mapping() -> None:
    text = (
        "made by a logger\n"
        "No;When;Water (F);Heater;Note\n"
        "1;21.09.2026 14:33:20;77,0;on;\n"
        "2;21.09.2026 14:33:30;78,8;OFF;hot?\n"
        "3;21.09.2026 14:33:40;;;\n"
        "4;32.09.2026 14:33:40;77,0;on;\n"
        "5;21.09.2026 14:33:50;n/a;on;\n"
    )
    found, refused = logger(text, time_format="%d.%m.%Y %H:%M:%S", delimiter=";", decimal=",", skip_lines=1)
    # 77 °F is 25 °C and 78.8 °F is 26 °C; Lisbon is an hour ahead of UTC in September.
    assert [(r.channel, r.time_s, round(r.value, 9)) for r in found] == [
        (Channel.TEMPERATURE, 1_789_997_600.0, 25.0),
        (Channel.HEATER, 1_789_997_600.0, 1.0),
        (Channel.TEMPERATURE, 1_789_997_610.0, 26.0),
        (Channel.HEATER, 1_789_997_610.0, 0.0),
        (Channel.HEATER, 1_789_997_630.0, 1.0),
    ]
    assert refused == [6, 7]


def test_the_hour_that_comes_twice_and_the_one_that_never_came() -> None:
    # Clocks go back at 02:00 on 25 October 2026 and forward at 01:00 on 29 March 2026 in Lisbon.
    rows = "".join(
        f"2026-10-25T{hour:02}:{minute:02}:00,77,1\n"
        for hour, minute in ((0, 30), (1, 0), (1, 30), (1, 0), (1, 30), (2, 0))
    )
    found, refused = logger("When,Water (F),Heater\n" + rows)
    times = [r.time_s for r in found if r.channel is Channel.HEATER]
    assert [b - a for a, b in pairwise(times)] == [1800.0] * 5
    assert refused == []
    found, refused = logger("When,Water (F),Heater\n2026-03-29T01:30:00,77,1\n2026-03-29T02:30:00,77,1\n")
    assert (len(found), refused) == (2, [2])
    found, _ = logger("When,Water (F),Heater\n1790000000.5,77,1\n", time_format="unix")
    assert found[0].time_s == 1_790_000_000.5


@pytest.mark.parametrize(
    "text", ["Water", "Water=t01", "Water=t01/colour", "=t01/ph", "Water=/ph", "a=t01/service"]
)
def test_a_mapping_that_leads_nowhere_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="expected HEADER=TANK/CHANNEL"):
        column_of(text)


def test_columns_that_are_not_there_are_named() -> None:
    with pytest.raises(UsageError, match=r"expected one column 'When' in the header, found 0.*Time, Heater"):
        logger("Time,Heater\n")


def test_the_commands_take_a_loggers_file_and_give_it_back(folder: Path) -> None:
    (folder / "log.csv").write_text("When;T\n2026-09-21 14:33:20;25,5\n2026-09-21 14:33:30;25,4\n")
    options = ("--time", "When", "--column", "T=t01/temperature:C", "--delimiter", ";", "--decimal", ",")
    done = tankwatch("import", "room.toml", "log.csv", *options, cwd=folder)
    assert (done.returncode, done.stdout) == (0, "")
    assert "2 reading(s) and mark(s) taken, 2 of the readings new" in done.stderr
    again = tankwatch("import", "room.toml", "log.csv", *options, cwd=folder)
    assert "0 of the readings new" in again.stderr
    out = tankwatch("export", "room.toml", "-", cwd=folder)
    assert out.stdout.splitlines()[1].startswith("2026-09-21T13:33:20.000Z,t01,25.5,,")
    assert (
        tankwatch("export", "room.toml", "-", "--from", "2026-09-21T14:33:25", cwd=folder).stdout.count("t01")
        == 1
    )
    # Nobody watched while those were made, and the store must not say so.
    assert StoreReader(folder / "room.db").blind_times(1_789_997_600.0, 1_789_997_610.0) == [
        (1_789_997_600.0, 1_789_997_610.0)
    ]


def test_an_export_is_what_replay_reads(folder: Path) -> None:
    readings = [
        Reading("t01", Channel.TEMPERATURE, T0 + 10 * i, 25.0 if i < 400 else 35.0) for i in range(1200)
    ]
    write_history(folder / "room.db", readings)
    assert tankwatch("export", "room.toml", "a.jsonl", cwd=folder).returncode == 0
    done = tankwatch("replay", "room.toml", "a.jsonl", "--json", cwd=folder)
    assert done.returncode == 0
    assert any(json.loads(line)["tank"] == "t01" for line in done.stdout.splitlines())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("export", "room.toml", "a.txt"), "add --format"),
        (("export", "room.toml", "/nowhere/a.csv"), "cannot be written"),
        (("export", "room.toml", "-", "--format", "parquet"), "a file of its own"),
        (("export", "room.toml", "a.csv", "--tank", "t99"), "no tank 't99'"),
        (("import", "room.toml", "absent.csv"), "cannot be read"),
        (("import", "room.toml", "room.toml", "--format", "csv", "--time", "x"), "needs both"),
        (("import", "room.toml", "room.toml", "--format", "parquet"), "no Parquet file"),
    ],
)
def test_wrong_use_is_told_with_status_two(folder: Path, arguments: tuple[str, ...], words: str) -> None:
    write_history(folder / "room.db", [Reading("t01", Channel.PH, T0, 7.0)])
    done = tankwatch(*arguments, cwd=folder)
    assert done.returncode == 2, done.stderr
    assert words in done.stderr
    assert sorted(p.name for p in folder.iterdir()) == ["room.db", "room.db.lock", "room.toml"]


def test_tanks_that_are_not_configured_are_left_out_and_named(folder: Path) -> None:
    text = "time_utc,tank,ph\n2026-09-21T13:33:20Z,t01,7\n2026-09-21T13:33:20Z,old,7\n"
    done = tankwatch("import", "room.toml", "-", cwd=folder, given=text)
    assert done.returncode == 0
    assert "1 reading(s) of tank 'old', which the configuration does not have, left out" in done.stderr
    done = tankwatch("import", "room.toml", "-", cwd=folder, given=text.replace("t01", "old"))
    assert done.returncode == 2
    assert "nothing in it could be taken" in done.stderr


def test_no_import_while_a_watch_writes(folder: Path) -> None:
    writer = StoreWriter(folder / "room.db", SystemClock())
    writer.start()
    try:
        done = tankwatch("import", "room.toml", "-", cwd=folder, given="time_utc,tank,ph\n")
    finally:
        writer.stop(5.0)
    assert done.returncode == 1
    assert "Another watch writes this store" in done.stderr


_MEASURED = """
import sys
from tankwatch.cli import run
status = run(sys.argv[1:])
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(peak.split()[1], file=sys.stderr)
sys.exit(status)
"""


def test_memory_does_not_grow_with_the_length_of_the_history(folder: Path) -> None:
    """24 tanks: four times the readings in each series need no more memory."""
    if not Path("/proc/self/status").exists():
        pytest.skip("the peak of a process is read from /proc, which is not here")
    tank = CONFIG[CONFIG.index("[[tank]]") :]
    tanks = "".join(tank.replace("t01", f"t{i:02}") for i in range(2, 25))
    peaks_mib = []
    for count in (2_500, 10_000):
        (folder / "room.toml").write_text((CONFIG + tanks).replace("room.db", f"{count}.db"))
        readings = (
            Reading(f"t{i:02}", Channel.TEMPERATURE, T0 + 10.0 * n, 25.0 + n % 7 / 10.0)
            for n in range(count)
            for i in range(1, 25)
        )
        write_history(folder / f"{count}.db", readings)
        done = subprocess.run(
            [sys.executable, "-c", _MEASURED, "export", "room.toml", f"{count}.csv"],
            cwd=folder, capture_output=True, text=True, timeout=100, check=True,
        )  # fmt: skip
        peaks_mib.append(int(done.stderr.split()[-1]) / 1024.0)
    print(f"peak of an export: {peaks_mib[0]:.0f} MiB, and {peaks_mib[1]:.0f} MiB for four times as much")
    assert peaks_mib[1] < 200.0
    assert peaks_mib[1] < peaks_mib[0] + 10.0
