"""Lines of text with roles instead of colours: what every drawing function of the screen returns.

A `Run` says what a piece of text means (`critical`, `label`, `faint`, …) and on which ground it stands;
only `palette` knows what that looks like. Text is never read as markup, and `clean` takes out of foreign
text whatever a terminal might obey or measure wrongly.
"""

from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from rich.cells import cell_len, set_cell_size

from tankwatch.safetext import safe_text


class Run(NamedTuple):
    """A piece of text with one meaning."""

    text: str
    role: str = "text"
    ground: str = ""


Line = tuple[Run, ...]
"""One row of the picture."""

Align = Literal["left", "right", "middle"]

_JOINERS = dict.fromkeys([0x200C, 0x200D, *range(0xFE00, 0xFE10)])
_LONGEST = 2000
_UNITS = frozenset({"°C", "K", "h", "min", "W", "%", "L"})


def clean(text: str) -> str:
    """Return `text` fit to be shown on one line, at a width that every terminal agrees on.

    Controls and the like become visible escapes (`safe_text`); the signs that join characters into one
    picture or choose its form are dropped, since terminals disagree about the width of the result.
    """
    if text.isascii() and text.isprintable():
        return text
    return safe_text(text.translate(_JOINERS), limit=_LONGEST)


def fit(text: str, width: int, align: Align = "left") -> str:
    """Return `text` in exactly `width` cells: cut with `…`, or filled with blanks."""
    if width <= 0:
        return ""
    length = cell_len(text)
    if length > width:
        kept = set_cell_size(text, width - 1).rstrip()
        return kept + "…" + " " * (width - 1 - cell_len(kept))
    gap = width - length
    if align == "right":
        return " " * gap + text
    if align == "middle":
        return " " * (gap // 2) + text + " " * (gap - gap // 2)
    return text + " " * gap


def fit_name(name: str, width: int) -> str:
    """Return `name` in exactly `width` cells; cut in its middle, since what tells tanks apart ends the name.

    `Quarantine rack north 17` becomes `Quarantine r…17`.
    """
    if cell_len(name) <= width or width < 6:
        return fit(name, width)
    end = name[name.rstrip().rfind(" ") + 1 :].rstrip()
    if not 0 < cell_len(end) <= width // 2:
        end = ""
        for character in reversed(name.rstrip()):
            if cell_len(character + end) > width // 3:
                break
            end = character + end
    head = set_cell_size(name, width - 1 - cell_len(end)).rstrip()
    return fit(f"{head}…{end}", width)


def length(line: Line) -> int:
    """Return how many cells `line` takes."""
    return sum(cell_len(run.text) for run in line)


def crop(line: Line, width: int) -> Line:
    """Return `line` in exactly `width` cells, cut or filled."""
    out: list[Run] = []
    left = width
    for run in line:
        cells = cell_len(run.text)
        if cells > left:
            if left:
                out.append(run._replace(text=set_cell_size(run.text, left)))
            left = 0
            break
        out.append(run)
        left -= cells
    if left:
        out.append(Run(" " * left))
    return tuple(out)


def joined(runs: Iterable[Run]) -> Line:
    """Return runs with neighbours of the same look joined: fewer, longer pieces."""
    out: list[Run] = []
    for run in runs:
        if out and out[-1].role == run.role and out[-1].ground == run.ground:
            out[-1] = out[-1]._replace(text=out[-1].text + run.text)
        else:
            out.append(run)
    return tuple(out)


def on_ground(line: Line, ground: str) -> Line:
    """Return `line` with every run that has no ground of its own set on `ground`."""
    return tuple(run if run.ground else run._replace(ground=ground) for run in line)


def ruled(title: str, width: int) -> Line:
    """Return a line over `width` cells with `title` near its left end."""
    rule = "─" * max(0, width - 4 - cell_len(title))
    return (Run("── ", "faint"), Run(title, "label"), Run(f" {rule}", "faint"))


def beside(blocks: Sequence[Sequence[Line]], widths: Sequence[int], gap: int = 0) -> list[Line]:
    """Put blocks of lines side by side, each cropped to its width, `gap` cells apart."""
    height = max((len(block) for block in blocks), default=0)
    rows: list[Line] = []
    for y in range(height):
        row: list[Run] = []
        for i, (block, width) in enumerate(zip(blocks, widths, strict=True)):
            if i and gap:
                row.append(Run(" " * gap))
            row.extend(crop(block[y] if y < len(block) else (), width))
        rows.append(tuple(row))
    return rows


def wrap(text: str, width: int, most: int = 99) -> list[str]:
    """Break `text` at blanks into rows of at most `width` cells; the last of `most` rows ends with `…`."""
    rows: list[str] = []
    row = ""
    for word in _words(text):
        trial = f"{row} {word}" if row else word
        if row and cell_len(trial) > width:
            rows.append(row)
            row = word
        else:
            row = trial
    if row:
        rows.append(row)
    if len(rows) > most:
        rows = [*rows[: most - 1], fit(" ".join(rows[most - 1 :]), width).rstrip()]
    return [fit(r, width).rstrip() if cell_len(r) > width else r for r in rows]


def _words(text: str) -> list[str]:
    """Split `text` at blanks, but leave a unit with its number."""
    words: list[str] = []
    for word in text.split():
        if words and word.rstrip(".,;:)") in _UNITS:
            words[-1] += " " + word
        else:
            words.append(word)
    return words


def plain(lines: Iterable[Line]) -> list[str]:
    """Return the bare text of `lines`; for tests and for export."""
    return ["".join(run.text for run in line) for line in lines]
