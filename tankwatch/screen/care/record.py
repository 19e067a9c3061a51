"""The record of a tank in a keeper's words: a visit reads from its begin to its end."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from tankwatch.care.entry_text import OBSERVATION_KIND, TEST_KIND, parse_observation, parse_test
from tankwatch.care.gill_beats import gill_rate
from tankwatch.care.observations import Breathing, FeedingResponse, Observation
from tankwatch.care.water_tests import WaterTest, judge
from tankwatch.errors import UsageError
from tankwatch.reading import ServiceMark
from tankwatch.screen.feed import EntryLike, MarkLike
from tankwatch.screen.ink import Line, Run, clean, fit, wrap

MARK_WORDS = {
    ServiceMark.WORK: "hands in the tank",
    ServiceMark.WATER_OUT: "the water level goes down",
    ServiceMark.END: "the work is over, everything is back",
}


def entry_words(entry: EntryLike) -> str:
    """Return what an entry says, for people, and where its photos are.

    What is no test or look of this program stays as written.
    """
    return "; ".join((_said(entry), *(f"photo {path}" for path in entry.photos)))


def _said(entry: EntryLike) -> str:
    try:
        if entry.kind == TEST_KIND:
            return _test_words(*parse_test(entry.text))
        if entry.kind == OBSERVATION_KIND:
            return _look_words(parse_observation(entry.text, entry.time_s))
    except UsageError:
        return entry.text  # written by hand, in other words
    return entry.text


def _test_words(test: WaterTest, note: str) -> str:
    parts = []
    if test.ph is not None:
        parts.append(f"pH {test.ph:g}")
    for name, value, unit in (
        ("ammonia", test.ammonia_mg_per_l, test.ammonia_unit),
        ("nitrite", test.nitrite_mg_per_l, test.nitrite_unit),
        ("nitrate", test.nitrate_mg_per_l, test.nitrate_unit),
    ):
        if value is not None:
            parts.append(f"{name} {value:g} mg/L as {unit}")
    for name, value in (
        ("hardness", test.hardness_mg_caco3_per_l),
        ("alkalinity", test.alkalinity_mg_caco3_per_l),
        ("oxygen", test.oxygen_mg_per_l),
    ):
        if value is not None:
            parts.append(f"{name} {value:g} mg/L")
    said = f"{', '.join(parts)}, at {test.temperature_c:g} °C: {judge(test).level}"
    return f"{said}. {note}" if note else said


def _look_words(look: Observation) -> str:
    parts = []
    if look.breathing is not Breathing.NORMAL:
        parts.append(f"breathing {look.breathing}")
    if look.gill is not None:
        rate = gill_rate(look.gill)
        parts.append(
            f"gill beats {rate.per_min:.0f} a minute ({rate.low_per_min:.0f} to {rate.high_per_min:.0f}) "
            f"at {look.gill.water_c:g} °C"
        )
    if look.hiding:
        parts.append(f"{look.hiding} of {look.fish} hide" if look.fish is not None else f"{look.hiding} hide")
    if look.chasing:
        calm = "" if look.calm_down_min is None else f", calm again after {look.calm_down_min:g} min"
        parts.append(f"chasing{calm}")
    if look.erratic:
        parts.append("darting or spinning")
    if look.feeding is not FeedingResponse.NOT_OFFERED:
        parts.append(f"took {look.feeding} of the feed")
    if look.newcomers_since_days is not None:
        parts.append(f"newcomers for {look.newcomers_since_days:g} days")
    parts.extend(f"photo {path}" for path in look.attachments)
    said = ", ".join(parts) or "nothing odd"
    return f"{said}. {look.note}" if look.note else said


def draw_record(
    entries: Iterable[EntryLike], marks: Iterable[MarkLike], zone: ZoneInfo, now_s: float, width: int
) -> list[Line]:
    """Return the record by days, the newest day first, each day from its begin to its end."""
    rows: list[tuple[float, str, str, str]] = [
        (m.time_s, "service", MARK_WORDS[m.mark], m.who) for m in marks
    ]
    rows.extend((e.time_s, e.kind, entry_words(e), e.who) for e in entries)
    rows.sort(key=lambda r: r[0])
    days: dict[str, list[tuple[float, str, str, str]]] = {}
    today = datetime.fromtimestamp(now_s, zone).date()
    for row in rows:
        then = datetime.fromtimestamp(row[0], zone)
        title = "Today" if then.date() == today else f"{then:%a} {then.day} {then:%b} {then.year}"
        days.setdefault(title, []).append(row)
    lines: list[Line] = []
    for title, day in reversed(days.items()):
        lines.append((Run(title + " ", "label"), Run("─" * max(0, width - len(title) - 1), "faint")))
        before = ""
        for time_s, kind, text, who in day:
            lines.extend(
                _row(datetime.fromtimestamp(time_s, zone), kind, text, who if who != before else "", width)
            )
            before = who
        lines.append(())
    return lines or [(Run("Nothing is written down yet.", "label"),)]


def _row(when: datetime, kind: str, text: str, who: str, width: int) -> Sequence[Line]:
    said = clean(text) + (f" ({clean(who)})" if who else "")
    rows = wrap(said, max(12, width - 15)) or [""]
    return [
        (
            Run(f"{when:%H:%M}  " if i == 0 else " " * 7, "label"),
            Run(fit(clean(kind) if i == 0 else "", 8), "bright"),
            Run(row, "text"),
        )
        for i, row in enumerate(rows)
    ]
