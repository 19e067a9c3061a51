"""Every key of the screen in one place: each has an id to remap it by, a tooltip and a group.

Only keys that every terminal sends: letters, digits, arrows, Enter, Escape, F1, and Ctrl with a letter.
"""

from textual.binding import Binding

PAGES = Binding.Group("Pages")
CHOOSING = Binding.Group("Choosing")
ALARM = Binding.Group("Alarms")
CHART = Binding.Group("Chart")
TANK = Binding.Group("Tank")
PROGRAM = Binding.Group("Program")


def key(
    keys: str,
    action: str,
    word: str,
    ident: str,
    tooltip: str,
    group: Binding.Group,
    *,
    show: bool = True,
    display: str | None = None,
) -> Binding:
    """Return a binding with everything that is asked of one."""
    return Binding(keys, action, word, show=show, key_display=display, tooltip=tooltip, id=ident, group=group)


APP = [
    key(
        "f1,question_mark",
        "help",
        "help",
        "help",
        "What this page shows, and its keys",
        PROGRAM,
        display="F1",
    ),
    key("r", "page('room')", "room", "page.room", "The whole room, worst first", PAGES, show=False),
    key("a", "page('alarms')", "alarms", "page.alarms", "Every alarm that stands", PAGES, show=False),
    key(
        "o",
        "page('sources')",
        "sources",
        "page.sources",
        "Where readings come from, and their health",
        PAGES,
        show=False,
    ),
    key("q,ctrl+q", "quit", "quit", "quit", "Close the screen; the watch goes on", PROGRAM, display="q"),
]

ROOM = [
    key("enter", "open", "open", "room.open", "Open the chosen tank", CHOOSING, display="Enter"),
    key(
        "slash",
        "filter",
        "find",
        "room.filter",
        "Show only what matches what is typed",
        CHOOSING,
        display="/",
    ),
    key("s", "sort", "sort", "room.sort", "Worst first, by name, or by place", CHOOSING),
    key(
        "k",
        "acknowledge",
        "acknowledge",
        "room.acknowledge",
        "Say that you saw the alarms of the chosen tank",
        ALARM,
    ),
    key("escape", "clear", "all tanks", "room.clear", "End the search", CHOOSING, show=False),
    key("left", "move('left')", "left", "room.left", "Choose the one before", CHOOSING, show=False),
    key("right", "move('right')", "right", "room.right", "Choose the next one", CHOOSING, show=False),
    key("up", "move('up')", "up", "room.up", "Choose the one above", CHOOSING, show=False),
    key("down", "move('down')", "down", "room.down", "Choose the one below", CHOOSING, show=False),
    key("home", "first", "first", "room.first", "Choose the first one", CHOOSING, show=False),
    key("pageup", "page_up", "page up", "room.page_up", "Scroll one page up", CHOOSING, show=False),
    key("pagedown", "page_down", "page down", "room.page_down", "Scroll one page down", CHOOSING, show=False),
]

TANK_PAGE = [
    key("escape", "app.page('room')", "back", "tank.back", "Back to the room", PAGES, display="Esc"),
    key(
        "k",
        "acknowledge",
        "acknowledge",
        "tank.acknowledge",
        "Say that you saw the alarms of this tank",
        ALARM,
    ),
    key("s", "service", "service", "tank.service", "Begin or end work in this tank", TANK),
    key(
        "plus,equals_sign",
        "zoom(True)",
        "closer",
        "tank.closer",
        "A shorter stretch of time",
        CHART,
        display="+",
    ),
    key("minus", "zoom(False)", "longer", "tank.longer", "A longer stretch of time", CHART, display="-"),
    key(
        "left",
        "cursor(-1)",
        "read",
        "tank.cursor_left",
        "Read the chart, one step earlier",
        CHART,
        display="←→",
    ),
    key(
        "right",
        "cursor(1)",
        "later",
        "tank.cursor_right",
        "Read the chart, one step later",
        CHART,
        show=False,
    ),
    key("comma", "pan(0.5)", "earlier", "tank.earlier", "Half a chart into the past", CHART, display=","),
    key("full_stop", "pan(-0.5)", "later", "tank.later", "Half a chart towards now", CHART, display="."),
    key("end", "now", "now", "tank.now", "The last 24 hours again", CHART, show=False),
    key("y", "close_up", "fit water", "tank.close_up", "Stretch the water's own range over the chart", CHART),
    key("l", "note", "log", "tank.note", "Write a line into the care log of this tank", TANK),
    key("e", "export", "export", "tank.export", "Save what the chart shows as a CSV file", CHART, show=False),
    key("n", "next(1)", "next", "tank.next", "The next tank, in the order of the room", TANK),
    key("p", "next(-1)", "previous", "tank.previous", "The tank before", TANK, show=False),
    key("up", "scroll(-1)", "up", "tank.up", "Scroll the facts up", TANK, show=False),
    key("down", "scroll(1)", "down", "tank.down", "Scroll the facts down", TANK, show=False),
    key("pageup", "scroll(-8)", "page up", "tank.page_up", "Scroll the facts a page up", TANK, show=False),
    key(
        "pagedown",
        "scroll(8)",
        "page down",
        "tank.page_down",
        "Scroll the facts a page down",
        TANK,
        show=False,
    ),
]

