"""Text from outside, made safe to show: nothing in it can move the cursor, hide or reorder other text."""

import json
import re
import unicodedata
from typing import Any

_FIT_FOR_A_STACK = 2
"""Combining marks on one letter that are let through; written languages need no more."""


def safe_text(raw: bytes | str, limit: int = 80) -> str:
    r"""Return `raw` as one line of printable text of at most `limit` characters.

    Controls (ESC and line ends among them), bidirectional and zero-width formatting, lone surrogates,
    private and unassigned characters become escapes such as ``\x1b`` and ``\u202e``; bytes that are no UTF-8
    become ``\xff``. Longer text is cut and ends in an ellipsis. The result is plain text: show it as
    such, never as markup.
    """
    if isinstance(raw, bytes):
        # No character takes more than four bytes, so the rest cannot show in any case.
        raw = raw[: 4 * (limit + 1)].decode("utf-8", errors="backslashreplace")
    shown: list[str] = []
    length = 0
    marks = _FIT_FOR_A_STACK  # none may come first: it would sit on whatever is shown before
    for character in raw[: limit + 1]:
        if unicodedata.category(character) in {"Mn", "Me"}:
            marks += 1
            plain = marks <= _FIT_FOR_A_STACK
        else:
            marks = 0
            plain = character.isprintable()
        piece = character if plain else _escape(character)
        shown.append(piece)
        length += len(piece)
    if length <= limit and len(raw) <= limit:
        return "".join(shown)
    while shown and length > limit - 1:
        length -= len(shown.pop())
    return "".join(shown) + "…" if limit > 0 else ""


def safe_lines(text: str, limit: int = 2000) -> str:
    """Return `text` with each of its lines made safe; only line feeds part lines."""
    return "\n".join(safe_text(line, limit) for line in text.split("\n"))


def safe_json(document: Any, *, indent: int | None = None, tight: bool = False) -> str:
    r"""Return `document` as JSON that any terminal may be shown and any reader takes.

    JSON itself (RFC 8259 section 7) demands escapes of C0 controls only. Here C1 controls, bidirectional and
    zero-width formatting and lone surrogates are escaped as well: the same text to a program, and nothing
    that a terminal obeys or UTF-8 cannot hold. `tight` leaves out the blanks after `,` and `:`.
    """
    separators = (",", ":") if tight else None
    text = json.dumps(document, ensure_ascii=False, indent=indent, separators=separators)
    return _NOT_PLAIN.sub(_json_escape, text)


_NOT_PLAIN = re.compile(r"[^\n\x20-\x7e]")


def _json_escape(match: re.Match[str]) -> str:
    character = match.group()
    if character.isprintable():
        return character
    return json.dumps(character)[1:-1] if ord(character) > 0x7F else f"\\u{ord(character):04x}"


def _escape(character: str) -> str:
    code = ord(character)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
