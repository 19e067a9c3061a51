"""What a page shows as a table for other programs: a CSV file (RFC 4180)."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from tankwatch.screen.ink import clean

if TYPE_CHECKING:
    from tankwatch.alarms.model import Alarm
    from tankwatch.review.review import RoomReview
    from tankwatch.screen.standing import Standing
    from tankwatch.snapshot import RoomSnapshot

Cell = str | int | float | None

_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class PageTable:
    """Rows under a header; times are UTC, an unknown value is empty."""

    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]

    def csv(self) -> str:
        """Return the table as CSV.

        Text that a spreadsheet would take for a formula gets an apostrophe before it: names and messages
        come from outside.
        """
        out = io.StringIO()
        table = csv.writer(out)
        table.writerow(self.header)
        table.writerows([_fit_for_a_file(cell) for cell in row] for row in self.rows)
        return out.getvalue()


def save_table(table: PageTable, name: str, time_s: float, folder: Path) -> Path:
    """Write `table` to a new file in `folder`, named by the page and the time; return its path.

    Raises:
        OSError: the file exists already, or cannot be written.
    """
    path = folder / f"{name}-{datetime.fromtimestamp(time_s, UTC):%Y%m%dT%H%M%SZ}.csv"
    with path.open("x", encoding="utf-8", newline="") as file:
        file.write(table.csv())
    return path


def room_table(standings: Sequence[Standing]) -> PageTable:
    """Return the room: a row for each tank, or alarm without a tank, in the order of the screen."""
    header = (
        "id", "name", "state", "acknowledged", "water_c", "setpoint_c", "minutes_left", "limit", "since",
        "message",
    )  # fmt: skip
    rows = tuple(
        (
            one.key,
            one.name,
            one.word,
            "yes" if one.acknowledged else "no",
            None if one.doubtful or one.temperature is None else one.temperature.value,
            None if one.tank is None else one.tank.setpoint_c,
            one.minutes_left,
            one.limit,
            stamp(one.since_s) if one.since_s else "",
            one.message,
        )
        for one in standings
    )
    return PageTable(header, rows)


def alarm_table(alarms: Iterable[Alarm]) -> PageTable:
    """Return alarms as they are listed."""
    header = ("id", "tank", "condition", "subject", "priority", "state", "since", "changed", "message")
    rows = tuple(
        (
            one.alarm_id,
            one.tank or "",
            one.condition.value,
            one.subject or "",
            one.priority.value,
            one.state.value,
            stamp(one.since_s),
            stamp(one.changed_s),
            one.message,
        )
        for one in alarms
    )
    return PageTable(header, rows)


def night_table(review: RoomReview) -> PageTable:
    """Return the figures of a night, worst tank first."""
    header = (
        "tank", "name", "least_c", "least_at", "greatest_c", "greatest_at", "mean_c", "minutes_below",
        "minutes_above", "degree_hours_below", "degree_hours_above", "incidents", "reasons",
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for one in review.tanks:
        water = one.water
        figures: tuple[Cell, ...] = (None,) * 9
        if water is not None:
            figures = (
                round(water.least_c, 3), stamp(water.least_s), round(water.greatest_c, 3),
                stamp(water.greatest_s), round(water.mean_c, 3), round(water.minutes_below, 1),
                round(water.minutes_above, 1), round(water.degree_hours_below, 3),
                round(water.degree_hours_above, 3),
            )  # fmt: skip
        rows.append((one.tank.id, one.tank.label, *figures, len(one.incidents), "; ".join(one.reasons)))
    return PageTable(header, tuple(rows))


def source_table(snapshot: RoomSnapshot | None) -> PageTable:
    """Return the health of the sources; payloads refused are counted over all reasons."""
    header = (
        "source", "kind", "state", "last_heard_age_s", "received", "accepted", "refused", "dropped",
        "restarts", "detail",
    )  # fmt: skip
    rows = tuple(
        (
            one.source_id,
            one.kind,
            one.state,
            one.last_heard_age_s,
            one.received,
            one.accepted,
            sum(one.refused.values()),
            one.dropped,
            one.restarts,
            one.detail,
        )
        for one in (snapshot.sources if snapshot is not None else ())
    )
    return PageTable(header, rows)


def stamp(time_s: float) -> str:
    """Return a time as ISO 8601 in UTC."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _fit_for_a_file(cell: Cell) -> Cell:
    if not isinstance(cell, str):
        return "" if cell is None else cell
    text = clean(cell)
    return "'" + text if text.startswith(_STARTS_A_FORMULA) else text
