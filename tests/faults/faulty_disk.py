"""A disk that stalls, fills or breaks at a word, below a watch in a process of its own."""

import subprocess
from pathlib import Path

from conftest import need_program

SOURCE = Path(__file__).parent / "disk_faults.c"


class FaultyDisk:
    """Obeys orders: "stall", "full", "broken", "readonly"; "" is a disk that is well."""

    def __init__(self, folder: Path) -> None:
        """Build what is laid over the program."""
        compiler = need_program("gcc")
        self._library = folder / "disk_faults.so"
        self._orders = folder / "orders"
        self.order("")
        subprocess.run(
            [compiler, "-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o", self._library, SOURCE, "-ldl"],
            check=True,
            timeout=60,
        )

    def order(self, word: str) -> None:
        """Put an order in force."""
        new = self._orders.with_suffix(".new")
        new.write_text(word)
        new.rename(self._orders)

    @property
    def environment(self) -> dict[str, str]:
        """What the process below which this disk lies needs in its environment."""
        return {"LD_PRELOAD": str(self._library), "FAULT_ORDERS": str(self._orders), "FAULT_PATH": "room.db"}
