"""The room: one sentence on top, then every tank, as large as there is space."""

from __future__ import annotations

from typing import ClassVar

from textual import events, on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.message import Message
from textual.widgets import Input

from tankwatch.screen import keys
from tankwatch.screen.explained import Explained
from tankwatch.screen.ink import Line, Run, clean, crop, fit, wrap
from tankwatch.screen.link import LinkState
from tankwatch.screen.page import Page
from tankwatch.screen.page_table import PageTable, room_table
from tankwatch.screen.palette import block
from tankwatch.screen.picture import Picture
from tankwatch.screen.standing import ORDERS, Level, Order, RoomView, Standing, ordered
from tankwatch.screen.steady import Steady
from tankwatch.screen.summary import sentence
from tankwatch.screen.wall import Direction, Showing, Spot, lay_out, neighbour, panel_shape

_ROOMY = 30
"""Rows from which there is room for air."""


class WallPicture(Picture):
    """The wall itself; tells which spot was clicked."""

    class Chosen(Message):
        """A spot was clicked."""

        def __init__(self, key: str) -> None:
            """Carry the key of the spot."""
            super().__init__()
            self.key = key

    spots: tuple[Spot, ...] = ()

    def on_click(self, event: events.Click) -> None:
        """Tell which spot is under the pointer."""
        x, y = event.x, event.y + self.scroll_offset.y
        for spot in self.spots:
            if spot.x <= x < spot.x + spot.width and spot.y <= y < spot.y + spot.height:
                self.post_message(self.Chosen(spot.key))
                return

    def bring_into_view(self, key: str) -> None:
        """Scroll so that a spot is seen whole."""
        spot = next((s for s in self.spots if s.key == key), None)
        if spot is None:
            return
        top, height = self.scroll_offset.y, self.size.height
        if spot.y < top:
            self.scroll_to(y=spot.y, animate=False)
        elif spot.y + spot.height > top + height:
            self.scroll_to(y=spot.y + spot.height - height, animate=False)


class FindLine(Explained, Input):
    """The line in which a search is typed."""

    help_title = "Find a tank"
    help_text = (
        "Type part of a tank's name or id, or a word of its state such as too cold, silent or service. "
        "Only what matches stays on the wall. Enter leaves the line and keeps the search; Esc ends it."
    )


