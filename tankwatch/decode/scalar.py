"""Bare payloads: one number, with its unit or without, or one word for on and off."""

import math
import re

from tankwatch.decode.json_text import MAX_PAYLOAD_BYTES
from tankwatch.decode.refused import Reason, Refused

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_WORDS = {
    "on": True, "true": True, "yes": True, "1": True, "active": True, "enabled": True, "heating": True,
    "off": False, "false": False, "no": False, "0": False, "inactive": False, "disabled": False,
    "idle": False,
}  # fmt: skip
_LONGEST_WORD = max(map(len, _WORDS))
_BLANK = " \t\r\n"
_QUANTITY = re.compile(rf"({_NUMBER.pattern})\s*([^\s0-9.+-].{{0,11}})")
_WRITTEN_UNITS: dict[str, tuple[float, float, str]] = {
    **dict.fromkeys(("°c", "℃", "c", "cel", "degc", "celsius"), (1.0, 0.0, "Cel")),
    **dict.fromkeys(("°f", "℉", "f", "degf", "fahrenheit"), (5 / 9, -160 / 9, "Cel")),
    **dict.fromkeys(("lx", "lux"), (1.0, 0.0, "lx")),
    "k": (1.0, 0.0, "K"), "w": (1.0, 0.0, "W"), "kw": (1.0, 0.0, "kW"), "a": (1.0, 0.0, "A"),
    "v": (1.0, 0.0, "V"), "%": (1.0, 0.0, "/100"), "%rh": (1.0, 0.0, "%RH"), "cm": (1.0, 0.0, "cm"),
    "mm": (1.0, 0.0, "mm"), "m": (1.0, 0.0, "m"), "l/s": (1.0, 0.0, "l/s"), "l/h": (1 / 3600, 0.0, "l/s"),
    "l/min": (1 / 60, 0.0, "l/s"), "ph": (1.0, 0.0, "pH"),
}  # fmt: skip
"""How people write units behind numbers, in small letters: factor, summand and symbol that SenML has for it.

A text says "F" and means Fahrenheit, "C" and means Celsius, "%" and means hundredths; in SenML these are the
farad, the coulomb and a ratio. So the two ways of writing must not be mixed."""


def text_of(payload: bytes | str) -> str:
    """Return `payload` as text without the white space around it.

    Raises:
        Refused: too long, not UTF-8, or with control characters inside.
    """
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise Refused(Reason.TOO_LONG, f"{len(payload)} bytes; at most {MAX_PAYLOAD_BYTES} are taken")
    if isinstance(payload, bytes):
        try:
            payload = payload.decode("utf-8")
        except UnicodeDecodeError:
            raise Refused(Reason.NOT_UTF8, "expected UTF-8 text") from None
    text = payload.strip(_BLANK)
    if _CONTROL.search(text):
        raise Refused(Reason.CONTROL_CHARACTERS, text)
    return text


def number(payload: bytes | str) -> float:
    """Return the decimal number that is all of `payload`, such as ``24.81`` or ``-1e-3``.

    Raises:
        Refused: it is something else, or beyond the range of a double.
    """
    text = text_of(payload)
    if not _NUMBER.fullmatch(text):
        if _NOT_FINITE.fullmatch(text):
            raise Refused(Reason.NOT_FINITE, text)
        raise Refused(Reason.NOT_A_NUMBER, text)
    value = float(text)
    if not math.isfinite(value):
        raise Refused(Reason.NOT_FINITE, text)
    return value


def quantity(payload: bytes | str) -> tuple[float, str | None]:
    """Return the number in `payload` and the SenML symbol of its unit.

    ``24.8 °C`` gives (24.8, "Cel"), ``77 °F`` gives (25.0, "Cel"), and ``24.8`` gives (24.8, None).

    Raises:
        Refused: it is something else, or the unit is not known.
    """
    text = text_of(payload)
    found = _QUANTITY.fullmatch(text)
    if found is None or _NUMBER.fullmatch(text):
        return number(text), None
    written = _WRITTEN_UNITS.get(found[2].lower())
    if written is None:
        raise Refused(Reason.NOT_A_NUMBER, f"{text!r}; the unit {found[2]!r} is not known")
    factor, summand, symbol = written
    value = number(found[1])
    return (value * factor + summand if summand or factor != 1.0 else value), symbol


def on_off(payload: bytes | str) -> bool:
    """Return whether `payload`, in any case of letters, says on: on, true, yes, 1, active, enabled, heating.

    Off is said by: off, false, no, 0, inactive, disabled, idle.

    Raises:
        Refused: it is another word.
    """
    text = text_of(payload)
    state = _WORDS.get(text.lower()) if len(text) <= _LONGEST_WORD else None
    if state is None:
        raise Refused(Reason.UNKNOWN_WORD, f"expected an on/off word, got {text!r}")
    return state
