"""Every probe of every tank: what it gave last, how long ago, what is wrong with it; the sick ones first."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tankwatch.alarms.model import Alarm, AlarmState, Condition
from tankwatch.config import Config
from tankwatch.reading import Channel
from tankwatch.screen import words
from tankwatch.screen.channel_words import value_words
from tankwatch.screen.ink import Line, Run, clean, crop, fit
from tankwatch.screen.standing import RoomView
from tankwatch.snapshot import LiveValue, TankSnapshot

_OF_THE_PROBE = frozenset(
    {Condition.PROBE_SILENT, Condition.PROBE_FAULTY, Condition.PROBE_FROZEN, Condition.PROBE_OUT_OF_WATER}
)
_TOLD = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.LATCHED})


@dataclass(frozen=True, slots=True)
class Probe:
    """One channel of one tank."""

    tank: str
    """The tank as people call it."""
    channel: str
    source: str
    """Id of its source; empty where the configuration is elsewhere."""
    value: LiveValue | None
    trouble: str = ""
    """What is wrong, in words; empty: nothing."""


def probes_of(view: RoomView, config: Config) -> list[Probe]:
    """Return the probes of the room, those with trouble first, then in the order of the tanks."""
    configured = {tank.id: {c.kind.value: c.source for c in tank.channel} for tank in config.tank}
    found: list[Probe] = []
    for standing in view.tanks:
        tank = standing.tank
        if tank is not None:
            sources = configured.get(tank.tank_id, {})
            found.extend(_of_tank(standing.name, tank, standing.alarms, sources, live=view.live))
    return sorted(found, key=lambda probe: not probe.trouble)


def _of_tank(
    name: str, tank: TankSnapshot, alarms: Sequence[Alarm], sources: Mapping[str, str], *, live: bool
) -> list[Probe]:
    if Channel.MAINS in tank.values:  # a channel of kind power that tells of the mains instead of watts
        sources = {
            Channel.MAINS if kind == Channel.POWER else kind: source for kind, source in sources.items()
        }
    kinds = [kind for kind in (*sources, *tank.values) if kind != Channel.SERVICE]
    told = [alarm for alarm in alarms if alarm.condition in _OF_THE_PROBE and alarm.state in _TOLD]
    probes = []
    for kind in dict.fromkeys(kinds):
        value = tank.values.get(kind)
        trouble = ""
        if kind == Channel.TEMPERATURE and told:
            worst = max(told, key=lambda alarm: alarm.priority.rank)
            trouble = worst.condition.value.replace("-", " ")
        elif value is None:
            trouble = "never heard of"
        elif value.retained:
            trouble = "of unknown age"
        elif value.stale and live:
            trouble = "no fresh reading"
        probes.append(Probe(name, kind, sources.get(kind, ""), value, trouble))
    return probes


def draw_sick(probes: Sequence[Probe], width: int) -> list[Line]:
    """Return the probes that want a look, under a line that counts them; nothing where all are well."""
    sick = [probe for probe in probes if probe.trouble]
    if not sick:
        return []
    wants = "wants a look" if len(sick) == 1 else "want a look"
    said = f"{len(sick)} of {words.how_many(len(probes), 'probe')} {wants}"
    return [crop((Run(" ▲ ", "high"), Run(said, "bright")), width), *_lines(sick, width), ()]


def draw_well(probes: Sequence[Probe], width: int) -> list[Line]:
    """Return the probes that are well, under a line that counts them."""
    well = [probe for probe in probes if not probe.trouble]
    if not well:
        return []
    said = f"{words.how_many(len(well), 'probe')} with fresh readings"
    return [(), crop((Run(" "), Run(said, "label")), width), *_lines(well, width)]


def _lines(probes: Sequence[Probe], width: int) -> list[Line]:
    name_width = max(10, min(24, width - 58))
    return [crop(_line(probe, name_width), width) for probe in probes]


def _line(probe: Probe, name_width: int) -> Line:
    bad = bool(probe.trouble)
    age = "" if probe.value is None else words.age(probe.value.age_s)
    by = f"by {clean(probe.source)}" if probe.source else ""
    said = ", ".join(part for part in (probe.trouble, age, by) if part)
    return (
        Run(" ▲ " if bad else "   ", "high" if bad else "label"),
        Run(fit(clean(probe.tank), name_width) + " ", "bright" if bad else "text"),
        Run(fit(probe.channel, 12), "label"),
        Run(fit(_shown(probe), 9, "right") + "  ", "text"),
        Run(said, "bright" if bad else "label"),
    )


def _shown(probe: Probe) -> str:
    if probe.value is None:
        return "–"
    is_warmth = probe.channel in (Channel.TEMPERATURE, Channel.AIR)
    return value_words(probe.channel, probe.value.value, ".1f" if is_warmth else "g")
