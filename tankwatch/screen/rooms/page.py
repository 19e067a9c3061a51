"""All rooms: one sentence on top, a row for each room, and what is wrong in the chosen one."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from textual import events
from textual.app import ComposeResult
from textual.binding import BindingType

from tankwatch.screen import keys, words
from tankwatch.screen.bars import TopBar
from tankwatch.screen.link import LinkState
from tankwatch.screen.page import Page
from tankwatch.screen.page_table import PageTable
from tankwatch.screen.picture import Picture
from tankwatch.screen.rooms.draw import draw_chosen, draw_refused, draw_rooms, draw_sentence
from tankwatch.screen.rooms.standing import RoomStanding
from tankwatch.screen.rooms.table import rooms_table
from tankwatch.screen.standing import RoomView
from tankwatch.screen.steady import Steady

if TYPE_CHECKING:
    from tankwatch.screen.rooms.app import RoomsApp


class RoomsPage(Page):
    """Every room that is heard, or must be."""

    NAME = "rooms"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.ROOMS_PAGE)
    HELP = (
        "Each row is a room, worst first: its watch as it is heard here, how many tanks it has, alarms that "
        "nobody has acknowledged, the age of the oldest reading among its tanks, and what is worst in it. A "
        "room whose watch is silent, signed off or stopped is an alarm here: nobody knows whether its tanks "
        "are watched. Below stands what is wrong in the chosen room. Enter opens it; u comes back."
    )

    def __init__(self) -> None:
        """Start with the worst room chosen."""
        super().__init__()
        self.chosen = ""
        self._has_moved = False
        """Until the keeper chooses, the worst room is chosen."""
        self._rooms: list[RoomStanding] = []
        self._steady = Steady()

    @property
    def all_rooms(self) -> RoomsApp:
        """The app, by its own type."""
        return cast("RoomsApp", self.app)

    def compose_body(self) -> ComposeResult:
        """Summary, rooms, what is wrong in the chosen one."""
        yield Picture(id="summary", classes="-fixed")
        yield Picture(id="rooms")
        yield Picture(id="chosen-room", classes="-fixed")

    def refresh_view(self) -> None:
        """Draw the rooms if this page is ready to be drawn on."""
        if not self.is_mounted or not self.size.width:
            return
        app = self.all_rooms
        trouble = app.broker_trouble()
        state = LinkState.OLD if trouble else LinkState.LIVE if app.is_hearing else LinkState.CONNECTING
        new = sum(room.new for room in app.rooms)
        self.query_one(TopBar).show_state(
            app.config.room.name,
            self.NAME,
            app.page_keys,
            new,
            state,
            app.unheard_s,
            words.clock(now_s := app.clock.wall_s(), app.config.room.zone, now_s),
        )
        self._draw(app.rooms, trouble)

    def draw(self, view: RoomView) -> None:
        """Draw; what is drawn are the rooms, not one view."""
        self.refresh_view()

    def _draw(self, rooms: list[RoomStanding], trouble: str) -> None:
        self._rooms = rooms
        if not self._has_moved or self.chosen not in (room.room_id for room in rooms):
            self.chosen = rooms[0].room_id if rooms else ""
        width, height = self.size.width, self.size.height
        summary = [*draw_sentence(rooms, trouble, width), *draw_refused(self.all_rooms.refusals, width), ()]
        self._set_height("#summary", len(summary))
        self.query_one("#summary", Picture).show(summary)
        rest = height - 2 - len(summary)
        rows = draw_rooms(rooms, self.chosen, width - 1)
        listing = self.query_one("#rooms", Picture)
        list_height = min(len(rows), max(4, rest - 4 if len(rows) + 4 <= rest else rest))
        self._set_height("#rooms", list_height)
        listing.show(rows)
        chosen = next((room for room in rooms if room.room_id == self.chosen), None)
        below = draw_chosen(chosen, width - 1, rest - list_height, self._steady)
        self.query_one("#chosen-room", Picture).show(below)

    def table(self) -> PageTable:
        """Return the rooms."""
        return rooms_table(self._rooms)

    def _set_height(self, query: str, height: int) -> None:
        widget = self.query_one(query)
        if widget.styles.height is None or widget.styles.height.value != height:
            widget.styles.height = height

    def choose(self, index: int) -> None:
        """Choose the room in a row and show it."""
        if not self._rooms:
            return
        self._has_moved = True
        index = max(0, min(index, len(self._rooms) - 1))
        self.chosen = self._rooms[index].room_id
        self._steady = Steady()
        self.refresh_view()
        listing = self.query_one("#rooms", Picture)
        top, height = listing.scroll_offset.y, listing.size.height
        if index + 1 < top or index == 0:
            listing.scroll_to(y=index, animate=False)
        elif index + 1 >= top + height:
            listing.scroll_to(y=index + 2 - height, animate=False)

    def action_move(self, rows: int) -> None:
        """Choose another room."""
        index = next((i for i, room in enumerate(self._rooms) if room.room_id == self.chosen), 0)
        self.choose(index + rows)

    def action_open(self) -> None:
        """Open the chosen room."""
        if self.chosen:
            self.all_rooms.open_room(self.chosen)

    def on_click(self, event: events.Click) -> None:
        """Choose the room under the pointer; open the one that is chosen."""
        listing = self.query_one("#rooms", Picture)
        index = event.y + listing.scroll_offset.y - 1
        if event.widget is listing and 0 <= index < len(self._rooms):
            if self._rooms[index].room_id == self.chosen:
                self.action_open()
            else:
                self.choose(index)
