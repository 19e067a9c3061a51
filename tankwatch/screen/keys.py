"""Every key of the screen in one place: each has an id to remap it by, a tooltip and a group.

Which key it is stands in `config_keys`, since a configuration may give another one.

Only keys that every terminal sends: letters, digits, arrows, Enter, Escape, Space, F1, Ctrl with a letter.
"""

from textual.binding import Binding

from tankwatch.config_keys import DEFAULT_KEYS

PAGES = Binding.Group("Pages")
CHOOSING = Binding.Group("Choosing")
ALARM = Binding.Group("Alarms")
CHART = Binding.Group("Chart")
TANK = Binding.Group("Tank")
PROGRAM = Binding.Group("Program")


def key(
    action: str,
    word: str,
    ident: str,
    tooltip: str,
    group: Binding.Group,
    *,
    show: bool = True,
    display: str | None = None,
) -> Binding:
    """Return a binding with everything that is asked of one; its keys are those of the configuration."""
    return Binding(
        DEFAULT_KEYS[ident],
        action,
        word,
        show=show,
        key_display=display,
        tooltip=tooltip,
        id=ident,
        group=group,
    )


HELP = key("help", "help", "help", "What has the focus, or this page, and its keys", PROGRAM, display="F1")

APP = [
    HELP,
    key("page('room')", "room", "page.room", "The whole room, worst first", PAGES, show=False),
    key("page('alarms')", "alarms", "page.alarms", "Every alarm that stands", PAGES, show=False),
    key("page('night')", "night", "page.night", "What happened last night, worst first", PAGES, show=False),
    key(
        "page('sources')",
        "sources",
        "page.sources",
        "Where readings come from, and their health",
        PAGES,
        show=False,
    ),
    key("page('health')", "health", "page.health", "How the program itself is", PAGES, show=False),
    key("quit", "quit", "quit", "Close the screen; the watch goes on", PROGRAM, display="q"),
]

ALL_ROOMS = [
    key("page('rooms')", "all rooms", "page.rooms", "Every room, worst first", PAGES),
]

ROOMS_PAGE = [
    key("open", "open", "rooms.open", "Open the chosen room", CHOOSING, display="Enter"),
    key("export", "export", "rooms.export", "Save what this page shows as a CSV file", PROGRAM, show=False),
    key("move(-1)", "up", "rooms.up", "Choose the room above", CHOOSING, show=False),
    key("move(1)", "down", "rooms.down", "Choose the room below", CHOOSING, show=False),
    key("move(-10)", "page up", "rooms.page_up", "Ten rooms up", CHOOSING, show=False),
    key("move(10)", "page down", "rooms.page_down", "Ten rooms down", CHOOSING, show=False),
]

ROOM = [
    key("open", "open", "room.open", "Open the chosen tank", CHOOSING, display="Enter"),
    key(
        "filter",
        "find",
        "room.filter",
        "Show only what matches what is typed",
        CHOOSING,
        display="/",
    ),
    key("sort", "sort", "room.sort", "Worst first, by name, or by place", CHOOSING),
    key(
        "acknowledge",
        "acknowledge",
        "room.acknowledge",
        "Say that you saw the alarms of the chosen tank",
        ALARM,
    ),
    key("export", "export", "room.export", "Save what this page shows as a CSV file", PROGRAM, show=False),
    key("clear", "all tanks", "room.clear", "End the search", CHOOSING, show=False),
    key("move('left')", "left", "room.left", "Choose the one before", CHOOSING, show=False),
    key("move('right')", "right", "room.right", "Choose the next one", CHOOSING, show=False),
    key("move('up')", "up", "room.up", "Choose the one above", CHOOSING, show=False),
    key("move('down')", "down", "room.down", "Choose the one below", CHOOSING, show=False),
    key("first", "first", "room.first", "Choose the first one", CHOOSING, show=False),
    key("page_up", "page up", "room.page_up", "Scroll one page up", CHOOSING, show=False),
    key("page_down", "page down", "room.page_down", "Scroll one page down", CHOOSING, show=False),
]

