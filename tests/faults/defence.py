"""A defence of the program, how to take it out, and the test that must notice."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Edit:
    """One place of the program, as it stands and as it reads without the defence."""

    file: str
    """Relative to the folder of the repository, such as `tankwatch/store/writer.py`."""
    old: str
    """Stands exactly once in the file."""
    new: str

    def apply(self, root: Path) -> None:
        """Change the file below `root`.

        Raises:
            ValueError: `old` does not stand there exactly once, or the result is no Python.
        """
        path = root / self.file
        text = path.read_text(encoding="utf-8")
        count = text.count(self.old)
        if count != 1:
            raise ValueError(f"{self.file}: stands there {count} times, not once:\n{self.old}")
        changed = text.replace(self.old, self.new)
        compile(changed, self.file, "exec")
        path.write_text(changed, encoding="utf-8")


@dataclass(frozen=True)
class Defence:
    """What keeps one promise."""

    name: str
    """Short, for the command line."""
    promise: str
    """What holds because of it."""
    edits: tuple[Edit, ...]
    tests: tuple[str, ...]
    """Node ids of pytest; at least one of these tests must fail without the defence."""
    slow: bool = False
    """Its test is a long form, run only with `-m slow`."""


def defence(
    name: str, promise: str, file: str, old: str, new: str, *tests: str, slow: bool = False
) -> Defence:
    """Return a defence that stands in one place."""
    return Defence(name, promise, (Edit(file, old, new),), tests, slow)
