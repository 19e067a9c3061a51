"""F1: what the page shows, its keys by group, and the cautions."""

from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen, Screen

from tankwatch.screen import advice, keys
from tankwatch.screen.ink import Line, Run, fit, wrap
from tankwatch.screen.picture import Picture


class HelpPage(ModalScreen[None]):
    """Help for what had the focus when it was asked for."""

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = list(keys.HELP_PAGE)

    def __init__(self, title: str, text: str, page: Screen[Any]) -> None:
        """Explain what is called `title` with its words `text`, and the keys that act on `page`."""
        super().__init__()
        self._title = title
        self._text = text
        self._keys = grouped_keys(page)

    def compose(self) -> ComposeResult:
        """One box of text."""
        with Vertical(classes="box tall"):
            yield Picture(ground="bar")

    def on_mount(self) -> None:
        """Show the text once its width is known."""
        self.call_after_refresh(self._show)

    def on_resize(self) -> None:
        """Break the text anew."""
        self.call_after_refresh(self._show)

    def _show(self) -> None:
        picture = self.query_one(Picture)
        picture.show(draw_help(self._title, self._text, self._keys, max(20, picture.size.width - 2)))

    def action_close(self) -> None:
        """Go back."""
        self.dismiss(None)

    def action_scroll(self, rows: int) -> None:
        """Scroll the text."""
        self.query_one(Picture).scroll_relative(y=rows, animate=False)


def grouped_keys(page: Screen[Any]) -> dict[str, list[tuple[str, str]]]:
    """Return (keys, tooltip) by group of all that can be pressed on `page`."""
    rows: dict[str, dict[str, tuple[list[str], str]]] = {}
    for active in page.active_bindings.values():
        binding = active.binding
        if binding.group is None or not binding.id:
            continue
        group = rows.setdefault(binding.group.description, {})
        names, _ = group.setdefault(binding.id, ([], binding.tooltip))
        names.append(_plain(binding.key))
    return {
        title: [(" ".join(dict.fromkeys(names)), tooltip) for names, tooltip in group.values()]
        for title, group in rows.items()
    }


_NAMES = {
    "question_mark": "?", "equals_sign": "=", "plus": "+", "minus": "-", "comma": ",", "full_stop": ".",
    "slash": "/", "escape": "Esc", "enter": "Enter", "left": "←", "right": "→", "up": "↑", "down": "↓",
    "f1": "F1", "ctrl+q": "Ctrl+Q", "ctrl+p": "Ctrl+P", "home": "Home", "end": "End", "pageup": "PgUp",
    "pagedown": "PgDn",
}  # fmt: skip


def _plain(key: str) -> str:
    return _NAMES.get(key, key)


def draw_help(title: str, text: str, groups: dict[str, list[tuple[str, str]]], width: int) -> list[Line]:
    """Return the help as lines of `width` cells."""
    lines: list[Line] = [(), (Run(fit(" " + title, width), "bright"),), ()] if title else [()]
    lines.extend((Run(" " + row, "text"),) for row in wrap(text, width - 1))
    for group, rows in groups.items():
        lines.extend([(), (Run(f" {group}", "label"),)])
        for names, tooltip in rows:
            for i, row in enumerate(wrap(tooltip, width - 14)):
                lines.append((Run(fit(" " + names if i == 0 else "", 13), "bright"), Run(row)))
    lines.append(())
    for caution in (*advice.SERVICE_CAUTIONS, advice.WATCHES_ONLY):
        lines.extend((Run(" " + row, "label"),) for row in wrap(caution, width - 1))
    lines.append(())
    return lines
