"""One tank: its water over time against its band, the strips of heater and light, and the facts below."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType

from tankwatch.screen import keys, words
from tankwatch.screen.chart.draw import GUTTER, draw_chart, value_at
from tankwatch.screen.export import save_csv
from tankwatch.screen.ink import Line, Run, clean, crop, fit
from tankwatch.screen.note_dialog import NoteDialog
from tankwatch.screen.page import Page
from tankwatch.screen.picture import Picture
from tankwatch.screen.standing import RoomView, Standing, ordered
from tankwatch.screen.tank_history import Fetched, fetch
from tankwatch.screen.tankdraw import Past, draw_details, draw_head
from tankwatch.screen.time_dialog import TimeDialog
from tankwatch.screen.trail import Trail
from tankwatch.snapshot import TankSnapshot

_CHART_HEIGHT_MAX = 44


class TankPage(Page):
    """One tank, with its history."""

    NAME = "tank"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.TANK_PAGE)
    HELP_TITLE = "One tank"
    HELP = (
        "The chart shows the water in its band: the shaded field reaches from the low to the high limit, "
        "the dotted line is the setpoint. The strips below show how much of the time heater and light were "
        "on: a full block means all the time, a dot that nobody knows. Marks between strips and times are "
        "alarms and work in the tank. The arrow keys read the chart, b and f in steps of about an hour, t "
        "at a time that you type. + and - change the stretch from an hour to a year, comma and full stop "
        "go back and forth. tankwatch only watches: it switches "
        "nothing."
    )

    def __init__(self) -> None:
        """Start without a tank."""
        super().__init__()
        self.tank_id = ""
        self.trail = Trail()
        self.close_up = False
        self.fetched: Fetched | None = None
        self._asked: tuple[str, float, float, int] | None = None
        self._asked_at_s = float("-inf")

    def open_tank(self, tank_id: str) -> None:
        """Turn to a tank; its chart starts at the last 24 hours."""
        if tank_id != self.tank_id:
            self.tank_id = tank_id
            self.trail = Trail()
            self.fetched = None
            self._asked = None

    def compose_body(self) -> ComposeResult:
        """Head, what the cursor reads, chart, facts."""
        yield Picture(id="head", classes="-fixed")
        yield Picture(id="readout", classes="-fixed")
        yield Picture(id="chart", classes="-fixed")
        yield Picture(id="facts")

    def draw(self, view: RoomView) -> None:
        """Draw all parts; the store is asked only when the stretch or enough time has changed."""
        standing = view.find(self.tank_id)
        if standing is None or standing.tank is None:
            self.query_one("#head", Picture).show(
                [(Run(" This tank is not in the room any more.", "label"),)]
            )
            return
        width, height = self.size.width, self.size.height
        head = draw_head(standing, width, view.time_s)
        self._set_height("#head", len(head))
        past = self.fetched.past if self.fetched is not None else Past()
        facts = draw_details(standing, past, width - 1, self.home.zone, view.time_s)
        rest = height - 2 - len(head) - 1
        # The chart takes what the facts leave, and never less than half: the facts can be scrolled.
        chart_height = max(8, min(_CHART_HEIGHT_MAX, max(round(rest * 0.52), rest - len(facts))))
        self._set_height("#chart", chart_height)
        self.query_one("#head", Picture).show(head)
        self._fetch_if_due(standing.tank, width - GUTTER, view.time_s)
        self._draw_chart(width, chart_height, view.time_s)
        self.query_one("#facts", Picture).show(facts)

    def _draw_chart(self, width: int, height: int, now_s: float) -> None:
        readout = self.query_one("#readout", Picture)
        chart = self.query_one("#chart", Picture)
        fetched = self.fetched
        if fetched is None:
            readout.show([(Run(" Reading the history …", "label"),)])
            chart.show([])
            return
        readout.show([self._readout(fetched, width)])
        cursor = self.trail.cursor_s
        chart.show(
            draw_chart(fetched.data, width, height, self.home.zone, cursor_s=cursor, close=self.close_up)
        )

    def _readout(self, fetched: Fetched, width: int) -> Line:
        data, trail, zone = fetched.data, self.trail, self.home.zone
        if fetched.trouble:
            return crop((Run(" " + clean(fetched.trouble), "stale"),), width)
        if trail.cursor_s is None:
            until = "" if trail.back_s == 0 else f", until {words.clock(data.to_s, zone)}"
            nothing = "; nothing was read in it" if data.empty else ""
            runs = [Run(f" The last {trail.words}{until}{nothing}", "label")]
            if fetched.damaged:
                said = "; part of it is damaged on the disk (health page)"
                runs.append(Run(said, "medium"))
            return crop(tuple(runs), width)
        bucket_s = (data.to_s - data.from_s) / (2 * max(1, width - GUTTER))
        parts = [words.clock(trail.cursor_s, zone)]
        water = value_at(data.water, trail.cursor_s, max(2 * bucket_s, data.gap_s))
        if water is None:
            parts.append("no reading")
        else:
            low, mean, high = water
            parts.append(f"{mean:.2f} °C" + (f" ({low:.2f} to {high:.2f})" if high - low > 0.005 else ""))
        for word, series in (("heater", data.heater), ("light", data.light)):
            share = value_at(series, trail.cursor_s, max(2 * bucket_s, 900.0))
            if share is not None:
                mixed = 0.01 < share[1] < 0.99
                parts.append(
                    f"{word} {words.percent(share[1]) if mixed else 'on' if share[1] > 0.5 else 'off'}"
                )
        near = [m for m in data.marks if abs(m.time_s - trail.cursor_s) <= 2 * bucket_s]
        parts.extend(m.text for m in near[:2])
        return crop((Run(" " + fit(" · ".join(parts), width - 2), "bright"),), width)

    def _set_height(self, query: str, height: int) -> None:
        widget = self.query_one(query)
        if widget.styles.height is None or widget.styles.height.value != height:
            widget.styles.height = height

    def _fetch_if_due(self, tank: TankSnapshot, width: int, now_s: float) -> None:
        trail = self.trail
        key = (tank.tank_id, trail.hours, trail.back_s, width)
        # One column of dots is the finest step that the chart can show.
        stale_after_s = max(10.0, trail.hours * 3600 / (2 * max(width, 1)))
        if self.fetched is not None and (self.fetched.trouble or self.fetched.data.empty):
            stale_after_s = 10.0  # a store that is not there yet may come soon
        mono_s = self.home.clock.monotonic_s()
        if key == self._asked and (trail.back_s > 0 or mono_s - self._asked_at_s < stale_after_s):
            return
        self._asked, self._asked_at_s = key, mono_s
        self._fetch(tank, trail, width, now_s)

    @work(exclusive=True, group="tank-history")
    async def _fetch(self, tank: TankSnapshot, trail: Trail, width: int, now_s: float) -> None:
        config = self.home.config
        interval_s = next((t.probe_interval_s for t in config.tank if t.id == tank.tank_id), 10.0)
        self.fetched = await asyncio.to_thread(
            fetch, self.home.history, tank, trail, width, now_s, interval_s, self.home.zone
        )
        self.refresh_view()

    def _change(self, trail: Trail) -> None:
        if trail != self.trail:
            self.trail = trail
            self.refresh_view()

    @property
    def _now_s(self) -> float:
        return self.fetched.now_s if self.fetched is not None else self.home.view.time_s

    def action_zoom(self, closer: bool) -> None:
        """Show a shorter or longer stretch."""
        self._change(self.trail.zoomed(closer, self._now_s))

    def action_pan(self, share: float) -> None:
        """Go into the past, or back towards now."""
        self._change(self.trail.panned(share))

    def action_cursor(self, cells: int) -> None:
        """Move the cursor by one cell."""
        self._change(self.trail.moved(cells, max(1, self.size.width - GUTTER), self._now_s))

    def action_leap(self, steps: int) -> None:
        """Move the cursor by a big step, on round local time."""
        self._change(self.trail.leapt(steps, self._now_s, self.home.zone))

    def action_go_to(self) -> None:
        """Ask for a time to read the chart at."""
        if self._standing is not None:
            self.app.push_screen(TimeDialog(self.home.view.time_s, self.home.zone), self._gone_to)

    def _gone_to(self, time_s: float | None) -> None:
        if time_s is not None:
            self._change(self.trail.at(time_s, self._now_s))

    def action_now(self) -> None:
        """Show the last 24 hours without a cursor."""
        self._change(Trail())

    def action_close_up(self) -> None:
        """Switch between the band and the water's own range."""
        self.close_up = not self.close_up
        self.refresh_view()

    def action_scroll(self, rows: int) -> None:
        """Scroll the facts."""
        self.query_one("#facts", Picture).scroll_relative(y=rows, animate=False)

    def action_next(self, step: int) -> None:
        """Turn to another tank."""
        tanks = [s.key for s in ordered(self.home.view) if s.tank is not None]
        if self.tank_id in tanks:
            self.open_tank(tanks[(tanks.index(self.tank_id) + step) % len(tanks)])
            self.refresh_view()

    def action_acknowledge(self) -> None:
        """Acknowledge every alarm of this tank."""
        standing = self._standing
        if standing is not None:
            self.home.acknowledge(standing.alarms)

    @property
    def _standing(self) -> Standing | None:
        return self.home.view.find(self.tank_id)

    def action_service(self) -> None:
        """Begin work in this tank, or ask whether it is over."""
        self.home.ask_service(self.tank_id)

    def action_weeks(self) -> None:
        """Show the weeks behind this tank."""
        self.home.open_weeks(self.tank_id)

    def action_care(self) -> None:
        """Open the care of this tank."""
        self.home.open_care(self.tank_id)

    def action_note(self) -> None:
        """Ask for a line for the care log."""
        standing = self._standing
        if standing is not None:
            self.app.push_screen(NoteDialog(standing.name), self._noted)

    def _noted(self, text: str | None) -> None:
        if text:
            self.home.write_log(self.tank_id, "note", text, self.record_changed)

    def record_changed(self) -> None:
        """Read the record anew."""
        self._asked = None
        self.refresh_view()

    def action_export(self) -> None:
        """Save what the chart shows in the folder that the program was started in."""
        if self.fetched is None or self.fetched.data.empty:
            self.home.tell("The chart is empty: nothing was saved.")
            return
        try:
            path = save_csv(self.fetched.data, self.tank_id, Path.cwd())
        except OSError as error:
            self.home.tell(f"The table could not be saved: {error}", severity="error")
        else:
            self.home.tell(f"Saved as {path}")
