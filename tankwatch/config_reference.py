"""The configuration reference of the README, made from the docstrings of the configuration's own model.

    python -m tankwatch.config_reference

prints it; a test compares it with what the README holds.
"""

import re
from collections.abc import Iterable
from typing import Annotated, Any, Literal, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from tankwatch.config import (
    ChannelConfig,
    MqttSourceConfig,
    OneWireSourceConfig,
    RoomConfig,
    SerialSourceConfig,
    StoreConfig,
    TankConfig,
)
from tankwatch.config_care import CareConfig
from tankwatch.config_forward import ForwardConfig
from tankwatch.config_keys import DEFAULT_KEYS, ON_ALL_PAGES
from tankwatch.config_notify import (
    AlarmsConfig,
    AppriseWayConfig,
    CommandWayConfig,
    MqttWayConfig,
    NotifyConfig,
    PersonConfig,
)
from tankwatch.config_rooms import CentreConfig, PublishConfig
from tankwatch.config_split import SplitConfig

_TABLES: tuple[tuple[str, type[BaseModel]], ...] = (
    ("`[room]`", RoomConfig),
    ("`[store]`", StoreConfig),
    ('`[[source]]` with `kind = "mqtt"`', MqttSourceConfig),
    ('`[[source]]` with `kind = "serial"`', SerialSourceConfig),
    ('`[[source]]` with `kind = "onewire"`', OneWireSourceConfig),
    ("`[[tank]]`", TankConfig),
    ("`[[tank.channel]]`", ChannelConfig),
    ("`[tank.care]`", CareConfig),
    ("`[alarms]`", AlarmsConfig),
    ("`[notify]`", NotifyConfig),
    ("`[[person]]`", PersonConfig),
    ('`[[way]]` with `kind = "apprise"`', AppriseWayConfig),
    ('`[[way]]` with `kind = "mqtt"`', MqttWayConfig),
    ('`[[way]]` with `kind = "command"`', CommandWayConfig),
    ("`[publish]`", PublishConfig),
    ("`[centre]`", CentreConfig),
    ("`[forward]`", ForwardConfig),
    ("`[split]`", SplitConfig),
)


def markdown() -> str:
    """Return the reference as Markdown."""
    parts = []
    for title, model in _TABLES:
        rows = [f"#### {title}", "", "| key | default | meaning |", "|---|---|---|"]
        rows += [
            f"| `{name}` | {_default(field)} | {_meaning(field)} |"
            for name, field in model.model_fields.items()
            if name not in {"channel", "care", "kind"} or model is ChannelConfig
        ]
        parts.append("\n".join(rows))
    parts.append(_keys())
    return "\n\n".join(parts) + "\n"


def _keys() -> str:
    rows = [
        "#### `[keys]`",
        "",
        "Other keys for the screen: the id of what is done, and one or more keys parted by commas, such as "
        '`"page.alarms" = "f5"`. Two things on one page never share a key.',
        "",
        "| where | ids with their usual keys |",
        "|---|---|",
    ]
    places = dict.fromkeys(ident.partition(".")[0] for ident in DEFAULT_KEYS if ident not in ON_ALL_PAGES)
    rows.append(f"| every page | {_listed(ON_ALL_PAGES)} |")
    own = [ident for ident in DEFAULT_KEYS if ident not in ON_ALL_PAGES]
    rows += [f"| {p} | {_listed(i for i in own if i.startswith(f'{p}.'))} |" for p in places]
    return "\n".join(rows)


def _listed(idents: Iterable[str]) -> str:
    return ", ".join(f"`{ident}` {DEFAULT_KEYS[ident]}" for ident in idents)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = field.default
    if value is PydanticUndefined or value is None or value in ("", ()):
        return ""
    if isinstance(value, tuple):
        return "`[" + ", ".join(f'"{item}"' for item in value) + "]`"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"`{_plain(value)}`" if isinstance(value, float) else f"`{value}`"


def _meaning(field: FieldInfo) -> str:
    text = re.sub(r"\s+", " ", field.description or "").replace("|", "\\|").replace("<", "&lt;").strip()
    limits = _limits(field)
    return f"{text} {limits}".strip()


def _limits(field: FieldInfo) -> str:
    """Return the range or the words that a value may take, in brackets, or nothing."""
    words = [repr(word) for word in _words(field.annotation)]
    if words:
        return f"({' or '.join(words)})".replace("'", "`")
    metadata = [*field.metadata, *(m for m in _metadata(field.annotation))]
    low = next((f"at least {_plain(m.ge)}" for m in metadata if isinstance(m, Ge)), None) or next(
        (f"above {_plain(m.gt)}" for m in metadata if isinstance(m, Gt)), None
    )
    high = next((f"at most {_plain(m.le)}" for m in metadata if isinstance(m, Le)), None) or next(
        (f"below {_plain(m.lt)}" for m in metadata if isinstance(m, Lt)), None
    )
    limits = ", ".join(part for part in (low, high) if part)
    return f"({limits})" if limits else ""


def _plain(number: Any) -> str:
    """Return a number without an exponent and without a needless decimal point."""
    return str(int(number)) if float(number).is_integer() else str(number)


def _words(annotation: Any) -> tuple[Any, ...]:
    return get_args(annotation) if get_origin(annotation) is Literal else ()


def _metadata(annotation: Any) -> list[Any]:
    """Return what `Annotated` says inside an optional type."""
    found: list[Any] = []
    for part in get_args(annotation):
        if get_origin(part) is Annotated:
            for item in part.__metadata__:
                found.extend(getattr(item, "metadata", [item]))
    return found


if __name__ == "__main__":
    print(markdown(), end="")
