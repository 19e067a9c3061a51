"""What the store tells of a tank, read off the event loop and kept as one frozen value."""

from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from tankwatch.alarms.model import AlarmState
from tankwatch.errors import StoreError
from tankwatch.reading import Channel
from tankwatch.screen.chart.draw import ChartData, ChartMark
from tankwatch.screen.chart.strips import hours_by_day
from tankwatch.screen.feed import History, StoredSeries
from tankwatch.screen.standing import ROLE, SHAPE, level_of
from tankwatch.screen.tankdraw import Past
from tankwatch.screen.trail import Trail
from tankwatch.snapshot import TankSnapshot

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
    damaged: bool = False
    """Something of the stretch could not be read from the disk and is left out."""


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
        found: dict[Channel, StoredSeries] = {
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
    damaged = any(series.damaged for series in found.values())
    return Fetched(tank.tank_id, trail, now_s, data, past, damaged=damaged)


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
