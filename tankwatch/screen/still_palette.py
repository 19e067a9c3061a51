"""The palette of commands without the cursor that blinks: over a slow link nothing moves by itself."""

from textual.command import CommandInput, CommandPalette


class StillPalette(CommandPalette):
    """Textual's palette, held still."""

    def on_mount(self) -> None:
        """Stop the cursor."""
        self.query_one(CommandInput).cursor_blink = False
