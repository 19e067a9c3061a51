"""`[split]`: one large room watched by several watches, and the view of the file that one of them has."""

import difflib
from collections.abc import Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field, field_validator, model_validator

from tankwatch.config_path import AS_VARIABLE
from tankwatch.config_types import FLOAT, ID, Table, is_url, without_password
from tankwatch.errors import UsageError

if TYPE_CHECKING:
    from tankwatch.config import Config

MOST_WATCHES = 64
"""Numbers of alarms are dealt out among so many, so that no two watches give the same."""
WATCH_NAME = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,16}$")]


class SplitConfig(Table):
    """`[split]`: divides the tanks among several watches that read one file, each by its name, `--as`."""

    watches: Annotated[tuple[WATCH_NAME, ...], Field(min_length=1, max_length=MOST_WATCHES)]
    """Names of the watches, 1 to 16 of a to z, 0 to 9 and `-`; add new ones at the end."""
    lease_s: Annotated[FLOAT, Field(ge=3, le=300)] = 15.0
    """Seconds for which a watch holds its tanks without a sign of life; then others take them."""
    leases: str = ""
    """Where all watches reach the leases: a SQLite file on the one machine, relative to the configuration
    file, or `postgresql://USER@HOST:PORT/DATABASE` for several machines; empty: a file beside the store."""
    password_file: Path | None = None
    """For PostgreSQL: file of lines `HOST:PORT:DATABASE:USER:PASSWORD`, mode 0600; none: PGPASSFILE."""
    tanks: Mapping[WATCH_NAME, tuple[ID, ...]] = Field(default_factory=dict)
    """Tanks by watch, such as `{a = ["t01", "t02"]}`; those not listed are spread by a hash of their ids."""

    @field_validator("leases")
    @classmethod
    def _holds_no_password(cls, leases: str) -> str:
        if "://" in leases and not is_url(leases):
            raise ValueError("expected a file or postgresql://USER@HOST:PORT/DATABASE")
        return without_password(leases)

    @model_validator(mode="after")
    def _each_once(self) -> "SplitConfig":
        twice = {name for name in self.watches if self.watches.count(name) > 1}
        if twice:
            raise ValueError(f"watches: expected every name once, got {min(twice)!r} twice")
        for name in self.tanks:
            if name not in self.watches:
                raise ValueError(f"tanks: no watch {name!r}; known: {', '.join(self.watches)}")
        listed = [tank for tanks in self.tanks.values() for tank in tanks]
        twice = {tank for tank in listed if listed.count(tank) > 1}
        if twice:
            raise ValueError(f"tanks: expected every tank once, got {min(twice)!r} twice")
        return self

    @property
    def listed(self) -> dict[str, str]:
        """The watch by tank, as far as the configuration says it."""
        return {tank: name for name, tanks in self.tanks.items() for tank in tanks}

    def below(self, folder: Path, store: Path) -> "SplitConfig":
        """Return this with paths made absolute; the leases lie beside `store` if nothing is said."""
        update: dict[str, Any] = {}
        if "://" not in self.leases:
            name = folder / self.leases if self.leases else store.with_name(f"{store.stem}-leases.db")
            update["leases"] = str(name)
        if self.password_file is not None:
            update["password_file"] = folder / self.password_file
        return self.model_copy(update=update)

    def see_tanks(self, known: Collection[str]) -> None:
        """See that every listed tank is one of `known`.

        Raises:
            ValueError: one is not.
        """
        for tank in self.listed:
            if tank not in known:
                near = difflib.get_close_matches(tank, list(known), 1)
                hint = f" (did you mean {near[0]!r}?)" if near else ""
                raise ValueError(f"[split] tanks: no tank {tank!r}{hint}")


def store_of(path: Path, watch: str) -> Path:
    """Return where the store of a watch lies: beside the one that the file names, with the name in it."""
    return path.with_name(f"{path.stem}-{watch}{path.suffix}")


def seen_by(config: "Config", watch: str | None) -> "Config":
    """Return the file as one watch of the room sees it: store, socket, room and identifiers are its own.

    A file without `[split]` stays as it is, and so does what is one watch's already.

    Raises:
        UsageError: a name is missing, is none of those in `[split]`, or there is nothing to be split.
    """
    split = config.split
    if split is None or config.watch_name is not None:
        if watch not in (None, config.watch_name):
            raise UsageError(
                f"there is no [split] in this configuration, so there is no watch {watch!r} of it"
            )
        return config
    known = ", ".join(split.watches)
    if watch is None:
        raise UsageError(f"this room is split among {known}: say which with --as, or set {AS_VARIABLE}")
    if watch not in split.watches:
        raise UsageError(f"[split] names no watch {watch!r}; known: {known}")
    room = config.room
    slug = f"{room.slug[: 31 - len(watch)]}-{watch}"
    update: dict[str, Any] = {
        "room": room.model_copy(update={"name": f"{room.name} ({watch})", "id": slug}),
        "store": config.store.model_copy(update={"path": store_of(config.store.path, watch)}),
        "source": tuple(_own_client(source, watch) for source in config.source),
        "way": tuple(
            way.model_copy(update={"topic": f"{way.topic}/{watch}"}) if way.kind == "mqtt" else way
            for way in config.way
        ),
        "publish": None if config.publish is None else _own_client(config.publish, watch),
    }
    return config.named(watch, update)


def _own_client(broker: Any, watch: str) -> Any:
    """Return a broker's table with a client identifier of the watch's own: a broker admits each once."""
    name = getattr(broker, "client_id", "")
    return broker.model_copy(update={"client_id": f"{name}-{watch}"}) if name else broker