ALARM_PAGE = [
    key("escape", "app.page('room')", "back", "alarms.back", "Back to the room", PAGES, display="Esc"),
    key("k", "acknowledge", "acknowledge", "alarms.acknowledge", "Say that you saw the chosen alarm", ALARM),
    key(
        "K",
        "acknowledge_all",
        "acknowledge all",
        "alarms.acknowledge_all",
        "Say that you saw every alarm",
        ALARM,
        display="K",
    ),
    key(
        "enter",
        "open",
        "open tank",
        "alarms.open",
        "Open the tank of the chosen alarm",
        CHOOSING,
        display="Enter",
    ),
    key(
        "v", "record", "record", "alarms.record", "Switch between what stands and the last seven days", ALARM
    ),
    key("up", "move(-1)", "up", "alarms.up", "Choose the one above", CHOOSING, show=False),
    key("down", "move(1)", "down", "alarms.down", "Choose the one below", CHOOSING, show=False),
    key("pageup", "move(-10)", "page up", "alarms.page_up", "Ten up", CHOOSING, show=False),
    key("pagedown", "move(10)", "page down", "alarms.page_down", "Ten down", CHOOSING, show=False),
]

SOURCES_PAGE = [
    key("escape", "app.page('room')", "back", "sources.back", "Back to the room", PAGES, display="Esc"),
    key("up", "scroll(-1)", "up", "sources.up", "Scroll up", CHOOSING, show=False),
    key("down", "scroll(1)", "down", "sources.down", "Scroll down", CHOOSING, show=False),
    key("pageup", "scroll(-10)", "page up", "sources.page_up", "Scroll a page up", CHOOSING, show=False),
    key(
        "pagedown", "scroll(10)", "page down", "sources.page_down", "Scroll a page down", CHOOSING, show=False
    ),
]

SERVICE_DIALOG = [
    key("1", "begin('work')", "hands in", "service.work", "Hands in the tank, the level stays", TANK),
    key("2", "begin('water-out')", "water out", "service.water_out", "The level goes down", TANK),
    key("escape", "cancel", "cancel", "service.cancel", "Begin nothing", TANK, display="Esc"),
]

SERVICE_END = [
    key("y", "finish(True)", "yes, it is over", "service.end", "End the work", TANK),
    key("n,escape", "finish(False)", "not yet", "service.not_yet", "The work goes on", TANK, display="n"),
]

NOTE_DIALOG = [
    key("escape", "cancel", "cancel", "note.cancel", "Keep nothing", TANK, display="Esc"),
]

HELP_PAGE = [
    key("escape,f1,q,enter", "close", "close", "help.close", "Back to the page", PROGRAM, display="Esc"),
    key("up", "scroll(-1)", "up", "help.up", "Scroll up", PROGRAM, show=False),
    key("down", "scroll(1)", "down", "help.down", "Scroll down", PROGRAM, show=False),
    key("pageup", "scroll(-10)", "page up", "help.page_up", "Scroll a page up", PROGRAM, show=False),
    key("pagedown", "scroll(10)", "page down", "help.page_down", "Scroll a page down", PROGRAM, show=False),
]
