"""Takes one defence of the program out at a time, and sees that its test notices.

    python tests/faults/without.py [NAME…]      all of them, or those named; --list; --jobs N

For each defence a copy of the repository is made in a temporary folder, changed, and its tests are run there.
`defences_*.py` in this folder list them. First all these tests are run on an unchanged copy, where they must
pass: a test that always fails proves nothing.
"""

import argparse
import importlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
COPIED = ("tankwatch", "tests", "configs", "pyproject.toml", "README.md")
LONGEST_S = 600.0

sys.path.insert(0, str(HERE))

from defence import Defence  # noqa: E402 (this folder is no package)


def all_defences() -> list[Defence]:
    """Return every defence that is listed, in the order of the files."""
    found: list[Defence] = []
    for path in sorted(HERE.glob("defences_*.py")):
        found += importlib.import_module(path.stem).DEFENCES
    return found


def copy_of_the_repository(folder: Path) -> Path:
    """Copy what the tests need, and return where it lies."""
    folder.mkdir(parents=True)
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, folder / name)
    return folder


def run_tests(folder: Path, tests: Sequence[str], slow: bool, *options: str) -> tuple[int, str]:
    """Run `tests` of the copy in `folder` on the program of that copy; return exit status and what failed."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *options, *tests]
    if slow:
        command += ["-m", "slow"]
    environment = {"TANKWATCH_KILLS": "40", **os.environ}  # enough of them to notice
    environment |= {"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        result = subprocess.run(
            command,
            cwd=folder,
            env=environment,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=LONGEST_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return 1, f"did not end within {LONGEST_S:.0f} s"
    lines = [line for line in result.stdout.splitlines() if line.startswith(("E  ", "FAILED", "ERROR"))]
    if "-x" not in options:
        lines = ["; ".join(line for line in lines if not line.startswith("E  "))]
    return result.returncode, (lines[0] if lines else result.stdout.strip()[-300:])


def judge(defence: Defence, scratch: Path) -> tuple[str, str, float]:
    """Return what became of the tests without the defence: a word, the reason, seconds."""
    began = time.monotonic()
    folder = copy_of_the_repository(scratch / defence.name)
    try:
        for edit in defence.edits:
            edit.apply(folder)
        status, words = run_tests(folder, defence.tests, defence.slow, "-x")
    except ValueError as error:
        status, words = 99, str(error)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    verdict = {0: "NOT NOTICED", 1: "failed as it should"}.get(status, "BROKEN")
    return verdict, " ".join(words.split())[:160], time.monotonic() - began


def failing_unchanged(defences: Sequence[Defence], scratch: Path) -> str:
    """Run all the tests on an unchanged copy; return the lines that name those which fail."""
    failing = ""
    for slow in (False, True):
        tests = sorted({test for d in defences if d.slow is slow for test in d.tests})
        if not tests:
            continue
        folder = copy_of_the_repository(scratch / f"unchanged-{slow}")
        status, words = run_tests(folder, tests, slow)
        print(f"{len(tests)} test(s) on an unchanged copy: {words if status else 'pass'}", flush=True)
        failing += words if status else ""
    return failing


def main() -> int:
    """Run; return 0 if every defence that is taken out is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--list", action="store_true", help="say which there are")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="so many at once")
    options = parser.parse_args()
    defences = all_defences()
    unknown = set(options.names) - {defence.name for defence in defences}
    if unknown:
        parser.error(f"no such defence: {', '.join(sorted(unknown))}")
    if options.names:
        defences = [defence for defence in defences if defence.name in options.names]
    if options.list:
        for defence in defences:
            print(f"{defence.name:28} {defence.promise}")
        return 0
    with tempfile.TemporaryDirectory(prefix="without-") as folder:
        scratch = Path(folder)
        failing = failing_unchanged(defences, scratch)
        unproven = [d for d in defences if any(test in failing for test in d.tests)]
        for defence in unproven:
            print(f"{defence.name:28} UNPROVEN: its tests fail on an unchanged copy")
        missed = len(unproven)
        defences = [d for d in defences if d not in unproven]
        with ThreadPoolExecutor(options.jobs) as pool:
            results = pool.map(lambda defence: judge(defence, scratch), defences)
            for defence, (verdict, words, seconds) in zip(defences, results, strict=True):
                missed += verdict != "failed as it should"
                print(f"{defence.name:28} {verdict:20} {seconds:5.0f} s  {words}", flush=True)
    print(f"{len(defences)} defence(s) taken out one by one, {missed} not missed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
