"""The night: every tank by what it went through, from incident to incident, and played back."""

from __future__ import annotations

import asyncio
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, ClassVar

from textual import events, work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, Vertical

from tankwatch.errors import StoreError
from tankwatch.screen import keys
from tankwatch.screen.chart.draw import draw_chart
from tankwatch.screen.ink import Run, clean, wrap
from tankwatch.screen.page import Page
from tankwatch.screen.page_table import PageTable, night_table
from tankwatch.screen.picture import Picture
from tankwatch.screen.standing import RoomView

if TYPE_CHECKING:
    from tankwatch.review.review import RoomReview, TankReview
    from tankwatch.review.span import Span
    from tankwatch.screen.nightdraw import Event, Stop

_SIDE_BY_SIDE = 120
_STEP_S = 600.0
SPEEDS_S = (120.0, 300.0, 600.0, 1200.0, 3600.0)
"""Seconds of the night for each second of play."""
_YOUNG_S = 3 * 3600.0
"""A night that has gone on for less is not what is meant by last night."""
_AGAIN_S = 900.0
_TRY_AGAIN_S = 15.0
"""What could not be read is asked for again so soon: a server comes back."""
"""A night that is still going on is reviewed again after so long."""


class NightPage(Page):
    """One night of the whole room."""

    NAME = "night"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.NIGHT_PAGE)
    HELP_TITLE = "Last night"
    HELP = (
        "Last night, by the local hours of the configuration, rebuilt from the store. The tank that went "
        "through most stands on top. Each line is the tank's band; the dot is the water at the moment under"
        " the cursor, or where it was furthest off. Below stands the chosen tank: its course, its incidents"
        " with cause and evidence, its figures. Space plays the night in about a minute; i goes from "
        "incident to incident. A gap stays a gap."
    )

    def __init__(self) -> None:
        """Start with last night."""
        super().__init__()
        self._back: int | None = None
        """Nights before the last one."""
        self.review: RoomReview | None = None
        self.trouble = ""
        self.chosen = 0
        self.at_s: float | None = None
        """Moment under the cursor; None: the whole night."""
        self.playing = False
        self.speed = 2
        self._events: list[Event] = []
        self._stops: list[Stop] = []
        self._stop = -1
        self._asked: Span | None = None
        self._asked_at_s = float("-inf")
        self._drawn: object = None
        self._read_so_far = ""

    def compose_body(self) -> ComposeResult:
        """Title, ranking, the moment, chart, account."""
        yield Picture(id="night-title", classes="-fixed")
        with Container(id="night-body"):
            yield Picture(id="ranking")
            with Vertical(id="night-side"):
                yield Picture(id="moment", classes="-fixed")
                yield Picture(id="night-chart", classes="-fixed")
                yield Picture(id="account")

    def on_mount(self) -> None:
        """Play at one picture a second, and only while it is asked for."""
        self._timer = self.set_interval(1.0, self.play_on, pause=True)

    def on_screen_suspend(self) -> None:
        """Stop playing when another page comes up."""
        self._play(False)

    def draw(self, view: RoomView) -> None:
        """Draw the night; nothing is done while nothing has changed."""
        self._read_if_due(view.time_s)
        state = (
            id(self.review),
            self.trouble,
            self._read_so_far,
            self.chosen,
            self.at_s,
            self.playing,
            self.speed,
            self.size,
        )
        if state == self._drawn:
            return
        self._drawn = state
        title = self.query_one("#night-title", Picture)
        width = self.size.width
        if self.review is None:
            said = self.trouble or f"Reading the night … {self._read_so_far}".rstrip()
            self._set_height(title, 2)
            title.show([(Run(" " + row, "label"),) for row in wrap(clean(said), width - 2, 2)])
            for ident in ("#ranking", "#moment", "#night-chart", "#account"):
                self.query_one(ident, Picture).show([])
            return
        self._draw_night(self.review, title, width)

    def _draw_night(self, review: RoomReview, title: Picture, width: int) -> None:
        from tankwatch.screen.nightdraw import chart_of, draw_account, draw_moment, draw_ranking, draw_title

        zone = self.home.zone
        lines = draw_title(review, zone, width)
        self._set_height(title, len(lines))
        title.show(lines)
        wide = width >= _SIDE_BY_SIDE
        self.query_one("#night-body").set_class(wide, "-wide")
        rest = self.size.height - 2 - len(lines)
        side = width - width * 2 // 5 if wide else width
        ranking = self.query_one("#ranking", Picture)
        rows = draw_ranking(review, self.chosen, self.at_s, (width - side if wide else width) - 2)
        ranking.show(rows)
        if wide:
            ranking.styles.clear_rule("height")
        else:
            self._set_height(ranking, max(3, min(len(rows), rest // 4)))
        tank = self._tank
        self.query_one("#moment", Picture).show(
            [draw_moment(self._events, self.at_s, zone, self.playing, side - 1)]
        )
        chart_height = 14 if rest >= 34 else 10 if rest >= 22 else 8
        chart = self.query_one("#night-chart", Picture)
        self._set_height(chart, chart_height)
        account = self.query_one("#account", Picture)
        if tank is None:
            chart.show([])
            account.show([])
            return
        chart.show(draw_chart(chart_of(tank), side - 2, chart_height, zone, cursor_s=self.at_s))
        account.show(draw_account(tank, zone, side - 2))

    @property
    def _tank(self) -> TankReview | None:
        tanks = self.review.tanks if self.review is not None else ()
        return tanks[min(self.chosen, len(tanks) - 1)] if tanks else None

    def _set_height(self, picture: Picture, rows: int) -> None:
        if picture.styles.height is None or picture.styles.height.value != rows:
            picture.styles.height = rows

    def _read_if_due(self, now_s: float) -> None:
        mono_s = self.home.clock.monotonic_s()
        span, asked = self.span_of(now_s, self.back(now_s)), self._asked
        if asked is not None and asked.from_s == span.from_s:
            # A night that was over when it was asked for does not change any more.
            over = asked.title == span.title and span.to_s < now_s and not self.trouble
            if over or mono_s - self._asked_at_s < (_TRY_AGAIN_S if self.trouble else _AGAIN_S):
                return
        self._asked, self._asked_at_s = span, mono_s
        self._read(now_s, span)

    def back(self, now_s: float) -> int:
        """Return how many nights back the one is that is shown; 0 is the newest that has begun.

        Who asks for last night in the evening means the one that is over, not the hour since nightfall.
        """
        if self._back is not None:
            return self._back
        newest = self.span_of(now_s, 0)
        return 1 if newest.to_s >= now_s and now_s - newest.from_s < _YOUNG_S else 0

    def span_of(self, now_s: float, back: int) -> Span:
        """Return the night that lies `back` nights before the last one."""
        from tankwatch.review.span import last_night, night_of

        zone = self.home.zone
        hours = self.home.config.room.night
        last = last_night(now_s, zone, hours)
        if not back:
            return last
        return night_of(datetime.fromtimestamp(last.from_s, zone).date() - timedelta(days=back), zone, hours)

    @work(exclusive=True, group="night")
    async def _read(self, now_s: float, span: Span) -> None:
        if self.home.review is None:
            self.trouble = "This screen has no store to rebuild a night from."
            self.refresh_view()
            return
        try:
            review = await asyncio.to_thread(self.home.review, span, now_s, self._tell_progress)
        except StoreError as error:
            self.review, self.trouble = None, str(error)
        else:
            self._take(review)
        self.refresh_view()

    def _tell_progress(self, done: int, of: int) -> None:
        """Note how far the reading is; called from its thread, drawn with the next view."""
        self._read_so_far = f"{done} of {of} tanks" if done < of else ""

    def _take(self, review: RoomReview) -> None:
        from tankwatch.screen.nightdraw import events_of, stops_of

        before = self._tank.tank.id if self._tank is not None else ""
        self.review, self.trouble = review, ""
        self._events, self._stops, self._stop = events_of(review), stops_of(review), -1
        # A review made again keeps the choice on its tank, not on its row.
        self.chosen = next((i for i, t in enumerate(review.tanks) if t.tank.id == before), 0)

    def action_move(self, rows: int) -> None:
        """Choose another tank."""
        count = len(self.review.tanks) if self.review is not None else 0
        self._choose(max(0, min(self.chosen + rows, count - 1)))

    def _choose(self, index: int) -> None:
        self.chosen = index
        self.refresh_view()
        self.query_one("#account", Picture).scroll_to(y=0, animate=False)
        ranking = self.query_one("#ranking", Picture)
        top, height = ranking.scroll_offset.y, max(1, ranking.size.height)
        if index < top:
            ranking.scroll_to(y=index, animate=False)
        elif index >= top + height:
            ranking.scroll_to(y=index - height + 1, animate=False)

    def action_open(self) -> None:
        """Open the chosen tank."""
        if self._tank is not None:
            self.home.open_standing(self._tank.tank.id)

    def table(self) -> PageTable | None:
        """Return the night in figures."""
        return None if self.review is None else night_table(self.review)

    def action_weeks(self) -> None:
        """Show the weeks behind the chosen tank."""
        if self._tank is not None:
            self.home.open_weeks(self._tank.tank.id)

    def action_incident(self) -> None:
        """Go to the onset of the next incident, or to the next alarm of a tank that had none."""
        if not self._stops or self.review is None:
            self.home.tell("In this night no water strayed from its usual range, and no alarm was told.")
            return
        self._stop = (self._stop + 1) % len(self._stops)
        stop = self._stops[self._stop]
        self.at_s = stop.time_s
        self._choose(next(i for i, t in enumerate(self.review.tanks) if t.tank.id == stop.tank))

    def action_step(self, steps: int) -> None:
        """Move the cursor by ten minutes."""
        if self.review is None:
            return
        span = self.review.span
        at_s = (span.to_s if steps < 0 else span.from_s) if self.at_s is None else self.at_s + steps * _STEP_S
        self.at_s = max(span.from_s, min(at_s, span.to_s))
        self.refresh_view()

    def action_begin(self) -> None:
        """Go to the begin of the night."""
        if self.review is not None:
            self.at_s = self.review.span.from_s
            self.refresh_view()

    def action_speed(self, step: int) -> None:
        """Play faster or slower."""
        self.speed = max(0, min(self.speed + step, len(SPEEDS_S) - 1))
        self.home.tell(f"{SPEEDS_S[self.speed] / 60:g} min of the night a second.")

    def action_play(self) -> None:
        """Play from the cursor on, or stop."""
        if self.review is None:
            return
        span = self.review.span
        if not self.playing and (self.at_s is None or self.at_s >= span.to_s):
            self.at_s = span.from_s
        self._play(not self.playing)
        self.refresh_view()

    def _play(self, on: bool) -> None:
        self.playing = on
        if on:
            self._timer.resume()
        else:
            self._timer.pause()

    def play_on(self) -> None:
        """Go on by one picture; at the end the whole night is shown again."""
        if not self.playing or self.review is None or self.at_s is None:
            return
        self.at_s += SPEEDS_S[self.speed]
        if self.at_s >= self.review.span.to_s:
            self.at_s = self.review.span.to_s
            self._play(False)
        self.refresh_view()

    def action_night(self, step: int) -> None:
        """Turn to the night before or after."""
        before = self.back(self.home.view.time_s)
        self._back = max(0, before - step)
        if self._back != before:
            self.review, self.at_s, self.chosen = None, None, 0
            self._play(False)
            self.refresh_view()

    def action_scroll(self, rows: int) -> None:
        """Scroll the account."""
        self.query_one("#account", Picture).scroll_relative(y=rows, animate=False)

    def on_click(self, event: events.Click) -> None:
        """Choose the tank under the pointer."""
        ranking = self.query_one("#ranking", Picture)
        if event.widget is ranking and self.review is not None:
            row = event.y + ranking.scroll_offset.y
            if row < len(self.review.tanks):
                self._choose(row)
