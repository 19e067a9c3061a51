"""Bare payloads: one number, or one word for on and off."""

import math
import re

from tankwatch.decode.json_text import MAX_PAYLOAD_BYTES
from tankwatch.decode.refused import Reason, Refused

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_WORDS = {
    "on": True, "true": True, "yes": True, "1": True,
    "off": False, "false": False, "no": False, "0": False,
}  # fmt: skip
_BLANK = " \t\r\n"


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


def on_off(payload: bytes | str) -> bool:
    """Return True for on, true, yes, 1 and False for off, false, no, 0; in any case of letters.

    Raises:
        Refused: it is another word.
    """
    text = text_of(payload)
    state = _WORDS.get(text.lower()) if len(text) <= 5 else None
    if state is None:
        raise Refused(Reason.UNKNOWN_WORD, f"expected an on/off word, got {text!r}")
    return state
