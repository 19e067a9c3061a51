"""One tank: its water over time against its band, the strips of heater and light, and the facts below."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from typing import ClassVar
from zoneinfo import ZoneInfo

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType

from tankwatch.alarms.model import AlarmState
from tankwatch.errors import StoreError
from tankwatch.reading import Channel, ServiceMark
from tankwatch.screen import keys, words
from tankwatch.screen.chart.draw import GUTTER, ChartData, ChartMark, draw_chart, value_at
from tankwatch.screen.chart.strips import hours_by_day
from tankwatch.screen.feed import History, SeriesLike
from tankwatch.screen.ink import Line, Run, clean, crop, fit
from tankwatch.screen.page import Page
from tankwatch.screen.picture import Picture
from tankwatch.screen.service_dialog import ServiceBegin, ServiceEnd
from tankwatch.screen.standing import ROLE, SHAPE, RoomView, Standing, level_of, ordered
from tankwatch.screen.tankdraw import Past, draw_details, draw_head
from tankwatch.screen.trail import Trail
from tankwatch.snapshot import TankSnapshot

_CHART_HEIGHT_MAX = 44
_DAY_S = 86_400.0
_LIGHT_DAYS = 14


@dataclass(frozen=True, slots=True)
class Fetched:
    """What was read from the store for one tank and one stretch of time."""

    tank: str
    trail: Trail
    now_s: float
    data: ChartData
    past: Past
    trouble: str = ""


class TankPage(Page):
    """One tank, with its history."""

    NAME = "tank"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.TANK_PAGE)
    HELP = (
        "The chart shows the water in its band: the shaded field reaches from the low to the high limit, the "
        "dotted line is the setpoint. The strips below show how much of the time heater and light were on: a "
        "full block means all the time, a dot that nobody knows. Marks between strips and times are alarms "
        "and work in the tank. The arrow keys read the chart, + and - change the stretch from an hour to a "
        "year, comma and full stop go back and forth. tankwatch only watches: it switches nothing."
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
        head = draw_head(standing, width)
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
            return crop((Run(f" The last {trail.words}{until}{nothing}", "label"),), width)
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
        standing = self._standing
        if standing is None or standing.tank is None:
            return
        if not self.home.view.live:
            self.home.tell("No watch answers, so it cannot be told that work begins.", severity="error")
        elif standing.tank.service:
            self.app.push_screen(ServiceEnd(standing.name), self._service_ended)
        else:
            self.app.push_screen(ServiceBegin(standing.name), self._service_begun)

    def _service_begun(self, mark: ServiceMark | None) -> None:
        if mark is not None:
            self.home.mark_service(self.tank_id, mark)

    def _service_ended(self, over: bool | None) -> None:
        if over:
            self.home.mark_service(self.tank_id, ServiceMark.END)


def fetch(
    history: History,
    tank: TankSnapshot,
    trail: Trail,
    width: int,
    now_s: float,
    interval_s: float,
    zone: ZoneInfo,
) -> Fetched:
    """Read from the store what the page of `tank` shows; a store that cannot be read is told, not raised."""
    start, end = trail.ends(now_s)
    gap_s = max(60.0, 3 * interval_s)
    empty = ChartData(start, end, tank.setpoint_c, tank.low_c, tank.high_c, gap_s=gap_s)
    buckets = max(2, 2 * width)
    past = Past()
    try:
        found: dict[Channel, SeriesLike] = {
            channel: history.series(tank.tank_id, channel, start, end, buckets)
            for channel in (Channel.TEMPERATURE, Channel.HEATER, Channel.LIGHT)
        }
        steps = history.steps(start, end, tank.tank_id)
        marks = history.marks(start, end, tank.tank_id)
        days_from = now_s - (_LIGHT_DAYS + 1) * _DAY_S
        per_hour = 4
        light = history.series(
            tank.tank_id, Channel.LIGHT, days_from, now_s, (_LIGHT_DAYS + 1) * 24 * per_hour
        )
        past = Past(
            light_days=hours_by_day(light.time_s, light.mean, 3600.0 / per_hour, zone, now_s, _LIGHT_DAYS),
            marks=history.marks(now_s - _LIGHT_DAYS * _DAY_S, now_s, tank.tank_id),
            entries=history.log(now_s - 60 * _DAY_S, now_s, tank.tank_id),
        )
    except StoreError as error:
        return Fetched(tank.tank_id, trail, now_s, empty, past, str(error))
    shapes = [
        ChartMark(
            s.time_s,
            SHAPE[level_of(s.alarm)],
            ROLE[level_of(s.alarm)],
            s.alarm.condition.value.replace("-", " "),
        )
        for s in steps
        if s.alarm.state is AlarmState.UNACKNOWLEDGED
    ]
    shapes.extend(ChartMark(m.time_s, "≈", "service", f"service {m.mark.value}") for m in marks)
    data = replace(
        empty,
        water=found[Channel.TEMPERATURE],
        heater=found[Channel.HEATER],
        light=found[Channel.LIGHT],
        marks=tuple(sorted(shapes, key=lambda m: m.time_s)),
    )
    return Fetched(tank.tank_id, trail, now_s, data, past)


def fetch_trend(history: History, tank: TankSnapshot, now_s: float) -> ChartData:
    """Read the last 24 hours of water and heater for the wall; an empty chart if there is no store."""
    start, end = now_s - _DAY_S, now_s
    data = ChartData(start, end, tank.setpoint_c, tank.low_c, tank.high_c, gap_s=600.0)
    try:
        return replace(
            data,
            water=history.series(tank.tank_id, Channel.TEMPERATURE, start, end, 192),
            heater=history.series(tank.tank_id, Channel.HEATER, start, end, 96),
        )
    except StoreError:
        return data  # the tank's own page and the page Sources tell what is wrong with the store
