#!/usr/bin/env python3
"""Lists the parts that a wheel brings along, and asks whether a weakness of one of them is known.

    python .ci/parts.py WHEEL [EXTRAS] --out parts.json

The wheel is installed alone, without pip, into a fresh environment; the list is CycloneDX 1.6 as JSON and is
validated against its schema. The audit asks a service on the network. Where none answers that is said loudly
and is no failure; a weakness that is found is one, unless `.ci/known_weaknesses.txt` excepts it. Needs the
extra `parts`.
"""

import argparse
import json
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

EXCEPTIONS = Path(__file__).parent / "known_weaknesses.txt"
SERVICES = ("pypi", "osv")
"""Asked in this order until one answers."""
OURS = "tankwatch"
_EXCEPTION = re.compile(r"(\S+)\s+(\d{4}-\d{2}-\d{2})\s+(\S.*)")


@dataclass(frozen=True)
class Found:
    """A weakness of one part."""

    part: str
    version: str
    ids: tuple[str, ...]
    """Its own id and the others that it is known by."""
    mended_in: tuple[str, ...]


def main() -> int:
    """List, validate and audit; return 1 if the list is unsound or a weakness stands that is not excepted."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("wheel", type=Path)
    parser.add_argument("extras", nargs="?", default="", help="such as demo,notify")
    parser.add_argument("--out", type=Path, required=True, help="where the list goes")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="parts-") as scratch:
        python = _install(arguments.wheel, arguments.extras, Path(scratch) / "venv")
        listed = _list_of(python, arguments.out)
        pins = pins_of(listed)
        print(f"{arguments.out}: {len(pins)} parts beside {OURS}, valid CycloneDX")
        answer, trouble = _audit(pins, Path(scratch))
    if answer is None:
        print(f"{'!' * 20}\n!! NOT AUDITED: {trouble}\n{'!' * 20}", file=sys.stderr)
        return 0
    found, unknown = read_answer(answer)
    if unknown:
        print(f"!! NOT AUDITED, for the service does not know them: {', '.join(unknown)}", file=sys.stderr)
    today = datetime.now(UTC).date()
    standing, excepted = judge(found, exceptions_of(EXCEPTIONS.read_text(encoding="utf-8")), today)
    for weakness, why in excepted:
        print(f"excepted: {weakness.part} {weakness.version}: {weakness.ids[0]}: {why}")
    for weakness in standing:
        mend = ", ".join(weakness.mended_in) or "no version yet"
        print(
            f"{weakness.part} {weakness.version}: {', '.join(weakness.ids)}; mended in {mend}",
            file=sys.stderr,
        )
    print(f"{len(pins) - len(unknown)} parts audited, {len(standing)} weaknesses, {len(excepted)} excepted")
    return 1 if standing else 0


def _install(wheel: Path, extras: str, folder: Path) -> Path:
    """Install the wheel and nothing else; return the environment's interpreter."""
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", folder], check=True)
    python = folder / "bin" / "python"
    what = f"{OURS}[{extras}] @ {wheel.resolve().as_uri()}" if extras else str(wheel)
    pip = [sys.executable, "-m", "pip", "--python", str(python), "--disable-pip-version-check"]
    subprocess.run([*pip, "install", "--quiet", what], check=True)
    return python


def _list_of(python: Path, out: Path) -> dict[str, Any]:
    """Write the list of what is installed to `out`; return it. Unsound, it ends the program."""
    from cyclonedx.schema import SchemaVersion
    from cyclonedx.validation.json import JsonStrictValidator

    command = ["-m", "cyclonedx_py", "environment", "--sv", "1.6", "--output-reproducible", "-o", str(out)]
    subprocess.run([sys.executable, *command, str(python)], check=True)
    text = out.read_text(encoding="utf-8")
    fault = JsonStrictValidator(SchemaVersion.V1_6).validate_str(text)
    if fault is not None:
        sys.exit(f"{out}: not CycloneDX 1.6: {fault}")
    listed: dict[str, Any] = json.loads(text)
    return listed


def pins_of(listed: dict[str, Any]) -> list[str]:
    """Return `name==version` of every part but the wheel itself."""
    parts = [(part["name"], part["version"]) for part in listed.get("components", ())]
    return sorted(f"{name}=={version}" for name, version in parts if name != OURS)


def _audit(pins: list[str], scratch: Path) -> tuple[dict[str, Any] | None, str]:
    """Return the answer of the first service that gives one; else None, and why there is none."""
    pinned = scratch / "pins.txt"
    pinned.write_text("\n".join(pins) + "\n", encoding="utf-8")
    trouble = []
    for service in SERVICES:
        command = ["-m", "pip_audit", "-r", str(pinned), "--no-deps", "--disable-pip", "-s", service]
        command += ["--timeout", "15", "--progress-spinner", "off", "-f", "json", "--aliases", "on"]
        try:
            ended = subprocess.run(
                [sys.executable, *command], capture_output=True, text=True, timeout=180, check=False
            )
            answer: dict[str, Any] = json.loads(ended.stdout)
        except subprocess.TimeoutExpired:
            trouble.append(f"{service}: no answer within 180 s")
        except ValueError:  # it failed: its exit status is 1 then, as it is where weaknesses are found
            lines = ended.stderr.strip().splitlines() or [f"exit status {ended.returncode}"]
            trouble.append(f"{service}: {lines[-1][:300]}")
        else:
            if len(read_answer(answer)[1]) < len(pins):
                return answer, ""
            trouble.append(f"{service}: what answered there knows none of the {len(pins)} parts")
    return None, "; ".join(trouble)


def read_answer(answer: dict[str, Any]) -> tuple[list[Found], list[str]]:
    """Return the weaknesses that the audit found, and the parts it could say nothing about."""
    found, unknown = [], []
    for part in answer["dependencies"]:
        if "skip_reason" in part:
            unknown.append(part["name"])
        for one in part.get("vulns", ()):
            ids = (one["id"], *one.get("aliases", ()))
            found.append(Found(part["name"], part["version"], ids, tuple(one.get("fix_versions", ()))))
    return found, unknown


def exceptions_of(text: str) -> dict[str, tuple[date, str]]:
    """Return, by id of a weakness, the last day on which it is excepted, and why.

    Raises:
        ValueError: a line is not `ID YYYY-MM-DD REASON`.
    """
    excepted = {}
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        match = _EXCEPTION.fullmatch(line.strip())
        if match is None:
            raise ValueError(f"{EXCEPTIONS.name}:{number}: expected ID YYYY-MM-DD REASON, got {line!r}")
        excepted[match[1]] = (date.fromisoformat(match[2]), match[3])
    return excepted


def judge(
    found: Iterable[Found], excepted: dict[str, tuple[date, str]], today: date
) -> tuple[list[Found], list[tuple[Found, str]]]:
    """Part what was found into what stands, and what is excepted today with the reason."""
    standing, let_pass = [], []
    for weakness in found:
        why = next((excepted[i][1] for i in weakness.ids if i in excepted and today <= excepted[i][0]), None)
        if why is None:
            standing.append(weakness)
        else:
            let_pass.append((weakness, why))
    return standing, let_pass


if __name__ == "__main__":
    sys.exit(main())
