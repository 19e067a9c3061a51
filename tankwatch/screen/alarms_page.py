"""Alarms: what stands now or stood in the last seven days, and what to look at first."""

from __future__ import annotations

import asyncio
from typing import ClassVar

from textual import events, work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container

from tankwatch.alarms.model import Alarm, AlarmState, Transition
from tankwatch.errors import StoreError
from tankwatch.screen import keys
from tankwatch.screen.alarmdraw import draw_detail, draw_row, place_of
from tankwatch.screen.away_dialog import Away, AwayDialog
from tankwatch.screen.ink import Line, Run, on_ground, wrap
from tankwatch.screen.page import Page
from tankwatch.screen.page_table import PageTable, alarm_table
from tankwatch.screen.picture import Picture
from tankwatch.screen.standing import RoomView

_RECORD_S = 7 * 86_400.0
_RECORD_ROWS = 300
_SIDE_BY_SIDE = 140


class AlarmsPage(Page):
    """The list of alarms and, beside or below it, what is known of the chosen one."""

    NAME = "alarms"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.ALARM_PAGE)
    HELP_TITLE = "Alarms"
    HELP = (
        "Every alarm that stands, worst first: unacknowledged means that nobody has seen it, acknowledged "
        "that someone has, returned that its cause went away before anyone looked. Acknowledging silences "
        "nothing in the water: it only tells others that you know. v shows the record of the last seven "
        "days. Shelving puts an alarm away for a time and with a reason; it comes back by itself, and "
        "sooner if it gets worse. Out of service stops the judging of one condition until someone brings it"
        " back."
    )

    def __init__(self) -> None:
        """Start with the worst one chosen."""
        super().__init__()
        self.chosen = 0
        """Row of the list."""
        self.record = False
        self._steps: list[Transition] = []
        self._trouble = ""
        self._alarms: list[Alarm] = []
        self._chosen_id: int | None = None

    def compose_body(self) -> ComposeResult:
        """List and details."""
        with Container(id="alarm-body"):
            yield Picture(id="list")
            yield Picture(id="detail")

    def draw(self, view: RoomView) -> None:
        """Draw the list and the chosen alarm."""
        width = self.size.width
        wide = width >= _SIDE_BY_SIDE
        self.query_one("#alarm-body").set_class(wide, "-wide")
        names = {s.key: s.name for s in view.tanks}
        zone, now_s = self.home.zone, view.time_s
        if self.record:
            self._alarms = [step.alarm for step in self._steps]
        else:
            alarms = view.snapshot.alarms if view.snapshot is not None else ()
            self._alarms = [a for a in alarms if a.state is not AlarmState.NORMAL]
            if self._chosen_id is not None:
                # The list is sorted anew each second: the choice stays on its alarm, not on its row.
                self.chosen = next(
                    (i for i, a in enumerate(self._alarms) if a.alarm_id == self._chosen_id), self.chosen
                )
        self.chosen = max(0, min(self.chosen, len(self._alarms) - 1))
        self._chosen_id = self._alarms[self.chosen].alarm_id if self._alarms and not self.record else None
        listing = self.query_one("#list", Picture)
        detail = self.query_one("#detail", Picture)
        list_width = max(10, listing.size.width - 1)
        if wide:
            listing.styles.clear_rule("height")
        if not self._alarms:
            listing.show([(), *((Run(" " + r, "text"),) for r in wrap(self._nothing(view), list_width - 2))])
            detail.show([])
            return
        rows: list[Line] = []
        for i, alarm in enumerate(self._alarms):
            step = self._steps[i] if self.record else None
            row = draw_row(alarm, names, list_width, zone, now_s, step)
            rows.append(
                (Run("›", "bright", "chosen"), *on_ground(row, "chosen"))
                if i == self.chosen
                else (Run(" "), *row)
            )
        listing.show(rows)
        if not wide:  # the list takes what it needs, at most two fifths; the rest explains
            most = max(4, round((self.size.height - 3) * 0.4))
            self._set_list_height(min(most, len(rows) + 1))
        detail_width = max(20, detail.size.width - 2)
        detail.show(draw_detail(self._alarms[self.chosen], names, detail_width, zone, now_s))

    def _set_list_height(self, rows: int) -> None:
        listing = self.query_one("#list", Picture)
        if listing.styles.height is None or listing.styles.height.value != rows:
            listing.styles.height = rows

    def _nothing(self, view: RoomView) -> str:
        if self.record:
            return self._trouble or "No alarm in the last seven days."
        if not view.live:
            return "No watch answers, so nobody knows which alarms stand. v shows the record in the store."
        return "No alarm stands. v shows the last seven days."

    def action_move(self, rows: int) -> None:
        """Choose another alarm."""
        self.chosen = max(0, min(self.chosen + rows, len(self._alarms) - 1))
        self._chosen_id = None if self.record or not self._alarms else self._alarms[self.chosen].alarm_id
        self.refresh_view()
        listing = self.query_one("#list", Picture)
        top, height = listing.scroll_offset.y, listing.size.height
        if self.chosen < top:
            listing.scroll_to(y=self.chosen, animate=False)
        elif self.chosen >= top + height:
            listing.scroll_to(y=self.chosen - height + 1, animate=False)

    def table(self) -> PageTable:
        """Return the alarms that are listed."""
        return alarm_table(self._alarms)

    def action_acknowledge(self) -> None:
        """Acknowledge the chosen alarm."""
        if self._alarms and not self.record:
            self.home.acknowledge([self._alarms[self.chosen]])

    def action_acknowledge_all(self) -> None:
        """Acknowledge every alarm that stands."""
        if not self.record:
            self.home.acknowledge(self._alarms)

    def _chosen_alarm(self) -> Alarm | None:
        return self._alarms[self.chosen] if self._alarms and not self.record else None

    def action_shelve(self) -> None:
        """Ask why and for how long the chosen alarm is put away."""
        alarm = self._chosen_alarm()
        if alarm is None:
            return
        if alarm.state is AlarmState.OUT_OF_SERVICE:
            self.home.tell(
                "This condition is out of service: it is not judged, so there is nothing to shelve."
            )
            return
        names = {s.key: s.name for s in self.home.view.tanks}
        self.app.push_screen(AwayDialog(alarm, place_of(alarm, names), shelve=True), self._put_away)

    def action_out_of_service(self) -> None:
        """Ask why the condition of the chosen alarm is not to be judged."""
        alarm = self._chosen_alarm()
        if alarm is None:
            return
        if alarm.tank is None:
            self.home.tell("Only a condition of a tank can be taken out of service.")
            return
        names = {s.key: s.name for s in self.home.view.tanks}
        self.app.push_screen(AwayDialog(alarm, place_of(alarm, names), shelve=False), self._put_away)

    def _put_away(self, away: Away | None) -> None:
        if away is None:
            return
        if away.minutes is None:
            self.home.take_out_of_service(away.alarm, away.why)
        else:
            self.home.shelve(away.alarm, away.minutes, away.why)

    def action_bring_back(self) -> None:
        """Bring back what was put away."""
        alarm = self._chosen_alarm()
        if alarm is not None:
            self.home.bring_back(alarm)

    def action_reset(self) -> None:
        """Say that the cause of a latched alarm was put right."""
        alarm = self._chosen_alarm()
        if alarm is not None:
            self.home.reset(alarm)

    def action_open(self) -> None:
        """Open the tank of the chosen alarm."""
        if self._alarms:
            tank = self._alarms[self.chosen].tank
            if tank is not None:
                self.home.open_standing(tank)

    def action_record(self) -> None:
        """Switch between what stands and the record."""
        self.record = not self.record
        self.chosen, self._chosen_id = 0, None
        if self.record:
            self._steps = []
            self._read_record(self.home.view.time_s)
        self.refresh_view()

    def on_click(self, event: events.Click) -> None:
        """Choose the alarm under the pointer."""
        listing = self.query_one("#list", Picture)
        if event.widget is listing:
            row = event.y + listing.scroll_offset.y
            if row < len(self._alarms):
                self.action_move(row - self.chosen)

    @work(exclusive=True, group="alarm-record")
    async def _read_record(self, now_s: float) -> None:
        history = self.home.history
        try:
            steps = await asyncio.to_thread(history.steps, now_s - _RECORD_S, now_s)
            self._steps, self._trouble = list(reversed(steps))[:_RECORD_ROWS], ""
        except StoreError as error:
            self._steps, self._trouble = [], str(error)
        self.refresh_view()
