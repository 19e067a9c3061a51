"""A field with one of some words in it: the arrow keys turn it."""

from typing import ClassVar

from textual import events
from textual.binding import BindingType
from textual.message import Message

from tankwatch.screen import keys
from tankwatch.screen.explained import Explained
from tankwatch.screen.ink import Run, fit
from tankwatch.screen.picture import Picture


class Choice(Explained, Picture, can_focus=True, inherit_bindings=False):
    """Shows one of its words."""

    DEFAULT_CSS = "Choice { height: 1; overflow: hidden hidden; }"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.CHOICE)

    class Changed(Message):
        """Another word stands in it."""

    def __init__(
        self,
        words: tuple[str, ...],
        value: str,
        *,
        id: str,  # noqa: A002
        help_title: str = "",
        help_text: str = "",
    ) -> None:
        """Start with `value`, one of `words`."""
        super().__init__(id=id)
        self.words = words
        self.help_title, self.help_text = help_title, help_text
        self.value = value if value in words else words[0]

    def on_mount(self) -> None:
        """Show the word."""
        super().on_mount()  # type: ignore[no-untyped-call]  # ScrollView leaves it untyped
        self._show()

    def on_resize(self) -> None:
        """Fit it to the width."""
        self._show()

    def on_focus(self) -> None:
        """Show that the keys act here."""
        self._show()

    def on_blur(self) -> None:
        """Show that they no longer do."""
        self._show()

    def on_click(self, _event: events.Click) -> None:
        """Turn to the next word."""
        self.focus()
        self.action_turn(1)

    def action_turn(self, step: int) -> None:
        """Turn to another word."""
        self.value = self.words[(self.words.index(self.value) + step) % len(self.words)]
        self._show()
        self.post_message(self.Changed())

    def _show(self) -> None:
        here = self.has_focus
        ground = "chosen" if here else "bar"
        word = fit(self.value, max(1, self.size.width - 4))
        role = "bright" if here else "text"
        self.show([(Run(" ◂" if here else "  ", "label", ground), Run(word, role, ground),
                    Run("▸ " if here else "  ", "label", ground))])  # fmt: skip
