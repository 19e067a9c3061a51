"""A `[[source]]` table as TOML text."""

import json

from tankwatch.config import SourceConfig


def toml_text(text: str) -> str:
    r"""Return `text` as a basic string of TOML, plain to look at whatever it holds.

    TOML 1.0 escapes whole characters, where JSON makes two surrogates of one. What has no place in TOML at
    all, a lone surrogate, becomes a question mark.
    """
    text = text.encode("utf-8", "replace").decode("utf-8")
    return '"' + "".join(_toml_character(character) for character in text) + '"'


def _toml_character(character: str) -> str:
    if character in '"\\':
        return "\\" + character
    if character.isprintable():
        return character
    return f"\\u{ord(character):04x}" if ord(character) <= 0xFFFF else f"\\U{ord(character):08x}"


def source_table(source: SourceConfig) -> str:
    """Return `source` as a table: its id, its kind, and every key that is not as it would be by itself."""
    lines = ["[[source]]"]
    for name, field in type(source).model_fields.items():
        value = getattr(source, name)
        if name in {"id", "kind"} or (value != field.default and name != "password"):
            is_plain = isinstance(value, bool | int | float)
            lines.append(f"{name} = {json.dumps(value) if is_plain else toml_text(str(value))}")
    return "\n".join(lines) + "\n"
