"""One payload of unknown form taken apart: every value in it, and how a channel would have to read it."""

from collections.abc import Iterator
from typing import Any, NamedTuple

from tankwatch.decode import json_text, lines, scalar, senml
from tankwatch.decode.refused import Reason, Refused

_DEEPEST = 6
_MOST_VALUES = 64


class Found(NamedTuple):
    """One value of a payload."""

    decode: str
    """The `decode` of a channel that reads it."""
    name: str | None
    """The record's name, where the form has names."""
    value: float | bool | str
    """A text only where it is neither a number nor an on/off word."""
    unit: str | None
    """Symbol as in SenML; None where none is given."""
    stamp_s: float | None
    """Seconds since 1970 UTC: the record's own, else that of arrival; None where the form has none."""


def unpack(payload: bytes, arrived_s: float, *, by_line: bool = False) -> list[Found]:
    """Return the values in `payload`, at most 64; `by_line` for a line of a serial port.

    Raises:
        Refused: it is no text, or nothing that a channel could read.
    """
    if by_line:
        payload = lines.without_checksum(payload)
    if payload.lstrip().startswith((b"[", b"{")):
        return _of_document(json_text.parse(payload), arrived_s)
    text = scalar.text_of(payload)
    if by_line and "=" in text:
        return [Found("senml", name, *_scalar(word), None) for name, word in lines.pairs(text)]
    value, unit = _scalar(text.strip('"'))
    if isinstance(value, str):
        raise Refused(Reason.NOT_A_LINE if by_line else Reason.UNKNOWN_WORD, text)
    return [Found("onoff" if isinstance(value, bool) else "number", None, value, unit, None)]


def _of_document(document: Any, arrived_s: float) -> list[Found]:
    try:
        records = senml.resolve_pack(document, arrived_s)
    except Refused:
        found = list(_leaves(document, "", 0))[:_MOST_VALUES]
        if not found:
            raise Refused(Reason.NO_RECORD, "JSON without any value") from None
        return found
    return [Found("senml", r.name, r.value, r.unit, r.time_s) for r in records[:_MOST_VALUES]]


def _leaves(node: Any, pointer: str, depth: int) -> Iterator[Found]:
    if isinstance(node, dict | list):
        if depth < _DEEPEST:
            keys = node.items() if isinstance(node, dict) else enumerate(node)
            for key, child in keys:
                step = str(key).replace("~", "~0").replace("/", "~1")  # RFC 6901 section 3
                yield from _leaves(child, f"{pointer}/{step}", depth + 1)
        return
    if isinstance(node, bool):
        yield Found(f"pointer:{pointer}", None, node, None, None)
    elif isinstance(node, int | float):
        if abs(node) < 1e300:
            yield Found(f"pointer:{pointer}", None, float(node), None, None)
    elif isinstance(node, str):
        value, unit = _scalar(node)
        yield Found(f"pointer:{pointer}", None, value, unit, None)


def _scalar(text: str) -> tuple[float | bool | str, str | None]:
    """Return what a text stands for: number with unit, truth value, or itself."""
    try:
        return scalar.quantity(text)
    except Refused:
        pass  # not a number: perhaps a word
    try:
        return scalar.on_off(text), None
    except Refused:
        return text, None
