"""JSON text to Python values, with everything refused that JSON (RFC 8259) does not know.

pydantic-core's parser is used because it is some four times as fast as the standard library's here, checks
UTF-8, bounds nesting and refuses lone surrogates.
"""

from typing import Any

from pydantic_core import from_json

from tankwatch.decode.refused import Reason, Refused

MAX_PAYLOAD_BYTES = 64 * 1024
"""Longer payloads are refused unread."""


def parse(text: bytes | str) -> Any:
    """Return the value that the JSON `text` stands for.

    A number beyond the range of a double comes out as an infinity: whoever takes a number must check it.

    Raises:
        Refused: too long, not UTF-8, not JSON, NaN or Infinity, or nested deeper than about 200 levels.
    """
    if len(text) > MAX_PAYLOAD_BYTES:
        raise Refused(Reason.TOO_LONG, f"{len(text)} bytes; at most {MAX_PAYLOAD_BYTES} are taken")
    try:
        return from_json(text, allow_inf_nan=False)
    except (ValueError, TypeError) as error:  # TypeError: a str with lone surrogates
        raise _refusal(text, str(error)) from None


def _refusal(text: bytes | str, message: str) -> Refused:
    """Return the refusal that fits the parser's `message`; off the hot path."""
    try:
        plain = text.decode("utf-8") if isinstance(text, bytes) else text.encode("utf-8").decode()
    except UnicodeError:
        return Refused(Reason.NOT_UTF8, "expected UTF-8 text")
    if "recursion limit" in message:
        return Refused(Reason.TOO_DEEP, "expected at most 200 levels")
    if "control character" in message:
        return Refused(Reason.CONTROL_CHARACTERS, message)
    if "number out of range" in message or any(word in plain for word in ("NaN", "Infinity")):
        return Refused(Reason.NOT_FINITE, "NaN and infinities are not taken")
    return Refused(Reason.NOT_JSON, message)