TANK_PAGE = [
    key("app.page('room')", "back", "tank.back", "Back to the room", PAGES, display="Esc"),
    key(
        "acknowledge",
        "acknowledge",
        "tank.acknowledge",
        "Say that you saw the alarms of this tank",
        ALARM,
    ),
    key("service", "service", "tank.service", "Begin or end work in this tank", TANK),
    key("care", "care", "tank.care", "What is due, the care log, and the sums of the care", TANK),
    key(
        "zoom(True)",
        "closer",
        "tank.closer",
        "A shorter stretch of time",
        CHART,
        display="+",
    ),
    key("zoom(False)", "longer", "tank.longer", "A longer stretch of time", CHART, display="-"),
    key(
        "cursor(-1)",
        "read",
        "tank.cursor_left",
        "Read the chart, one step earlier",
        CHART,
        display="←→",
    ),
    key(
        "cursor(1)",
        "later",
        "tank.cursor_right",
        "Read the chart, one step later",
        CHART,
        show=False,
    ),
    key("leap(-1)", "hour back", "tank.leap_left", "Read the chart, a big step back: about an hour", CHART),
    key("leap(1)", "forth", "tank.leap_right", "Read the chart, a big step forth", CHART, show=False),
    key("go_to", "go to time", "tank.go_to", "Read the chart at a time that you type, such as 3:00", CHART),
    key("pan(0.5)", "earlier", "tank.earlier", "Half a chart into the past", CHART, display=","),
    key("pan(-0.5)", "later", "tank.later", "Half a chart towards now", CHART, display="."),
    key("now", "now", "tank.now", "The last 24 hours again", CHART, show=False),
    key("close_up", "fit water", "tank.close_up", "Stretch the water's own range over the chart", CHART),
    key("note", "log", "tank.note", "Write a line into the care log of this tank", TANK),
    key("export", "export", "tank.export", "Save what the chart shows as a CSV file", CHART, show=False),
    key("weeks", "weeks", "tank.weeks", "The twelve weeks behind: heat loss, heater, light", TANK),
    key("next(1)", "next", "tank.next", "The next tank, in the order of the room", TANK),
    key("next(-1)", "previous", "tank.previous", "The tank before", TANK, show=False),
    key("scroll(-1)", "up", "tank.up", "Scroll the facts up", TANK, show=False),
    key("scroll(1)", "down", "tank.down", "Scroll the facts down", TANK, show=False),
    key("scroll(-8)", "page up", "tank.page_up", "Scroll the facts a page up", TANK, show=False),
    key(
        "scroll(8)",
        "page down",
        "tank.page_down",
        "Scroll the facts a page down",
        TANK,
        show=False,
    ),
]

ALARM_PAGE = [
    key("app.page('room')", "back", "alarms.back", "Back to the room", PAGES, display="Esc"),
    key("acknowledge", "acknowledge", "alarms.acknowledge", "Say that you saw the chosen alarm", ALARM),
    key("shelve", "shelve", "alarms.shelve", "Put the chosen alarm away for a time, with a reason", ALARM),
    key(
        "open",
        "open tank",
        "alarms.open",
        "Open the tank of the chosen alarm",
        CHOOSING,
        display="Enter",
    ),
    key("record", "record", "alarms.record", "Switch between what stands and the last seven days", ALARM),
    key(
        "out_of_service",
        "out of service",
        "alarms.out_of_service",
        "Stop judging this condition of this tank, with a reason",
        ALARM,
    ),
    key("bring_back", "bring back", "alarms.bring_back", "Bring back what was put away", ALARM),
    key(
        "acknowledge_all",
        "acknowledge all",
        "alarms.acknowledge_all",
        "Say that you saw every alarm",
        ALARM,
        display="K",
    ),
    key("reset", "put right", "alarms.reset", "Say that the cause of a latched alarm was put right", ALARM),
    key("export", "export", "alarms.export", "Save what this page shows as a CSV file", PROGRAM, show=False),
    key("move(-1)", "up", "alarms.up", "Choose the one above", CHOOSING, show=False),
    key("move(1)", "down", "alarms.down", "Choose the one below", CHOOSING, show=False),
    key("move(-10)", "page up", "alarms.page_up", "Ten up", CHOOSING, show=False),
    key("move(10)", "page down", "alarms.page_down", "Ten down", CHOOSING, show=False),
]

SOURCES_PAGE = [
    key("app.page('room')", "back", "sources.back", "Back to the room", PAGES, display="Esc"),
    key("export", "export", "sources.export", "Save what this page shows as a CSV file", PROGRAM, show=False),
    key("scroll(-1)", "up", "sources.up", "Scroll up", CHOOSING, show=False),
    key("scroll(1)", "down", "sources.down", "Scroll down", CHOOSING, show=False),
    key("scroll(-10)", "page up", "sources.page_up", "Scroll a page up", CHOOSING, show=False),
    key("scroll(10)", "page down", "sources.page_down", "Scroll a page down", CHOOSING, show=False),
]

