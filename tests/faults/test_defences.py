"""The list of defences must fit the program as it stands, or `without.py` would prove nothing."""

import shutil
from pathlib import Path

import pytest
from defence import Defence
from without import ROOT, all_defences

DEFENCES = all_defences()


@pytest.mark.parametrize("defence", DEFENCES, ids=[defence.name for defence in DEFENCES])
def test_each_defence_can_be_taken_out_of_the_program_as_it_stands(defence: Defence, tmp_path: Path) -> None:
    for edit in defence.edits:
        copy = tmp_path / edit.file
        if not copy.exists():
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / edit.file, copy)
        edit.apply(tmp_path)
    for test in defence.tests:
        file, _, rest = test.partition("::")
        name = rest.partition("[")[0].rpartition("::")[2]  # without its class
        text = (ROOT / file).read_text(encoding="utf-8")
        assert not name or f"def {name}(" in text, f"{file} has no test {name}"


def test_no_two_defences_share_a_name() -> None:
    names = [defence.name for defence in DEFENCES]
    assert len(names) == len(set(names))
