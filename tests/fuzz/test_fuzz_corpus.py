"""Every input that fuzzing kept, and every seed, through its target: what was promised holds again."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from seeds import SEEDS
from targets import TARGETS

CORPUS = Path(__file__).parent / "corpus"


@pytest.mark.parametrize("name", TARGETS)
def test_kept_inputs_and_seeds(name: str) -> None:
    kept = sorted((CORPUS / name).glob("*"))
    assert kept or SEEDS[name]
    for payload in [*SEEDS[name], *(path.read_bytes() for path in kept)]:
        TARGETS[name](payload)
        for odd in (payload[: len(payload) // 2], payload * 3, payload + b"\0", b"\xff" + payload):
            TARGETS[name](odd)
