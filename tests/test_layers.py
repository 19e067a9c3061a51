"""What really gets imported: the core runs where no screen can."""

import pkgutil
import subprocess
import sys

import tankwatch

_ON_TOP = {"screen", "cli", "__main__"}


def test_everything_but_screen_and_commands_imports_neither_textual_nor_rich() -> None:
    names = [
        module.name
        for module in pkgutil.walk_packages(tankwatch.__path__, "tankwatch.")
        if module.name.split(".")[1] not in _ON_TOP and not module.name.endswith("__main__")
    ]
    assert "tankwatch.watch.run" in names
    assert "tankwatch.sources.source_set" in names
    script = (
        "import importlib, sys\n"
        f"for name in {names!r}: importlib.import_module(name)\n"
        "print(sorted({m.partition('.')[0] for m in sys.modules} & {'textual', 'rich'}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.strip() == "[]"
