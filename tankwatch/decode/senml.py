"""SenML packs in JSON (RFC 8428): base fields applied, times made absolute, every rule of the form checked.

`resolve` is the hot path of both the running watch and a replay, so records that hold only a name, a unit,
a time and a number or truth value take a short way; all others are checked field by field.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

from tankwatch.decode.json_text import parse
from tankwatch.decode.refused import Reason, Refused

__all__ = ["ABSOLUTE_FROM_S", "VERSION", "Record", "Refused", "Value", "resolve", "resolve_pack"]

ABSOLUTE_FROM_S = 2.0**28
"""Times below this are relative to now (RFC 8428 section 4.5.3)."""

VERSION = 10
"""The SenML version that is understood (RFC 8428 section 4.4)."""

Value = float | bool | str


class Record(NamedTuple):
    """One resolved record.

    `name` is the whole name, base name included. `unit` is None where neither record nor base gives one.
    `time_s` is in seconds since 1970 UTC, or None for a relative time when no "now" was given.
    """

    name: str
    unit: str | None
    time_s: float | None
    value: Value


def resolve(line: bytes | str, now_s: float | None = None) -> list[Record]:
    """Return the resolved records of one pack, in the order of the pack.

    `now_s` (seconds since 1970 UTC) is what relative times refer to. Records that hold only a sum or a data
    value (`s`, `vd`) are checked and left out: no channel takes them.

    Raises:
        Refused: the text is no JSON or breaks a rule of RFC 8428; nothing of the pack is taken then.
    """
    return resolve_pack(parse(line), now_s)


def resolve_pack(pack: Any, now_s: float | None = None) -> list[Record]:
    """Do as `resolve` does, for JSON that was parsed already.

    Raises:
        Refused: it breaks a rule of RFC 8428.
    """
    if type(pack) is not list or not pack:
        raise Refused(Reason.NOT_SENML, "expected an array of records")
    base = _Base()
    base_name, base_unit, base_time_s = "", None, 0.0
    plain_base = True
    records: list[Record] = []
    for entry in pack:
        if type(entry) is not dict:
            raise Refused(Reason.NOT_SENML, "expected every record to be an object")
        if plain_base and (_PLAIN_FIELDS.issuperset(entry) or _take_plain_base(entry, base)):
            base_name, base_unit, base_time_s = base.name, base.unit, base.time_s
            value: Any = entry.get("v")
            if value is None:
                value = entry.get("vb")
                usable = type(value) is bool
            elif type(value) is float or type(value) is int:
                usable = "vb" not in entry and -1e300 < value < 1e300
                value = float(value) if usable else 0.0
            else:
                usable = False
            name, unit, time_s = entry.get("n", ""), entry.get("u", base_unit), entry.get("t", 0.0)
            if (
                usable
                and type(name) is str
                and (type(unit) is str or (unit is None and "u" not in entry))
                and (type(time_s) is int or type(time_s) is float)
                and -1e15 < time_s < 1e15
            ):
                time_s = base_time_s + time_s
                if time_s < ABSOLUTE_FROM_S:
                    time_s = None if now_s is None else now_s + time_s
                unit = checked_unit(unit) if unit else None
                records.append(Record(whole_name(base_name, name), unit, time_s, value))
                continue
        if base.version is None and entry is not pack[0]:
            base.version = VERSION  # the records before had no bver, which says so much
        record = _resolve_with_care(entry, base, now_s)
        if record is not None:
            records.append(record)
        base_name, base_unit, base_time_s = base.name, base.unit, base.time_s
        plain_base = base.value is None
    return records


@dataclass(slots=True)
class _Base:
    """The base fields in force."""

    name: str = ""
    time_s: float = 0.0
    unit: str | None = None
    value: float | None = None
    sum: float | None = None
    version: int | None = None


_PLAIN_FIELDS = frozenset({"n", "u", "t", "v", "vb"})
PLAIN_BASE_FIELDS = _PLAIN_FIELDS | {"bn", "bt", "bu"}
_VALUE_FIELDS = ("v", "vs", "vb", "vd")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_BASE64URL = re.compile(r"[A-Za-z0-9_-]*")


def _take_plain_base(entry: Mapping[str, Any], base: _Base) -> bool:
    """Take base name, time and unit of a record that has nothing unusual else; tell whether it was one."""
    if not PLAIN_BASE_FIELDS.issuperset(entry):
        return False
    name, time_s, unit = entry.get("bn", base.name), entry.get("bt", base.time_s), entry.get("bu", base.unit)
    if (
        type(name) is not str
        or (type(time_s) is not float and type(time_s) is not int)
        or not -1e15 < time_s < 1e15
        or (type(unit) is not str and "bu" in entry)
    ):
        return False
    base.name, base.time_s, base.unit = name, float(time_s), unit
    if base.version is None:
        base.version = VERSION
    return True


def _resolve_with_care(entry: Mapping[str, Any], base: _Base, now_s: float | None) -> Record | None:
    """Return the record that `entry` resolves to, or None where it gives no value; update `base`."""
    _take_base_fields(entry, base)
    for field in entry:
        if field.endswith("_"):  # section 4.4: whoever does not know such a field must not go on
            raise Refused(Reason.NOT_SENML, f"the field {field!r} must be understood, and is not")
    own = [field for field in ("n", "u", "t", "ut", "s", *_VALUE_FIELDS) if field in entry]
    if not own:
        if any(field.startswith("b") for field in entry):
            return None  # a record that only sets base fields
        raise Refused(Reason.NOT_SENML, "a record without a value")
    name = whole_name(base.name, _text(entry, "n", "") or "")
    unit = _text(entry, "u", base.unit)
    unit = checked_unit(unit) if unit else None
    time_s: float | None = _finite(base.time_s + _number(entry, "t", 0.0), "t")
    if time_s is not None and time_s < ABSOLUTE_FROM_S:
        time_s = None if now_s is None else now_s + time_s
    _number(entry, "ut", 0.0)
    has_sum = "s" in entry or base.sum is not None
    _finite((base.sum or 0.0) + _number(entry, "s", 0.0), "s")
    values = [field for field in _VALUE_FIELDS if field in entry]
    if len(values) > 1 or (not values and not has_sum):
        raise Refused(Reason.NOT_SENML, f"expected one value in a record, got {', '.join(values) or 'none'}")
    if not values:
        return None
    value = _value(entry, values[0], base)
    return None if value is None else Record(name, unit, time_s, value)


def _take_base_fields(entry: Mapping[str, Any], base: _Base) -> None:
    version = entry.get("bver", VERSION if base.version is None else base.version)
    if type(version) is not int or version < 1:
        raise Refused(Reason.NOT_SENML, "expected bver to be a positive whole number")
    if version > VERSION:
        raise Refused(Reason.NOT_SENML, f"SenML version {version} is newer than {VERSION}")
    if base.version is not None and version != base.version:
        raise Refused(Reason.NOT_SENML, "expected one version in a pack")
    base.version = version
    base.name = _text(entry, "bn", base.name) or ""
    base.unit = _text(entry, "bu", base.unit)
    base.time_s = _number(entry, "bt", base.time_s)
    if "bv" in entry:
        base.value = _number(entry, "bv", 0.0)
    if "bs" in entry:
        base.sum = _number(entry, "bs", 0.0)


def _value(entry: Mapping[str, Any], field: str, base: _Base) -> Value | None:
    """Return the value in `field`; None for a data value, which no channel takes."""
    if field == "v":
        return _finite(_number(entry, "v", 0.0) + (base.value or 0.0), "v")
    value = entry[field]
    if field == "vb":
        if type(value) is not bool:
            raise Refused(Reason.NOT_SENML, "expected vb to be true or false")
        return value
    if type(value) is not str:
        raise Refused(Reason.NOT_SENML, f"expected {field} to be a text")
    if field == "vd":
        if not _BASE64URL.fullmatch(value):
            raise Refused(Reason.NOT_SENML, "expected vd to be base64url without padding")
        return None
    if _CONTROL.search(value):
        raise Refused(Reason.CONTROL_CHARACTERS, value)
    return value


def _text(entry: Mapping[str, Any], field: str, default: str | None) -> str | None:
    value = entry.get(field, default)
    if type(value) is not str and (value is not None or field in entry):
        raise Refused(Reason.NOT_SENML, f"expected {field} to be a text")
    return value


def _number(entry: Mapping[str, Any], field: str, default: float) -> float:
    value = entry.get(field, default)
    if type(value) is not float and type(value) is not int:
        raise Refused(Reason.NOT_SENML, f"expected {field} to be a number")
    try:
        return _finite(float(value), field)
    except OverflowError:
        raise Refused(Reason.NOT_FINITE, f"{field} is beyond the range of a double") from None


def _finite(value: float, field: str) -> float:
    if not math.isfinite(value):
        raise Refused(Reason.NOT_FINITE, f"{field} is beyond the range of a double")
    return value


@lru_cache(maxsize=8192)
def whole_name(base_name: str, name: str) -> str:
    """Return base name and name together, checked by section 4.5.1."""
    whole = base_name + name
    if not _NAME.fullmatch(whole):
        if _CONTROL.search(whole):
            raise Refused(Reason.CONTROL_CHARACTERS, whole)
        raise Refused(Reason.NOT_SENML, f"not a SenML name: {whole!r}")
    return whole


@lru_cache(maxsize=512)
def checked_unit(unit: str) -> str:
    if _CONTROL.search(unit):
        raise Refused(Reason.CONTROL_CHARACTERS, unit)
    return unit
