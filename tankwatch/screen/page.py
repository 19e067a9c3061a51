"""What all pages share: the bars, the size they draw for, and being shown the newest view."""

from __future__ import annotations

from abc import abstractmethod
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

from textual import events
from textual.app import ComposeResult
from textual.screen import Screen

from tankwatch.alarms.model import AlarmState
from tankwatch.screen import words
from tankwatch.screen.bars import KeyLine, TopBar
from tankwatch.screen.explained import Explains
from tankwatch.screen.lean import LeanCompositor
from tankwatch.screen.page_table import PageTable, save_table
from tankwatch.screen.standing import RoomView

if TYPE_CHECKING:
    from tankwatch.screen.app import TankwatchApp


class Page(Explains, Screen[None]):
    """A full page. It draws when it comes up, when its size changes, and when there is a new view."""

    AUTO_FOCUS = ""
    NAME: ClassVar[str] = ""

    def __init__(self) -> None:
        """Repaint no more than what changed."""
        super().__init__()
        self._compositor = LeanCompositor()

    @property
    def home(self) -> TankwatchApp:
        """The app, by its own type."""
        return cast("TankwatchApp", self.app)

    def compose(self) -> ComposeResult:
        """Put the bars around the body of the page."""
        yield TopBar()
        yield from self.compose_body()
        yield KeyLine()

    @abstractmethod
    def compose_body(self) -> ComposeResult:
        """Yield the widgets between the bars."""

    @abstractmethod
    def draw(self, view: RoomView) -> None:
        """Draw `view`; called only while the page is mounted and on top."""

    def table(self) -> PageTable | None:
        """Return what the page shows as a table; None: it has none, or nothing to show yet."""
        return None

    def action_export(self) -> None:
        """Save what the page shows in the folder that the program was started in."""
        table = self.table()
        if table is None or not table.rows:
            self.home.tell("There is nothing here to put into a table.")
            return
        try:
            path = save_table(table, self.NAME, self.home.clock.wall_s(), Path.cwd())
        except OSError as error:
            self.home.tell(f"The table could not be saved: {error}", severity="error")
        else:
            self.home.tell(f"Saved as {path}")

    def record_changed(self) -> None:
        """Something was written down: a page that shows the record reads it anew."""
        self.refresh_view()

    def refresh_view(self) -> None:
        """Draw the newest view if this page is ready to be drawn on."""
        if not self.is_mounted or not self.size.width:
            return
        view = self.home.view
        alarms = view.snapshot.alarms if view.snapshot is not None else ()
        new = sum(1 for a in alarms if a.state is AlarmState.UNACKNOWLEDGED)
        self.query_one(TopBar).show_state(
            view.room,
            self.NAME,
            self.home.page_keys,
            new,
            self.home.link.state,
            self.home.link.age_s,
            words.clock(now_s := self.home.clock.wall_s(), self.home.zone, now_s),
        )
        self.draw(view)

    def on_screen_resume(self) -> None:
        """Draw when the page comes up."""
        self.call_after_refresh(self.refresh_view)

    def on_resize(self, _event: events.Resize) -> None:
        """Draw for the new size once the widgets have theirs."""
        self.call_after_refresh(self.refresh_view)
