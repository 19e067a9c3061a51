"""Every example configuration loads, and says of each tank what it will be watched for."""

from pathlib import Path

import pytest

from tankwatch.check import as_lines, report
from tankwatch.config import load, warnings_of

EXAMPLES = sorted((Path(__file__).parent.parent / "configs").glob("*.toml"))


def test_there_is_one_for_each_kind_of_source() -> None:
    kinds = {source.kind for path in EXAMPLES for source in load(path).source}
    assert kinds == {"mqtt", "serial", "onewire"}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_example_loads_and_needs_no_warning(path: Path) -> None:
    config = load(path)
    assert list(warnings_of(config)) == []
    found = report(config, path)
    assert len(found["tanks"]) == len(config.tank) >= 1
    for tank in found["tanks"]:
        conditions = {item["condition"] for item in tank["watched_for"]}
        assert {"too-cold", "too-warm", "heater-stuck-on", "probe-silent"} <= conditions
    assert any(config.tank[0].label in line for line in as_lines(found))