SERVICE_DIALOG = [
    key("begin('work')", "hands in", "service.work", "Hands in the tank, the level stays", TANK),
    key("begin('water-out')", "water out", "service.water_out", "The level goes down", TANK),
    key("cancel", "cancel", "service.cancel", "Begin nothing", TANK, display="Esc"),
    HELP,
]

SERVICE_END = [
    key("finish(True)", "yes, it is over", "service_end.yes", "End the work", TANK),
    key("finish(False)", "not yet", "service_end.not_yet", "The work goes on", TANK, display="n"),
    HELP,
]

NOTE_DIALOG = [
    key("cancel", "cancel", "note.cancel", "Keep nothing", TANK, display="Esc"),
    HELP,
]

HELP_PAGE = [
    key("close", "close", "help.close", "Back to the page", PROGRAM, display="Esc"),
    key("scroll(-1)", "up", "help.up", "Scroll up", PROGRAM, show=False),
    key("scroll(1)", "down", "help.down", "Scroll down", PROGRAM, show=False),
    key("scroll(-10)", "page up", "help.page_up", "Scroll a page up", PROGRAM, show=False),
    key("scroll(10)", "page down", "help.page_down", "Scroll a page down", PROGRAM, show=False),
]

CARE_PAGE = [
    key("back", "back", "care.back", "Back to the tank", PAGES, display="Esc"),
    key("service", "service", "care.service", "Begin or end work in this tank", TANK),
    key("form('change')", "change", "care.change", "Plan a change of water and keep it", TANK),
    key("form('fill')", "fill", "care.fill", "Conditioner, and filling in lifts", TANK),
    key("form('test')", "test", "care.test", "Judge a water test and keep it", TANK),
    key("form('look')", "fish", "care.look", "A look at the fish, with the gill-beat counter", TANK),
    key("open", "do it", "care.open", "Open or tick off the chosen task", CHOOSING, display="Enter"),
    key("note", "log", "care.note", "Write a line into the care log of this tank", TANK),
    key("sheet", "sheet", "care.sheet", "Save a sheet of what is due, to print or tick off", TANK),
    key("move(-1)", "up", "care.up", "Choose the task above", CHOOSING, show=False),
    key("move(1)", "down", "care.down", "Choose the task below", CHOOSING, show=False),
    key("scroll(-8)", "page up", "care.page_up", "Scroll the record up", CHOOSING, show=False),
    key("scroll(8)", "page down", "care.page_down", "Scroll the record down", CHOOSING, show=False),
]

NIGHT_PAGE = [
    key("app.page('room')", "back", "night.back", "Back to the room", PAGES, display="Esc"),
    key("night(-1)", "night before", "night.before", "The night before this one", CHART, display=","),
    key("night(1)", "after", "night.after", "The night after this one", CHART, display="."),
    key("play", "play", "night.play", "Play the night, or stop", CHART, display="Space"),
    key("incident", "next incident", "night.incident", "Go to the next incident of any tank", CHOOSING),
    key("step(-1)", "time", "night.earlier", "Ten minutes back in the night", CHART, display="←→"),
    key("step(1)", "later", "night.later", "Ten minutes on in the night", CHART, show=False),
    key("speed(1)", "faster", "night.faster", "Play faster", CHART, display="+"),
    key("speed(-1)", "slower", "night.slower", "Play slower", CHART, display="-"),
    key("begin", "begin", "night.begin", "To the begin of the night", CHART, show=False),
    key("open", "open tank", "night.open", "Open the chosen tank", CHOOSING, display="Enter"),
    key("weeks", "weeks", "night.weeks", "The twelve weeks behind the chosen tank", CHOOSING),
    key("export", "export", "night.export", "Save what this page shows as a CSV file", PROGRAM, show=False),
    key("move(-1)", "up", "night.up", "Choose the tank above", CHOOSING, show=False),
    key("move(1)", "down", "night.down", "Choose the tank below", CHOOSING, show=False),
    key("scroll(-8)", "page up", "night.page_up", "Scroll the account up", CHOOSING, show=False),
    key("scroll(8)", "page down", "night.page_down", "Scroll the account down", CHOOSING, show=False),
]

