"""Replay rate, start-up time and memory, each as tanks and history grow tenfold."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from bench_data import INTERVAL_S, T0_S, config_text, pattern
from bench_store import build
from bench_table import Row, compared

GOAL_READINGS_S = 200_000


def engine(folder: Path) -> list[Row]:
    """Measure the parts of the engine."""
    return [*_replay(folder), *_start(folder), *_memory(folder)]


def _replay(folder: Path) -> list[Row]:
    columns = pattern()
    config = folder / "replay.toml"
    count, tanks = 20_000, 5
    config.write_text(config_text(tanks, 1883, "replay.db"))
    recorded = folder / "replay.jsonl"
    with recorded.open("w") as file:
        for number in range(count):
            at = T0_S + (number + 1) * INTERVAL_S
            for tank in range(tanks):
                here = (number + 997 * tank) % len(columns["heater"])
                name = f"t{tank:04}"
                pack: list[dict[str, Any]] = [
                    {
                        "n": f"{name}/temperature",
                        "u": "Cel",
                        "t": at,
                        "v": float(columns["temperature"][here]),
                    },
                    {"n": f"{name}/heater", "t": at, "vb": bool(columns["heater"][here])},
                    {"n": f"{name}/light", "t": at, "vb": bool(columns["light"][here])},
                ]
                file.write(json.dumps(pack, separators=(",", ":")) + "\n")
    begin_s = time.process_time()
    with recorded.open("rb") as lines:
        for line in lines:
            json.loads(line)
    plain_s = time.process_time() - begin_s
    used = _child(
        "import sys, time, json\n"
        "from pathlib import Path\n"
        "from tankwatch.config import load\n"
        "from tankwatch.watchdog.replay import replay\n"
        "config = load(Path(sys.argv[1]))\n"
        "begin = time.process_time()\n"
        "steps = sum(1 for _ in replay(config, open(sys.argv[2], 'rb')))\n"
        "print(json.dumps({'s': time.process_time() - begin, 'steps': steps}))\n",
        str(config),
        str(recorded),
    )
    readings = 3 * count * tanks
    rate, plain = readings / used["s"], readings / plain_s
    return [
        compared("replay, readings a CPU second", "{:,.0f}", rate, "json.loads alone", plain),
        compared("", "{:,.0f}", rate, "goal", GOAL_READINGS_S, "1 or more"),
    ]


_START = """
import json, os, sys, time
from pathlib import Path
from tankwatch.config import load
from tankwatch.watch.run import Watch
watch = Watch(load(Path(sys.argv[1])))
watch.start()
used = time.process_time()
watch.stop()
print(json.dumps({"s": used}))
"""


def _start(folder: Path) -> list[Row]:
    bare_s = min(
        _child("import json, time; print(json.dumps({'s': time.process_time()}))")["s"] for _ in range(3)
    )
    took = {}
    for tanks, days in ((1, 3), (1, 30), (100, 3), (1000, 3)):
        config = folder / f"start{tanks}.toml"
        config.write_text(config_text(tanks, 1, f"start{days}.db"))
        if not (folder / f"start{days}.db").exists():
            build(folder / f"start{days}.db", ["temperature", "heater", "light"], days)
        took[tanks, days] = min(_child(_START, str(config))["s"] for _ in range(2))
    one, hundred = 1000 * took[1, 3], 1000 * took[100, 3]
    form = "{:.0f} ms"
    return [
        compared("start of a watch, CPU", form, one, "bare Python", 1000 * bare_s),
        compared("  history tenfold", form, 1000 * took[1, 30], "before", one, "about 1"),
        compared("  100 tanks", form, hundred, "1 tank", one),
        compared("  1,000 tanks", form, 1000 * took[1000, 3], "100 tanks", hundred, "10 or less"),
    ]


_MEMORY = """
import json, os, sys
from pathlib import Path
sys.path.insert(0, sys.argv[4])
from bench_data import T0_S, pattern
from tankwatch.config import load
from tankwatch.reading import Channel
from tankwatch.watchdog.watchdog import Watchdog
columns = [(Channel(name), column.tolist()) for name, column in pattern().items()]
config = load(Path(sys.argv[1]))
def rss_kib():
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1024
before = rss_kib()
dog = Watchdog(config)
rounds, every_s = int(sys.argv[2]), float(sys.argv[3])
for number in range(rounds):
    at = T0_S + number * every_s
    dog.advance(at)
    for place, tank in enumerate(config.tank):
        for channel, column in columns:
            value = column[int(number * every_s / 10.0 + 997 * place) % len(column)]
            dog.take(tank.id, channel, at, value, None)
    dog.take_steps()
    dog.tanks(at) if number % 100 == 0 else None
print(json.dumps({"before": before, "after": rss_kib()}))
"""


def _memory(folder: Path) -> list[Row]:
    def used(tanks: int, days: float, every_s: float) -> tuple[float, float]:
        config = folder / f"memory{tanks}.toml"
        config.write_text(config_text(tanks, 1883, "memory.db"))
        rounds = int(days * 86_400 / every_s)
        said = _child(_MEMORY, str(config), str(rounds), str(every_s), str(Path(__file__).parent))
        return said["after"], said["after"] - said["before"]

    # The first tank brings buffers of the interpreter with it: the slope tells what a tank takes.
    all_1, own_1 = used(1, 1, 120.0)
    all_100, own_100 = used(100, 1, 120.0)
    all_1000, _ = used(1000, 0.5, 300.0)
    _, own_longer = used(1, 10, 120.0)
    return [
        Row("resident memory, 1 tank", f"{all_1 / 1024:.0f} MiB", ""),
        compared("  100 tanks", "{:.0f} MiB", all_100 / 1024, "1 tank", all_1 / 1024),
        compared("  1,000 tanks, half a day", "{:.0f} MiB", all_1000 / 1024, "1 tank", all_1 / 1024),
        compared("  a tank more, a day", "{:.0f} KiB", (own_100 - own_1) / 99, "goal", 64.0, "1 or less"),
        compared("  history tenfold, 1 tank", "{:.0f} KiB", own_longer, "before", max(own_1, 1.0), "about 1"),
    ]


def _child(code: str, *args: str) -> dict[str, Any]:
    """Run `code` in a process of its own; return the JSON that it prints last."""
    done = subprocess.run(
        [sys.executable, "-c", code, *args], capture_output=True, text=True, check=False, env=os.environ
    )
    if done.returncode != 0:
        raise RuntimeError(done.stderr)
    said: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return said
