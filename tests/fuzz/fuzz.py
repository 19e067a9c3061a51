"""Coverage-guided fuzzing of every place where bytes come in, with atheris (extra `fuzz`; Linux).

    python tests/fuzz/fuzz.py --seconds 60           each target for a minute, with a table at the end
    python tests/fuzz/fuzz.py --seconds 600 packs    one target for longer

With --keep the smallest inputs that reach new code are kept in tests/fuzz/corpus, which every run of the
tests feeds again. An input that breaks a promise is written to tests/fuzz/found, and the exit status is 1.
"""

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).parent
CORPUS, FOUND = HERE / "corpus", HERE / "found"
LONGEST_INPUT = 4096
MOST_KEPT, MOST_KEPT_BYTES = 40, 16_000
"""By target: the corpus stays small enough to be kept with the program."""
_RUNS = re.compile(r"stat::number_of_executed_units:\s*(\d+)")
_COVERED = re.compile(r"cov: (\d+) ft: (\d+)")


def main() -> int:
    """Run the targets asked for; return 1 if any input broke a promise."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("targets", nargs="*", help="names of targets; all by default")
    parser.add_argument("--seconds", type=int, default=60, help="time for each target (default 60)")
    parser.add_argument("--keep", action="store_true", help="keep the smallest new inputs in the corpus")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    arguments, rest = parser.parse_known_args()
    if arguments.child:
        _fuzz(arguments.child, [*arguments.targets, *rest])
    from targets import TARGETS

    names = arguments.targets or list(TARGETS)
    unknown = [name for name in names if name not in TARGETS]
    if unknown:
        parser.error(f"no target {unknown[0]!r}; known: {', '.join(TARGETS)}")
    rows = []
    for number, name in enumerate(names, 1):
        print(f"{number}/{len(names)} {name}: {arguments.seconds} s …", file=sys.stderr, flush=True)
        rows.append(_run(name, arguments.seconds, arguments.keep))
    print(f"{'target':15}{'inputs':>12}{'a second':>10}{'covered':>9}  found")
    for name, count, took_s, covered, found in rows:
        print(f"{name:15}{count:12,}{count / max(took_s, 1e-9):10,.0f}{covered:9,}  {found}")
    print(f"{'in all':15}{sum(row[1] for row in rows):12,}")
    return 1 if any(row[4] for row in rows) else 0


def _run(name: str, seconds: int, keep: bool) -> tuple[str, int, float, int, str]:
    """Fuzz one target in a process of its own; return name, inputs, seconds, branches covered, findings."""
    from seeds import SEEDS

    kept = CORPUS / name
    FOUND.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        fresh = Path(folder) / "fresh"
        fresh.mkdir()
        seeds = Path(folder) / "seeds"
        seeds.mkdir()
        for number, seed in enumerate(SEEDS[name]):
            (seeds / str(number)).write_bytes(seed)
        began_s = time.monotonic()
        process = subprocess.run(
            [
                sys.executable, str(Path(__file__)), "--child", name, str(fresh), str(kept), str(seeds),
                f"-max_total_time={seconds}", f"-max_len={LONGEST_INPUT}", "-timeout=10",
                "-rss_limit_mb=2048",
                f"-artifact_prefix={FOUND}/{name}-", "-print_final_stats=1",
            ],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace", check=False,
        )  # fmt: skip
        took_s = time.monotonic() - began_s
        said = process.stdout
        count = int(m.group(1)) if (m := _RUNS.search(said)) else 0
        covered = max((int(a) for a, _ in _COVERED.findall(said)), default=0)
        if keep:
            _keep_smallest(fresh, kept)
    found = ""
    if process.returncode:
        signs = ("Error", "ERROR", "timeout")
        wrong = [line for line in said.splitlines() if any(sign in line for sign in signs)]
        found = (wrong[0] if wrong else f"exit status {process.returncode}")[:160]
        print(said[-3000:], file=sys.stderr)
    return name, count, took_s, covered, found


def _keep_smallest(fresh: Path, kept: Path) -> None:
    """Add the smallest new inputs to the kept ones, within bounds."""
    kept.mkdir(parents=True, exist_ok=True)
    size = sum(path.stat().st_size for path in kept.iterdir())
    count = len(list(kept.iterdir()))
    for path in sorted(fresh.iterdir(), key=lambda p: p.stat().st_size):
        size += path.stat().st_size
        count += 1
        if count > MOST_KEPT or size > MOST_KEPT_BYTES:
            return
        shutil.copy(path, kept / path.name[:16])


def _fuzz(name: str, arguments: list[str]) -> None:
    """Become the fuzzer of one target; never returns."""
    import atheris

    sys.path.insert(0, str(HERE))
    with atheris.instrument_imports(include=["tankwatch"]):
        from targets import TARGETS

    folders = [a for a in arguments if not a.startswith("-")]
    for folder in folders:
        Path(folder).mkdir(parents=True, exist_ok=True)
    atheris.Setup([sys.argv[0], *arguments], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    sys.path.insert(0, str(HERE))
    sys.exit(main())