WEEKS_PAGE = [
    key("back", "back", "weeks.back", "Back to where you came from", PAGES, display="Esc"),
    key("scroll(-1)", "up", "weeks.up", "Scroll up", CHOOSING, show=False),
    key("scroll(1)", "down", "weeks.down", "Scroll down", CHOOSING, show=False),
    key("scroll(-10)", "page up", "weeks.page_up", "Scroll a page up", CHOOSING, show=False),
    key("scroll(10)", "page down", "weeks.page_down", "Scroll a page down", CHOOSING, show=False),
    HELP,
]

HEALTH_PAGE = [
    key("app.page('room')", "back", "health.back", "Back to the room", PAGES, display="Esc"),
    key("scroll(-1)", "up", "health.up", "Scroll up", CHOOSING, show=False),
    key("scroll(1)", "down", "health.down", "Scroll down", CHOOSING, show=False),
    key("scroll(-10)", "page up", "health.page_up", "Scroll a page up", CHOOSING, show=False),
    key("scroll(10)", "page down", "health.page_down", "Scroll a page down", CHOOSING, show=False),
]

AWAY_DIALOG = [
    key("field(1)", "next", "away.down", "The next line", ALARM, show=False),
    key("field(-1)", "before", "away.up", "The line before", ALARM, show=False),
    key("cancel", "cancel", "away.cancel", "Leave the alarm as it is", ALARM, display="Esc"),
    HELP,
]

FORM = [
    key("keep", "keep in the log", "form.keep", "Write it into the care log", TANK, display="Ctrl+S"),
    key("cancel", "cancel", "form.cancel", "Keep nothing", TANK, display="Esc"),
    key("field(1)", "next", "form.down", "The next field", CHOOSING, display="↓"),
    key("field(-1)", "before", "form.up", "The field before", CHOOSING, show=False),
    key("scroll(-6)", "page up", "form.page_up", "Scroll the plan up", CHOOSING, show=False),
    key("scroll(6)", "more", "form.page_down", "Scroll the plan down", CHOOSING, display="PgDn"),
    key("count", "gill beats", "form.count", "Count gill beats", TANK, display="Ctrl+G"),
    HELP,
]

CHOICE = [
    key("turn(1)", "other", "choice.next", "The next word of this field", CHOOSING, display="←→"),
    key("turn(-1)", "word before", "choice.before", "The word before", CHOOSING, show=False),
]

GILL = [
    key("beat", "beat", "gill.beat", "Count one beat; the first starts the clock", TANK, display="Space"),
    key("done", "use it", "gill.done", "Take the count into the form", TANK, display="Enter"),
    key("again", "again", "gill.again", "Throw the count away and begin anew", TANK),
    key("cancel", "cancel", "gill.cancel", "Leave without a count", TANK, display="Esc"),
    HELP,
]

LIFT = [
    key("next", "done", "lift.next", "The dose is in, or the water has run in", TANK, display="Enter"),
    key("stop", "stop", "lift.stop", "Stop here; what was done is in the log", TANK, display="Esc"),
    HELP,
]

LISTEN_DIALOG = [
    key("field(1)", "next", "listen.down", "The next line", CHOOSING, show=False),
    key("field(-1)", "before", "listen.up", "The line before", CHOOSING, show=False),
    key("start", "listen", "listen.start", "Listen there", PROGRAM, display="Enter"),
    key("cancel", "cancel", "listen.cancel", "Do not listen", PROGRAM, display="Esc"),
    HELP,
]

HEARD_PAGE = [
    key("write", "write the file", "heard.write", "Write what was heard as a configuration", PROGRAM),
    key("back", "stop", "heard.back", "Stop listening, and go back", PROGRAM, display="Esc"),
    key("scroll(-1)", "up", "heard.up", "Scroll up", CHOOSING, show=False),
    key("scroll(1)", "down", "heard.down", "Scroll down", CHOOSING, show=False),
    key("scroll(-10)", "page up", "heard.page_up", "Scroll a page up", CHOOSING, show=False),
    key("scroll(10)", "page down", "heard.page_down", "Scroll a page down", CHOOSING, show=False),
    HELP,
]

FIRST_RUN = [
    key("listen", "listen", "first.listen", "Listen for probes, and write what is heard", PROGRAM),
    key("write", "write the file", "first.write", "Write a first configuration file here", PROGRAM),
    key("quit", "quit", "first.quit", "Close the screen", PROGRAM, display="q"),
    key("scroll(-1)", "up", "first.up", "Scroll up", PROGRAM, show=False),
    key("scroll(1)", "down", "first.down", "Scroll down", PROGRAM, show=False),
]
