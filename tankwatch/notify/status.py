"""What others may read of the room over MQTT: small JSON documents, each with its version."""

from typing import Any

from tankwatch.alarms.model import Alarm, AlarmState, Priority
from tankwatch.snapshot import RoomSnapshot, TankSnapshot

VERSION = 1
_HIDDEN = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})


def watch_document(state: str, time_s: float | None) -> dict[str, Any]:
    """Return whether the watch lives: `alive`, `stopped`, or `gone` (said by the broker, without a time)."""
    return {"v": VERSION, "state": state, "time_s": None if time_s is None else round(time_s, 3)}


def room_document(snapshot: RoomSnapshot) -> dict[str, Any]:
    """Return the standing of the whole room."""
    shown = [alarm for alarm in snapshot.alarms if alarm.state not in _HIDDEN]
    return {
        "v": VERSION,
        "room": snapshot.room,
        "worst": _worst(shown),
        "unacknowledged": sum(alarm.state is AlarmState.UNACKNOWLEDGED for alarm in shown),
        "alarms": {priority.value: sum(a.priority is priority for a in shown) for priority in Priority},
        "room_alarms": [_alarm(alarm) for alarm in shown if alarm.tank is None],
        "tanks": len(snapshot.tanks),
        "store": snapshot.store.state,
    }


def tank_document(tank: TankSnapshot, alarms: tuple[Alarm, ...]) -> dict[str, Any]:
    """Return the standing of one tank; a value that is not fresh is left out."""
    shown = [alarm for alarm in alarms if alarm.tank == tank.tank_id and alarm.state not in _HIDDEN]
    water = tank.values.get("temperature")
    heater = tank.values.get("heater")
    fresh_water = water is not None and not water.stale and not water.retained
    return {
        "v": VERSION,
        "tank": tank.tank_id,
        "name": tank.name,
        "temperature_c": round(water.value, 1) if water is not None and fresh_water else None,
        "setpoint_c": tank.setpoint_c,
        "heater_on": heater.value > 0.5 if heater is not None and not heater.stale else None,
        "service": tank.service,
        "worst": _worst(shown),
        "alarms": [_alarm(alarm) for alarm in shown],
    }


def _alarm(alarm: Alarm) -> dict[str, Any]:
    return {
        "alarm_id": alarm.alarm_id,
        "alarm": alarm.condition.value,
        "subject": alarm.subject,
        "state": alarm.state.value,
        "priority": alarm.priority.value,
        "since_s": round(alarm.since_s, 3),
    }


def _worst(alarms: list[Alarm]) -> str:
    """Return the highest priority among alarms whose cause holds, or `normal`."""
    holding = [alarm.priority for alarm in alarms if alarm.holds]
    return max(holding, key=lambda priority: priority.rank).value if holding else "normal"
