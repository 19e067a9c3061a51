"""Help belongs to what has the focus: a field explains itself, and where none does, its page or dialog."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from tankwatch.screen.help_page import HelpPage

if TYPE_CHECKING:
    from textual.screen import Screen


class Explained:
    """A widget with words of its own for F1."""

    help_title: str = ""
    """What it is, in a few words."""
    help_text: str = ""
    """What is wanted of it, with unit and limits, in a few sentences; empty: its page speaks for it."""


class Explains:
    """A page or dialog that F1 explains, or what has the focus in it."""

    HELP_TITLE: ClassVar[str] = ""
    HELP: ClassVar[str | None] = ""
    """What it shows or asks for, in a few sentences."""

    def explanation(self) -> tuple[str, str]:
        """Return title and text for what has the focus now."""
        focused = cast("Screen[object]", self).focused
        if isinstance(focused, Explained) and focused.help_text:
            return focused.help_title, focused.help_text
        return self.HELP_TITLE, self.HELP or ""

    def action_help(self) -> None:
        """Explain it, with the keys that act here."""
        screen = cast("Screen[object]", self)
        title, text = self.explanation()
        screen.app.push_screen(HelpPage(title, text, screen))
