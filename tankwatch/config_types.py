"""What all tables of the configuration file share."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

ID = Annotated[str, Field(pattern=r"^[A-Za-z0-9_.-]{1,64}$")]
CLOCK_TIME = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$|^24:00$")]
NAME = Annotated[str, Field(min_length=1, max_length=80)]
# Strict: "120" and true are no numbers, and "yes" is no truth value, here as in TOML.
BOOL = Annotated[bool, Field(strict=True)]
FLOAT = Annotated[float, Field(strict=True, allow_inf_nan=False)]


class Table(BaseModel):
    """Common rules of every table: unknown keys refused, values never changed after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)