class RoomPage(Page):
    """The whole room."""

    NAME = "room"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.ROOM)
    HELP_TITLE = "The room"
    HELP = (
        "The sentence on top says what is worst, where, and how long is left. Below stands every tank, "
        "worst first. Each line is the tank's band from its low to its high limit: the dot is the water, "
        "the cross the setpoint. Grey is normal; only what is wrong has a colour, a shape and a word. A "
        "filled word is new, a hollow shape was acknowledged. A ? before a number means that nobody knows "
        "how old it is."
    )

    def __init__(self) -> None:
        """Start with nothing chosen."""
        super().__init__()
        self.order: Order = "worst"
        self.wanted = ""
        self.chosen = ""
        self._chosen_in_earnest = False
        """Until the watch has spoken or the keeper has moved, the first one is chosen, whichever that is."""
        self._steady = Steady()
        self._standings: list[Standing] = []

    def compose_body(self) -> ComposeResult:
        """Summary, search, wall."""
        yield Picture(id="summary", classes="-fixed")
        search = FindLine(placeholder="type a name, an id or a state", id="search", compact=True)
        search.cursor_blink = False
        search.display = False
        yield search
        yield WallPicture(id="wall")

    def draw(self, view: RoomView) -> None:
        """Draw the summary and the wall."""
        width = self.size.width
        summary = draw_summary(
            view, self.home.link.state, self.home.link.trouble, self.home.start_command, width
        )
        self._standings = ordered(view, self.order, self.wanted)
        if self.wanted or self.order != "worst":
            summary.append(self._order_line(len(self._standings), len(view.standings), width))
        if self.size.height >= _ROOMY:
            summary = [(), *summary]
        summary.append(())
        picture = self.query_one("#summary", Picture)
        if picture.styles.height is None or picture.styles.height.value != len(summary):
            picture.styles.height = len(summary)
        picture.show(summary)
        wall = self.query_one(WallPicture)
        height = self.size.height - 2 - len(summary) - (1 if self.query_one("#search").display else 0)
        body = width - 2
        wants_panels = self.home.has_history and (panel_shape(len(self._standings), body, height) is not None)
        if wants_panels:
            self.home.want_trends([s.key for s in self._standings if s.tank is not None])
        known = [s.key for s in self._standings]
        if self.chosen not in known or not self._chosen_in_earnest:
            self.chosen = known[0] if known else ""
            self._chosen_in_earnest = bool(known) and view.live
        how = Showing(
            self.chosen,
            view.live,
            self.order == "worst",
            self.home.trends if wants_panels else None,
        )
        drawn = lay_out(self._standings, body - 1, height, self._steady, how)
        wall.spots = tuple(drawn.spots)
        wall.show(drawn.lines or [(Run(" Nothing matches. Esc shows all tanks.", "label"),)])

    def _order_line(self, shown: int, total: int, width: int) -> Line:
        text = f" Sorted {'worst first' if self.order == 'worst' else 'by ' + self.order}"
        if self.wanted:
            text += f", showing {shown} of {total} for “{clean(self.wanted)}”. Esc shows all"
        return (Run(fit(text + ".", width), "label"),)

    def choose(self, key: str) -> None:
        """Choose one standing and show it."""
        self.chosen, self._chosen_in_earnest = key, True
        self.refresh_view()
        self.query_one(WallPicture).bring_into_view(key)

    def action_move(self, direction: Direction) -> None:
        """Choose a neighbour."""
        self.choose(neighbour(self.query_one(WallPicture).spots, self.chosen, direction))

    def action_first(self) -> None:
        """Choose the first one."""
        if self._standings:
            self.choose(self._standings[0].key)

    def action_page_up(self) -> None:
        """Scroll the wall up."""
        self.query_one(WallPicture).scroll_page_up(animate=False)

    def action_page_down(self) -> None:
        """Scroll the wall down."""
        self.query_one(WallPicture).scroll_page_down(animate=False)

    def action_open(self) -> None:
        """Open the chosen tank, or the alarms for what belongs to no tank."""
        self.home.open_standing(self.chosen)

    def action_sort(self) -> None:
        """Take the next order."""
        self.order = ORDERS[(ORDERS.index(self.order) + 1) % len(ORDERS)]
        self.refresh_view()

    def action_filter(self) -> None:
        """Open the search line."""
        search = self.query_one("#search", Input)
        search.display = True
        search.focus()

    def action_clear(self) -> None:
        """End the search; without one, go back to where rooms are chosen."""
        search = self.query_one("#search", Input)
        if not self.wanted and not search.display:
            self.home.leave_room()
            return
        search.value = ""
        self.wanted = ""
        search.display = False
        self.set_focus(None)
        self.call_after_refresh(self.refresh_view)

    def table(self) -> PageTable:
        """Return the tanks that are shown, in their order."""
        return room_table(self._standings)

    def action_acknowledge(self) -> None:
        """Acknowledge what is chosen."""
        standing = self.home.view.find(self.chosen)
        if standing is not None:
            self.home.acknowledge(standing.alarms)

    @on(Input.Changed, "#search")
    def _typed(self, event: Input.Changed) -> None:
        self.wanted = event.value
        self.refresh_view()

    @on(Input.Submitted, "#search")
    def _search_done(self) -> None:
        self.set_focus(None)
        if not self.wanted:
            self.action_clear()
        elif len(self._standings) == 1:
            self.action_open()

    @on(WallPicture.Chosen)
    def _clicked(self, event: WallPicture.Chosen) -> None:
        if event.key == self.chosen:
            self.action_open()
        else:
            self.choose(event.key)


def draw_summary(view: RoomView, link: LinkState, trouble: str, start_command: str, width: int) -> list[Line]:
    """Return what is wrong, where and how long is left, wrapped; without a watch how to start one."""
    if link is LinkState.ABSENT:
        lines = [
            "No watch is running: nothing here is being watched.",
            f"Start one in another terminal: {start_command}",
            f"Until then these are the last values in the store. ({clean(trouble)})",
        ]
        return [
            crop((Run(" "), Run(row, ("stale", "bright", "label")[i])), width)
            for i, text in enumerate(lines)
            for row in wrap(text, width - 2, 2)
        ]
    if link is LinkState.OLD:
        text = "The picture is old: the watch does not answer. Nothing here is known to be true now."
        if trouble:
            text += f" ({clean(trouble)}) Trying again."
        return [crop((Run(" "), Run(row, "stale")), width) for row in wrap(text, width - 2, 2)]
    if link is LinkState.CONNECTING and not view.standings:
        return [(Run(" Connecting to the watch.", "label"),)]
    text, role = sentence(view)
    worst = ordered(view)[0] if view.standings else None
    if worst is None or worst.quiet:
        return [crop((Run(" "), Run(row, role)), width) for row in wrap(text, width - 2, 2)]
    filled = worst.level >= Level.LOW and not worst.acknowledged
    mark = Run(f" {worst.shape} ", block(role) if filled else role)
    rows = wrap(text, width - 6, 2)
    return [
        crop((Run(" "), mark if i == 0 else Run("   "), Run(" " + row, "bright")), width)
        for i, row in enumerate(rows)
    ]
