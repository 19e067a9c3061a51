"""Text from outside, made safe to show: nothing in it can move the cursor, hide or reorder other text."""

import unicodedata

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


def _escape(character: str) -> str:
    code = ord(character)
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"
