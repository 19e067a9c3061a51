"""JSON Pointer (RFC 6901): the way to one value inside a JSON document."""

import re
from typing import Any

from tankwatch.decode.refused import Reason, Refused

_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")
_BAD_ESCAPE = re.compile(r"~(?![01])")


def split(pointer: str) -> tuple[str, ...]:
    """Return the reference tokens of `pointer`, unescaped; none for the whole document.

    Raises:
        ValueError: it is not a JSON Pointer (section 3).
    """
    if pointer == "":
        return ()
    if not pointer.startswith("/"):
        raise ValueError(f"expected a JSON Pointer that is empty or begins with '/', got {pointer!r}")
    if _BAD_ESCAPE.search(pointer):
        raise ValueError(f"expected '~' to be written ~0 in a JSON Pointer, got {pointer!r}")
    # "~1" first, then "~0": the other order would turn "~01" into "/" (section 4).
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer[1:].split("/"))


def find(document: Any, tokens: tuple[str, ...]) -> Any:
    """Return the value in `document` that the reference `tokens` lead to (section 4).

    Raises:
        Refused: there is none.
    """
    node = document
    for depth, token in enumerate(tokens):
        if isinstance(node, dict) and token in node:
            node = node[token]
        elif isinstance(node, list) and _INDEX.fullmatch(token) and int(token) < len(node):
            node = node[int(token)]
        else:
            raise Refused(Reason.POINTER_MISS, f"no {token!r} at level {depth + 1} of the payload")
    return node
