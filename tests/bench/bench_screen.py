"""The screen: its start over a year of history, its memory over many pictures, its cost on a terminal."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
from bench_table import Row, best_s, compared

sys.path.insert(0, str(Path(__file__).parent.parent / "screen"))

from pty_measure import ScreenInTerminal

from tankwatch.reading import Channel, Reading
from tankwatch.store.bulk import write_history

TANKS = 12
YEAR_DAYS = 365.0
READING_EVERY_S = 120.0
LAST_C = 23.7
"""The newest water of the first tank: when it is on the terminal, the first picture is there."""

PICTURES = 100_000
SAMPLE_EVERY = 2_500
SETTLED_AFTER = 10_000
"""Until so many pictures caches still fill: what grows is judged from there on."""
PICTURES_MOST_S = 1200.0
"""The pictures end after this long even if fewer are drawn; the row says how many were."""
FLAT_MIB_PER_10_000 = 0.1
"""Less than this is flat: at a picture a second under 6 MiB a week."""

_WATCHED_S = 20


def screen(folder: Path) -> list[Row]:
    """Measure the screen."""
    return [*_start(folder), *_memory(), *_cost()]


def _start(folder: Path) -> list[Row]:
    """Measure from the start of the command to its first picture, while no watch runs."""
    took = {}
    for name, days in (("short", YEAR_DAYS / 10), ("year", YEAR_DAYS)):
        config = folder / f"{name}.toml"
        config.write_text(_config_text(f"{name}.db"))
        count = write_history(folder / f"{name}.db", _history(days, time.time()), sealed=True)
        took[name] = best_s(partial(_first_picture, config))
    textual_s = best_s(partial(_run, "import textual.app, textual.screen, textual.widgets"))
    bare_s = best_s(partial(_run, "pass"))
    form = "{:.2f} s"
    return [
        compared("start of the screen", form, took["year"], "Python, Textual imported", textual_s),
        compared(f"  {count:,} readings stored", form, took["year"], "bare Python", bare_s),
        compared("  history tenfold", form, took["year"], "before", took["short"], "about 1"),
    ]


def _first_picture(config: Path) -> None:
    command = [sys.executable, "-m", "tankwatch", "screen", str(config)]
    with ScreenInTerminal(TANKS, "", 120, 40, command=command) as terminal:
        wanted = f"{LAST_C:.1f}".encode()
        if wanted not in (seen := terminal.read(30, until=wanted)):
            raise RuntimeError(f"no picture within 30 s: {seen[-500:]!r}")


def _run(code: str) -> None:
    subprocess.run([sys.executable, "-c", code], check=True)


def _config_text(store: str) -> str:
    tanks = (
        f'[[tank]]\nid = "t{number:02}"\nvolume_l = 120.0\nsetpoint_c = 25.0\nheater_w = 150.0\n'
        for number in range(TANKS)
    )
    return f'[room]\nname = "Bench"\n[store]\npath = "{store}"\n' + "".join(tanks)


def _history(days: float, now_s: float) -> Iterator[Reading]:
    """Yield invented water and heater of every tank up to now, a reading each two minutes."""
    count = int(days * 86_400 / READING_EVERY_S)
    rng = np.random.default_rng(1)
    times = (now_s - READING_EVERY_S * np.arange(count, 0, -1)).tolist()
    for number in range(TANKS):
        slow = 0.3 * np.sin(np.arange(count) / 12.0 + number)
        water = np.round((25.0 + slow + rng.normal(0.0, 0.012, count)) * 16.0) / 16.0
        if number == 0:
            water[-1] = LAST_C
        heater = (slow < 0.0).astype(np.float64)
        for channel, values in ((Channel.TEMPERATURE, water), (Channel.HEATER, heater)):
            for at_s, value in zip(times, values.tolist(), strict=True):
                yield Reading(f"t{number:02}", channel, at_s, value)


def _memory() -> list[Row]:
    """Measure resident memory while 24 tanks are drawn over and over."""
    script = Path(__file__).with_name("bench_pictures.py")
    words = ["24", str(PICTURES), str(SAMPLE_EVERY), str(PICTURES_MOST_S)]
    done = subprocess.run([sys.executable, str(script), *words], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(done.stdout + done.stderr)
    said = json.loads(done.stdout.splitlines()[-1])
    drawn, wanted = said["drawn"], f"{PICTURES:,} wanted"
    at, mib = np.array(said["sampled_at"]), np.array(said["rss_kib"]) / 1024
    print(
        "MiB after pictures:", " ".join(f"{n}:{m:.1f}" for n, m in zip(at, mib, strict=True)), file=sys.stderr
    )
    late = at >= SETTLED_AFTER
    slope, doubt = _slope_mib_per_10_000(at[late], mib[late])
    verdict = "growing" if slope - doubt > FLAT_MIB_PER_10_000 else "flat"
    what = f"screen of 24 tanks, memory after {drawn:,} pictures"
    return [
        compared(what, "{:.1f} MiB", mib[-1], f"after {SETTLED_AFTER:,}", mib[late][0], "about 1"),
        Row("  grows for 10,000 pictures", f"{slope:+.3f} MiB ± {doubt:.3f}", verdict),
        Row("  pictures drawn", f"{drawn:,}", wanted, drawn / PICTURES),
        Row("  paints sent", f"{said['paints']:,}", f"pictures {drawn:,}", said["paints"] / drawn),
        Row("  a picture drawn and painted", f"{1000 * said['cpu_s'] / drawn:.1f} ms of processor", ""),
    ]


def _slope_mib_per_10_000(
    pictures: npt.NDArray[np.int64], mib: npt.NDArray[np.float64]
) -> tuple[float, float]:
    """Return the slope of the straight line through the samples, and twice its standard error."""
    if len(pictures) < 5:
        raise RuntimeError(f"only {len(pictures)} samples of memory: too few pictures were drawn")
    coefficients, covariance = np.polyfit(pictures / 10_000, mib, 1, cov=True)
    return float(coefficients[0]), 2 * float(np.sqrt(covariance[0, 0]))


def _cost() -> list[Row]:
    """Measure what a screen that is looked at sends and takes, a picture a second."""
    rows = []
    for tanks, mode, columns, lines in (
        (24, "nothing", 120, 40),
        (24, "water", 120, 40),
        (300, "water", 200, 60),
        (300, "five", 200, 60),
    ):
        with ScreenInTerminal(tanks, mode, columns, lines) as terminal:
            terminal.read(20, until=b"tanks are quiet")
            terminal.read(5)
            cost = terminal.measure(_WATCHED_S)
            paint_s = terminal.press(b"\x1b[B")
            memory_mib = terminal.memory_kb / 1024
        changes = {"nothing": "nothing changes", "water": "water changes", "five": "5 in 100 jump"}[mode]
        size = f"{columns}x{lines}"
        rows += [
            Row(f"screen of {tanks} tanks, {changes}", f"{cost.bytes_per_s:,.0f} B/s", size),
            Row("  processor", f"{cost.cpu_percent:.2f} % of a core", "1 core", cost.cpu_percent / 100),
            Row("  key to paint", f"{1000 * paint_s:.0f} ms", ""),
            Row("  resident memory", f"{memory_mib:.0f} MiB", ""),
        ]
    return rows
