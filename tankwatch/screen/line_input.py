"""A line to write in, between others: the arrow keys up and down are left to what holds it."""

from typing import ClassVar

from textual.binding import BindingType
from textual.widgets import Input

from tankwatch.screen.explained import Explained


class LineInput(Explained, Input, inherit_bindings=False):
    """An input without the scroll keys that Textual's own takes and does nothing with."""

    BINDINGS: ClassVar[list[BindingType]] = list(Input.BINDINGS)

    def __init__(
        self,
        value: str,
        longest: int,
        *,
        id: str,  # noqa: A002
        help_title: str = "",
        help_text: str = "",
    ) -> None:
        """Start with `value`; no more than `longest` characters are taken. The cursor does not blink."""
        super().__init__(value, max_length=longest, compact=True, id=id)
        self.cursor_blink = False
        self.help_title, self.help_text = help_title, help_text
