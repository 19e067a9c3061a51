"""What is heard while listening for probes: each stream, what it seems to be, and a file made from it."""

import asyncio
from pathlib import Path
from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.screen import ModalScreen

from tankwatch.config_path import FILE_NAME
from tankwatch.listen.ear import Hearing, Listener
from tankwatch.listen.places import Where
from tankwatch.screen import keys
from tankwatch.screen.bars import KeyLine
from tankwatch.screen.explained import Explains
from tankwatch.screen.ink import Line, Run, clean, fit, wrap
from tankwatch.screen.note_dialog import NoteDialog
from tankwatch.screen.picture import Picture

_EVERY_S = 1.0
_MOST_SHOWN = 200


class HeardPage(Explains, ModalScreen[str | None]):
    """Listens while it is open; answers with what to tell: a file was written; or None."""

    AUTO_FOCUS = ""
    BINDINGS: ClassVar[list[BindingType]] = list(keys.HEARD_PAGE)
    HELP_TITLE = "What is heard"
    HELP = (
        "Each line is one stream: where it comes from, what it seems to be and why. Wait until every probe "
        "has sent once, then write the file and look it through before the watch runs on it."
    )

    def __init__(self, where: Where, listener: Listener, folder: Path) -> None:
        """Show what `listener` hears at `where`; a file is proposed to stand in `folder`."""
        super().__init__()
        self._where = where
        self._listener = listener
        self._folder = folder
        self._shown: Hearing | None = None
        self._outcome = ""

    def compose(self) -> ComposeResult:
        """Head, streams, keys."""
        yield Picture(id="heard-head", classes="-fixed")
        yield Picture(id="heard")
        yield KeyLine()

    def on_mount(self) -> None:
        """Listen, and look twice a second at what was heard."""
        self._listener.start()
        self.set_interval(_EVERY_S, self._look)
        self.call_after_refresh(self._draw)

    def on_unmount(self) -> None:
        """End the listening, however the page goes."""
        self._listener.stop()

    def on_resize(self) -> None:
        """Break the lines anew."""
        self.call_after_refresh(self._draw)

    def _look(self) -> None:
        if self._listener.hearing is not self._shown:
            self._draw()

    def _draw(self) -> None:
        if not self.is_mounted or not self.size.width:
            return
        hearing = self._shown = self._listener.hearing
        width = max(30, self.size.width - 2)
        head = draw_heard_head(self._where, hearing, self._outcome, width)
        self.query_one("#heard-head", Picture).show(head)
        self.query_one("#heard", Picture).show(draw_heard(hearing, width))

    def action_scroll(self, rows: int) -> None:
        """Scroll."""
        self.query_one("#heard", Picture).scroll_relative(y=rows, animate=False)

    def action_back(self) -> None:
        """Stop listening."""
        self.dismiss(None)

    def action_write(self) -> None:
        """Ask where the file is to be written, and write what was heard until now."""
        text = self._listener.hearing.configuration
        if text is None:
            self._outcome = "Nothing to write yet: no stream looks like the water of a tank."
            self._draw()
            return

        def write(answer: str | None) -> None:
            if answer:
                self.run_worker(self._write(answer, text), exclusive=True, group="write")

        start = str(self._folder / FILE_NAME)
        self.app.push_screen(NoteDialog(FILE_NAME, "where is it to be written?", start), write)

    async def _write(self, answer: str, text: str) -> None:
        path, trouble = await asyncio.to_thread(write_new, self._folder, answer, text)
        if trouble:
            self._outcome = f"Not written: {path}: {trouble}"
            self._draw()
        else:
            self.dismiss(
                f"Written: {path}. Put in the litres and the setpoint of each tank, then: tankwatch check"
            )


def write_new(folder: Path, answer: str, text: str) -> tuple[str, str]:
    """Write `text` to the path `answer`, relative to `folder`, unless a file is there; return path, trouble.

    The trouble is empty where all went well.
    """
    try:
        path = folder / Path(answer).expanduser()
        content = text.encode("utf-8")
        with path.open("xb") as file:
            file.write(content)
    except FileExistsError:
        return answer, "there is a file already, and it is left alone; give another name"
    except OSError as error:
        return answer, error.strerror or str(error)
    except (RuntimeError, ValueError) as error:  # no such home; a character that no path holds
        return answer, str(error)
    return str(path), ""


def draw_heard_head(where: Where, hearing: Hearing, outcome: str, width: int) -> list[Line]:
    """Return where one listens and how it goes, in at most four lines."""
    tanks = sum(1 for stream in hearing.streams if stream["kind"] == "temperature")
    count = len(hearing.streams)
    heard = f"{count} stream{'' if count == 1 else 's'}, {tanks} tank{'' if tanks == 1 else 's'}"
    lines: list[Line] = [
        (
            Run(
                fit(f" Listening to {clean(where.label)}, {hearing.listened_s:.0f} s: {heard}", width),
                "bright",
            ),
        )
    ]
    if outcome:
        said, role = outcome, "bright"
    elif hearing.trouble:
        said, role = "; ".join(f"{k}: {v}" if k else v for k, v in hearing.trouble.items()), "medium"
    elif hearing.configuration is not None:
        said, role = "w writes a configuration for what looks like yours; nothing is overwritten.", "label"
    elif hearing.connected:
        said, role = "Connected. Wait for each probe to send a few times.", "label"
    else:
        said, role = "Connecting.", "label"
    lines.extend((Run(" " + row, role),) for row in wrap(clean(said), width - 1, 2))
    return lines


def draw_heard(hearing: Hearing, width: int) -> list[Line]:
    """Return the streams, those of a tank first, each with its raw text made safe."""
    lines: list[Line] = []
    for stream in hearing.streams[:_MOST_SHOWN]:
        lines.extend(_stream(stream, width))
    for one in hearing.unreadable[:_MOST_SHOWN]:
        reasons = ", ".join(f"{count} times {reason}" for reason, count in one["reasons"].items())
        lines.append((Run(fit(f" {clean(one['where'])}", width), "label"),))
        lines.append((Run(fit(f"     cannot be read: {clean(reasons)}", width), "medium"),))
        lines.append((Run(fit(f"     {clean(one['raw'])}", width), "label"),))
    left = max(0, len(hearing.streams) - _MOST_SHOWN) + max(0, len(hearing.unreadable) - _MOST_SHOWN)
    if left:
        lines.append((Run(fit(f" and {left} more; all of them: tankwatch listen --json", width), "label"),))
    return lines


def _stream(stream: dict[str, Any], width: int) -> list[Line]:
    value = f"{stream['value']:g}" if type(stream["value"]) is float else str(stream["value"])
    unit = f" {stream['unit']}" if stream["unit"] else ""
    pace = "" if stream["interval_s"] is None else f", every {stream['interval_s']:g} s"
    mark, role = (" ▸ ", "bright") if stream["kind"] else ("   ", "text")
    place = " ".join(part for part in (stream["where"], stream["name"]) if part)
    if stream["decode"].startswith("pointer:"):
        place += f" {stream['decode']}"
    why = f" ({stream['why']})" if stream["why"] else ""
    lines: list[Line] = [
        (Run(fit(f"{mark}{stream['seems']}: {clean(value)}{clean(unit)}{pace}", width), role),),
        (Run(fit(f"     {clean(place)}{clean(why)}", width), "label"),),
    ]
    lines.extend((Run(fit(f"     fault: {clean(fault)}", width), "medium"),) for fault in stream["faults"])
    lines.append((Run(fit(f"     {clean(stream['raw'])}", width), "label"),))
    return lines
