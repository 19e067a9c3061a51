"""A form over the care page: fields, and beside or below them what they come to, worked out at each key."""

from dataclasses import dataclass
from typing import ClassVar

from textual import events, on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, Horizontal, Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input

from tankwatch.clock import Clock
from tankwatch.screen import keys
from tankwatch.screen.bars import KeyLine
from tankwatch.screen.care.choice import Choice
from tankwatch.screen.care.draw import draw_worked
from tankwatch.screen.care.form import PLAN_KIND, Field, Form, Worked
from tankwatch.screen.care.gill_dialog import Counted, GillDialog
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Run, clean, fit
from tankwatch.screen.line_input import LineInput
from tankwatch.screen.picture import Picture

_SIDE_BY_SIDE = 110
_LONGEST = 300


@dataclass(frozen=True, slots=True)
class Kept:
    """What the keeper decided to keep."""

    worked: Worked
    words: dict[str, str]


class FieldScroll(VerticalScroll, can_focus=False, inherit_bindings=False):
    """The fields; the arrow keys go from one to the next instead of scrolling them."""


class FormDialog(Explains, ModalScreen[Kept | None]):
    """One form; answers with what is to be kept, or None."""

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = list(keys.FORM)
    HELP_TITLE = "a form"
    HELP = (
        "Fill in what you know; what it comes to is worked out at each key. Nothing is written into the "
        "care log before you say so."
    )

    def __init__(self, form: Form, words: dict[str, str], clock: Clock) -> None:
        """Open `form` with some words in it already; `clock` times a count."""
        super().__init__()
        self.form = form
        self._clock = clock
        self._start = {f.key: words.get(f.key) or f.start for f in form.fields}
        self.worked = Worked()

    def compose(self) -> ComposeResult:
        """Title, fields, result, keys."""
        title = Picture(id="form-title", classes="-fixed", ground="bar")
        title.styles.height = 1
        yield title
        with Container(id="form-body"):
            with FieldScroll(id="form-fields"):
                for field in self.form.fields:
                    with Horizontal(classes="form-row", id=f"row-{field.key}"):
                        yield Picture(id=f"label-{field.key}", classes="-fixed form-label")
                        yield self._widget(field)
                        yield Picture(id=f"unit-{field.key}", classes="-fixed form-unit")
            with Vertical(id="form-side"):
                yield Picture(id="form-result")
        yield KeyLine()

    def _widget(self, field: Field) -> Choice | Input:
        start = self._start[field.key]
        if field.choices:
            return Choice(
                field.choices,
                start,
                id=f"field-{field.key}",
                help_title=field.label.strip(),
                help_text=field.help,
            )
        return LineInput(
            start, _LONGEST, id=f"field-{field.key}", help_title=field.label.strip(), help_text=field.help
        )

    def on_mount(self) -> None:
        """Show the words around the fields, and work them out."""
        self.call_after_refresh(self._begin)

    def _begin(self) -> None:
        self.renew()
        asked = [f for f in self.form.fields if f.is_asked(self.words)]
        first = next((f for f in asked if not f.choices and not self.words[f.key]), asked[0])
        self.query_one(f"#field-{first.key}").focus()

    def on_resize(self, _event: events.Resize) -> None:
        """Break the result anew."""
        self.call_after_refresh(self.renew)

    @property
    def words(self) -> dict[str, str]:
        """What stands in the fields now."""
        found = {}
        for field in self.form.fields:
            widget = self.query_one(f"#field-{field.key}")
            found[field.key] = widget.value if isinstance(widget, Input | Choice) else ""
        return found

    @on(Input.Changed)
    @on(Choice.Changed)
    def _changed(self) -> None:
        self.renew()

    def renew(self) -> None:
        """Work out what stands in the fields and show it."""
        if not self.is_mounted or not self.size.width:
            return
        words = self.words
        self.worked = self.form.check(words)
        wide = self.size.width >= _SIDE_BY_SIDE
        self.query_one("#form-body").set_class(wide, "-wide")
        for field in self.form.fields:
            row = self.query_one(f"#row-{field.key}")
            if row.display != field.is_asked(words):
                row.display = field.is_asked(words)
            bad = field.key == self.worked.field
            label = Run(fit((" ? " if bad else "   ") + field.label, 25), "bright" if bad else "label")
            self.query_one(f"#label-{field.key}", Picture).show([(label,)])
            self.query_one(f"#unit-{field.key}", Picture).show([(Run(" " + field.unit, "label"),)])
        entry = self.worked.entry
        what = "the plan" if entry is not None and entry.kind == PLAN_KIND else "it"
        can = f"Ctrl+S keeps {what}" if entry is not None else "not ready to be kept"
        width = self.size.width
        title = fit(" " + clean(self.form.title), max(10, width - len(can) - 1)) + can + " "
        self.query_one("#form-title", Picture).show([(Run(title, "bright"),)])
        result = self.query_one("#form-result", Picture)
        result.show(draw_worked(self.worked, max(20, (result.size.width or width) - 2)))

    def _inputs(self) -> list[Choice | Input]:
        rows = [f for f in self.form.fields if f.is_asked(self.words)]
        found = [self.query_one(f"#field-{f.key}") for f in rows]
        return [w for w in found if isinstance(w, Input | Choice)]

    def action_field(self, step: int) -> None:
        """Go to another field."""
        fields = self._inputs()
        at = next((i for i, w in enumerate(fields) if w.has_focus), -step)
        fields[(at + step) % len(fields)].focus()

    @on(Input.Submitted)
    def _submitted(self) -> None:
        self.action_field(1)

    def action_scroll(self, rows: int) -> None:
        """Scroll the result."""
        self.query_one("#form-result", Picture).scroll_relative(y=rows, animate=False)

    def action_keep(self) -> None:
        """Answer with what is to be kept, if the form can be kept."""
        self.renew()
        if self.worked.entry is not None:
            self.dismiss(Kept(self.worked, self.words))
        else:
            self.notify(self.worked.trouble or "This plan gives nothing to do.", markup=False)

    def action_cancel(self) -> None:
        """Keep nothing."""
        self.dismiss(None)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer the counter only where beats are asked for."""
        return super().check_action(action, parameters) and (
            action != "count" or any(f.key == "beats" for f in self.form.fields)
        )

    def action_count(self) -> None:
        """Open the counter of gill beats, where the form asks for them."""
        self.app.push_screen(GillDialog(self._clock), self._counted)

    def _counted(self, count: Counted | None) -> None:
        if count is not None:
            self.query_one("#field-beats", Input).value = str(count.beats)
            self.query_one("#field-seconds", Input).value = f"{count.seconds:g}"
