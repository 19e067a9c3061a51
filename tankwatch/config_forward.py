"""`[forward]`: the central store that a watch brings its readings to, beside the file of its own."""

from pathlib import Path
from typing import Annotated

from pydantic import Field, field_validator

from tankwatch.config_types import FLOAT, Table, is_url, without_password


class ForwardConfig(Table):
    """`[forward]`: copies all that the store learns to a PostgreSQL server; the file stays what counts."""

    url: Annotated[str, Field(max_length=500)]
    """Address without a password: `postgresql://USER@HOST:PORT/DATABASE`; libpq's parameters may follow."""
    password_file: Path | None = None
    """File of lines `HOST:PORT:DATABASE:USER:PASSWORD` (libpq's form), mode 0600; none: PGPASSFILE counts."""
    rows_per_s: Annotated[FLOAT, Field(ge=10, le=1_000_000)] = 5000.0
    """While it catches up after a break no more rows go in a second, on average."""
    every_s: Annotated[FLOAT, Field(ge=1, le=3600)] = 10.0
    """Seconds between two looks at what is new."""

    @field_validator("url")
    @classmethod
    def _is_an_address(cls, url: str) -> str:
        if not is_url(url):
            raise ValueError("expected postgresql://USER@HOST:PORT/DATABASE")
        return without_password(url)
