"""The audit of the parts that a wheel brings: what stands, what is let pass until when, what is not known.

The form of an answer is that of pip-audit's documentation (README, "--format json").
"""

import importlib.util
import json
import subprocess
import sys
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent
ANSWER = {
    "dependencies": [
        {"name": "calm", "version": "1.0", "vulns": []},
        {
            "name": "holey",
            "version": "2.1",
            "vulns": [
                {
                    "id": "PYSEC-2000-1",
                    "aliases": ["CVE-2000-0001"],
                    "fix_versions": ["2.2"],
                    "description": "x",
                },
                {"id": "PYSEC-2000-2", "fix_versions": []},
            ],
        },
        {"name": "stranger", "skip_reason": "not found"},
    ],
    "fixes": [],
}


def _parts() -> ModuleType:
    spec = importlib.util.spec_from_file_location("parts_of_the_wheel", ROOT / ".ci" / "parts.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


PARTS = _parts()


@pytest.mark.parametrize(
    ("today", "standing"),
    [(date(2001, 6, 30), ["PYSEC-2000-2"]), (date(2001, 7, 1), ["PYSEC-2000-1", "PYSEC-2000-2"])],
)
def test_a_weakness_is_let_pass_by_any_of_its_ids_until_its_day(today: date, standing: list[str]) -> None:
    excepted = PARTS.exceptions_of("# none\n\nCVE-2000-0001 2001-06-30 no window is opened\n")
    found, unknown = PARTS.read_answer(ANSWER)
    assert unknown == ["stranger"]
    stand, let_pass = PARTS.judge(found, excepted, today)
    assert [weakness.ids[0] for weakness in stand] == standing
    assert [why for _, why in let_pass] == ["no window is opened"] * (2 - len(standing))


@pytest.mark.parametrize(
    "line", ["CVE-2000-0001", "CVE-2000-0001 someday because", "CVE-2000-0001 2001-06-30"]
)
def test_an_exception_without_day_or_reason_is_refused(line: str) -> None:
    with pytest.raises(ValueError, match=r"txt:2: expected ID YYYY-MM-DD REASON"):
        PARTS.exceptions_of(f"#\n{line}\n")


def test_the_exceptions_that_are_kept_can_be_read() -> None:
    PARTS.exceptions_of(PARTS.EXCEPTIONS.read_text(encoding="utf-8"))


def test_the_wheel_itself_is_not_asked_about() -> None:
    names = [("tankwatch", "0.1.0"), ("numpy", "2.0"), ("click", "8.1")]
    listed = {"components": [{"name": name, "version": version} for name, version in names]}
    assert PARTS.pins_of(listed) == ["click==8.1", "numpy==2.0"]


@pytest.mark.parametrize(
    ("stdout", "words"),
    [
        ("", "pypi: connection refused; osv: connection refused"),
        (json.dumps({"dependencies": [{"name": "a", "skip_reason": "?"}]}), "knows none of the 1 parts"),
    ],
)
def test_where_no_service_answers_that_is_told(
    stdout: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(command: list[str], **options: Any) -> "subprocess.CompletedProcess[str]":
        return subprocess.CompletedProcess(command, 1, stdout, "a warning\nconnection refused\n")

    monkeypatch.setattr(PARTS.subprocess, "run", fail)
    answer, trouble = PARTS._audit(["a==1"], tmp_path)
    assert answer is None
    assert words in trouble
