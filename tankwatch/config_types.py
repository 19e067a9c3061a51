"""What all tables of the configuration file share."""

import hashlib
import re
import unicodedata
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

ID = Annotated[str, Field(pattern=r"^[A-Za-z0-9_.-]{1,64}$")]
ROOM_ID = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,32}$")]
CLOCK_TIME = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$|^24:00$")]
NAME = Annotated[str, Field(min_length=1, max_length=80)]
# Strict: "120" and true are no numbers, and "yes" is no truth value, here as in TOML.
BOOL = Annotated[bool, Field(strict=True)]
FLOAT = Annotated[float, Field(strict=True, allow_inf_nan=False)]


def _topic(topic: str) -> str:
    if not topic or set(topic) & set("#+\0") or topic.startswith(("$", "/")) or topic.endswith("/"):
        raise ValueError("expected the first levels of a topic, such as fish/watch, without + and #")
    return topic


TOPIC = Annotated[str, AfterValidator(_topic), Field(max_length=200)]
"""The first levels of MQTT topics."""


class Table(BaseModel):
    """Common rules of every table: unknown keys refused, values never changed after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


def slug_of(name: str) -> str:
    """Return the id of a room made of its name: letters without their marks, the rest as `-`.

    A name without any such letter or digit gives a short digest of it, so that two rooms differ.
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:32].rstrip("-")
    return slug or "room-" + hashlib.sha256(name.encode()).hexdigest()[:8]


def is_url(where: str) -> bool:
    """Tell whether `where` names a PostgreSQL server rather than a file."""
    return where.startswith(("postgresql://", "postgres://"))


def without_password(url: str) -> str:
    """Return the address of a server as it is.

    Raises:
        ValueError: it holds a password, which others could see.
    """
    before, _, _ = url.partition("://")[2].partition("@")
    if ("@" in url and ":" in before) or "password=" in url.lower():
        raise ValueError("expected no password in it: put that in password_file")
    return url
