"""The care of one tank: what is due, the record, and the forms of a visit."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import ClassVar

from textual import events, work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container

from tankwatch.care.circumstances import TankLimits
from tankwatch.care.filling import Lift
from tankwatch.care.known import Known, known_of
from tankwatch.care.schedule import DueTask, RoutineTask, routine_every, visit_sheet
from tankwatch.errors import ConfigError, UsageError
from tankwatch.screen import keys
from tankwatch.screen.care.change_form import CHANGE_KIND, ChangeForm
from tankwatch.screen.care.draw import draw_routine
from tankwatch.screen.care.fill_form import FillForm
from tankwatch.screen.care.form import PLAN_KIND, Entry, Form
from tankwatch.screen.care.form_dialog import FormDialog, Kept
from tankwatch.screen.care.lift_dialog import LiftDialog
from tankwatch.screen.care.look_form import LookForm
from tankwatch.screen.care.past import (
    CarePast,
    due,
    fetch_care,
    given_today_ml,
    normal_of,
    suggestions,
    tests_of,
)
from tankwatch.screen.care.record import draw_record
from tankwatch.screen.care.water_form import WaterTestForm
from tankwatch.screen.ink import Run, clean, plain, wrap
from tankwatch.screen.note_dialog import NoteDialog
from tankwatch.screen.page import Page
from tankwatch.screen.picture import Picture
from tankwatch.screen.standing import RoomView, Standing
from tankwatch.screen.tankdraw import draw_head
from tankwatch.snapshot import TankSnapshot

_SIDE_BY_SIDE = 110
_READ_EVERY_S = 600.0
_FORMS = {"change": "change", "test": "test", "look": "look"}
"""Form to open for a task of the routine; the other tasks are ticked off with a line."""


class CarePage(Page):
    """What is due at one tank, what was done, and the forms to do it by."""

    NAME = "care"
    BINDINGS: ClassVar[list[BindingType]] = list(keys.CARE_PAGE)
    HELP_TITLE = "Care of one tank"
    HELP = (
        "What comes back at this tank and when, most pressing first, and the record of what was done and "
        "seen. Enter opens the form of the chosen task, or ticks it off with a line. The forms work out "
        "each key that is typed, show their working and their cautions, and write into the care log only "
        "when told to. A visit goes: service, dose and fill, test, fish, service again. The days are common"
        " practice, or the tank's own by [tank.care]."
    )

    def __init__(self) -> None:
        """Start without a tank."""
        super().__init__()
        self.tank_id = ""
        self.past: CarePast | None = None
        self.chosen = 0
        self.remembered: dict[str, dict[str, str]] = {}
        """Words of a form to begin with when it is opened again, by tank and form."""
        self._due: tuple[DueTask, ...] = ()
        self._change: tuple[float, float] | None = None
        """Litres and °C of the last change that was kept: what is to be filled in again."""
        self._drawn: object = None
        self._asked: str | None = None
        self._asked_at_s = float("-inf")

    def open_tank(self, tank_id: str) -> None:
        """Turn to a tank."""
        if tank_id != self.tank_id:
            self.tank_id = tank_id
            self.past, self._due, self.chosen, self._change = None, (), 0, None
        self._asked = None

    def compose_body(self) -> ComposeResult:
        """Head, routine, record."""
        yield Picture(id="care-head", classes="-fixed")
        with Container(id="care-body"):
            yield Picture(id="routine")
            yield Picture(id="record")

    def draw(self, view: RoomView) -> None:
        """Draw all parts; the store is asked only when something may have been written."""
        standing = self._standing
        head, routine, record = (self.query_one(i, Picture) for i in ("#care-head", "#routine", "#record"))
        if standing is None or standing.tank is None:
            head.show([(Run(" This tank is not in the room any more.", "label"),)])
            return
        width = self.size.width
        self._fetch_if_due(view.time_s)
        lines = [*draw_head(standing, width, view.time_s), ()]
        if head.styles.height is None or head.styles.height.value != len(lines):
            head.styles.height = len(lines)
        head.show(lines)
        wide = width >= _SIDE_BY_SIDE
        self.query_one("#care-body").set_class(wide, "-wide")
        past = self.past
        if past is None or past.trouble:
            self._drawn = None
            said = "Reading the record …" if past is None else past.trouble
            routine.show([(Run(" " + row, "label"),) for row in wrap(clean(said), width - 2)])
            record.show([])
            return
        state = (id(past), self.chosen, self.size, len(lines), int(view.time_s // 60), wide)
        if state == self._drawn:
            return
        self._drawn = state
        self._due = due(past, view.time_s, self._routine())
        column = (width * 2 // 5 if wide else width) - 2
        shown = draw_routine(self._due, self.chosen, self._hints(standing.tank, past), column)
        routine.show(shown)
        if wide:
            routine.styles.clear_rule("height")
        else:
            most = max(4, (self.size.height - len(lines) - 2) * 11 // 20)
            rows = min(most, len(shown) + 1)
            if routine.styles.height is None or routine.styles.height.value != rows:
                routine.styles.height = rows
        record_width = (width - column - 4 if wide else width) - 3
        drawn = draw_record(past.entries, past.marks, self.home.zone, view.time_s, record_width)
        record.show([(Run(" "), *line) for line in drawn])

    def _routine(self) -> tuple[RoutineTask, ...]:
        tank = next((t for t in self.home.config.tank if t.id == self.tank_id), None)
        return routine_every({} if tank is None else tank.care.days)

    def _hints(self, tank: TankSnapshot, past: CarePast) -> tuple[str, ...]:
        expected = tank.model.expected_duty
        return suggestions(
            past, tank.light_hours_max, tank.duty_24h, None if expected is None else expected.value
        )

    def _fetch_if_due(self, now_s: float) -> None:
        mono_s = self.home.clock.monotonic_s()
        if self._asked == self.tank_id and mono_s - self._asked_at_s < _READ_EVERY_S:
            return
        self._asked, self._asked_at_s = self.tank_id, mono_s
        self._fetch(self.tank_id, now_s)

    @work(exclusive=True, group="care-past")
    async def _fetch(self, tank_id: str, now_s: float) -> None:
        past = await asyncio.to_thread(fetch_care, self.home.history, tank_id, now_s, self.home.zone)
        if past.tank == self.tank_id:
            self.past = past
            self.refresh_view()

    def record_changed(self) -> None:
        """Read the record anew."""
        self._asked = None
        self.refresh_view()

    @property
    def _standing(self) -> Standing | None:
        return self.home.view.find(self.tank_id)

    def action_back(self) -> None:
        """Back to the page of the tank."""
        self.home.open_standing(self.tank_id)

    def action_move(self, rows: int) -> None:
        """Choose another task."""
        self.chosen = max(0, min(self.chosen + rows, len(self._due) - 1))
        self.refresh_view()
        routine = self.query_one("#routine", Picture)
        row = self.chosen + 1
        top, height = routine.scroll_offset.y, routine.size.height
        if row <= top:
            routine.scroll_to(y=row - 1, animate=False)
        elif row >= top + height:
            routine.scroll_to(y=row - height + 1, animate=False)

    def on_click(self, event: events.Click) -> None:
        """Choose the task under the pointer; open the one that is chosen already."""
        routine = self.query_one("#routine", Picture)
        row = event.y + routine.scroll_offset.y
        if event.widget is not routine or row >= len(routine.lines):
            return
        (text,) = plain([routine.lines[row]])
        index = next((i for i, d in enumerate(self._due) if d.task.name in text), None)
        if index == self.chosen:
            self.action_open()
        elif index is not None:
            self.action_move(index - self.chosen)

    def action_scroll(self, rows: int) -> None:
        """Scroll the record."""
        self.query_one("#record", Picture).scroll_relative(y=rows, animate=False)

    def action_open(self) -> None:
        """Open the form of the chosen task, or ask for the line that ticks it off."""
        if not self._due or self._standing is None:
            return
        task = self._due[self.chosen].task
        if task.key in _FORMS:
            self.action_form(_FORMS[task.key])
            return
        self.app.push_screen(
            NoteDialog(self._standing.name, f"{task.name}: what did you find? Enter ticks it off."),
            lambda text: self._ticked(task.key, text),
        )

    def _ticked(self, key: str, text: str | None) -> None:
        if text is not None:
            self._write(Entry(key, text or "done"))

    def action_note(self) -> None:
        """Ask for a line for the care log."""
        if self._standing is not None:
            self.app.push_screen(NoteDialog(self._standing.name), self._noted)

    def _noted(self, text: str | None) -> None:
        if text:
            self._write(Entry("note", text))

    def action_service(self) -> None:
        """Begin work in this tank, or ask whether it is over."""
        self.home.ask_service(self.tank_id)

    def action_sheet(self) -> None:
        """Save the sheet of this visit in the folder that the program was started in."""
        standing, past = self._standing, self.past
        if standing is None or standing.tank is None or past is None:
            return
        path = Path.cwd() / f"{self.tank_id}-visit.txt"
        sheet = visit_sheet(clean(standing.name), self._due, self._hints(standing.tank, past), 56)
        try:
            path.write_text("\n".join(sheet) + "\n", encoding="utf-8")
        except OSError as error:
            self.home.tell(f"The sheet could not be saved: {error}", severity="error")
        else:
            self.home.tell(f"Saved as {path}")

    def action_form(self, name: str) -> None:
        """Open a form."""
        if self.past is None or self._standing is None:
            return
        try:
            form = self._make(name, clean(self._standing.name), self.past)
        except (ConfigError, UsageError) as error:
            self.home.tell(str(error), severity="error")
            return
        words = self.remembered.get(f"{self.tank_id}/{name}", {})
        self.app.push_screen(FormDialog(form, words, self.home.clock), lambda kept: self._kept(form, kept))

    def _make(self, name: str, title: str, past: CarePast) -> Form:
        now_s = self.home.view.time_s
        known = self._known()
        if name == "change":
            return ChangeForm(title, known)
        if name == "fill":
            return FillForm(title, known, self._change, given_today_ml(past, now_s))
        if name == "test":
            tests = tests_of(past)
            return WaterTestForm(title, known, tests[-1][1] if tests else None)
        tank = self.home.config.tank_by_id(self.tank_id)
        limits = TankLimits(tank.band_low_c, tank.band_high_c, tank.max_rate_c_per_h)
        return LookForm(title, known, normal_of(past, limits, now_s), now_s)

    def _known(self) -> Known:
        view = self.home.view
        return known_of(self.home.config, self.tank_id, view.snapshot if view.live else None, view.time_s)

    def _kept(self, form: Form, kept: Kept | None) -> None:
        standing = self._standing
        if kept is None or kept.worked.entry is None or standing is None:
            return
        self.remembered[f"{self.tank_id}/{form.name}"] = {key: kept.words[key] for key in form.remembered}
        if isinstance(form, ChangeForm):
            self._change = form.planned(kept.words) if kept.worked.entry.kind == PLAN_KIND else None
        if kept.worked.lifts:
            note = kept.words.get("note", "").strip()
            lifts = kept.worked.lifts
            dialog = LiftDialog(standing.name, lifts, note, self._write)
            self.app.push_screen(dialog, lambda whole: self._filled(lifts, bool(whole)))
        else:
            self._write(kept.worked.entry)

    def _filled(self, lifts: Sequence[Lift], whole: bool) -> None:
        """Keep the change of water that was planned, once all of its water is in."""
        if whole and self._change is not None:
            new_c = self._change[1]
            text = f"{sum(lift.litres for lift in lifts):.1f} L of {new_c:g} °C, filled in {len(lifts)} lifts"
            self._change = None
            self._write(Entry(CHANGE_KIND, text))

    def _write(self, entry: Entry) -> None:
        self.home.write_log(self.tank_id, entry.kind, entry.text, self.record_changed)
