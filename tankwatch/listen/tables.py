"""A `[[source]]` table as TOML text."""

import json

from tankwatch.config import SourceConfig


def source_table(source: SourceConfig) -> str:
    """Return `source` as a table: its id, its kind, and every key that is not as it would be by itself."""
    lines = ["[[source]]"]
    for name, field in type(source).model_fields.items():
        value = getattr(source, name)
        if name in {"id", "kind"} or (value != field.default and name != "password"):
            is_plain = isinstance(value, bool | int | float)
            lines.append(f"{name} = {json.dumps(value if is_plain else str(value))}")
    return "\n".join(lines) + "\n"
