"""Which configuration file a command uses when none is named."""

import os
from pathlib import Path

from tankwatch.errors import ConfigError

VARIABLE = "TANKWATCH_CONFIG"
AS_VARIABLE = "TANKWATCH_AS"
"""Names which watch of a split room is meant, where no `--as` does."""
FILE_NAME = "tankwatch.toml"


def find_config(named: Path | None) -> Path:
    """Return the file named on the command line, else by the environment, else where such files live.

    Raises:
        ConfigError: there is none.
    """
    if named is not None:
        return named
    if os.environ.get(VARIABLE):
        return Path(os.environ[VARIABLE])
    base = os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config"
    places = (Path(FILE_NAME), Path(base) / "tankwatch" / FILE_NAME)
    for place in places:
        if place.is_file():
            return place
    raise ConfigError(
        f"no configuration file: looked for {' and '.join(str(place) for place in places)}; "
        f"name one, set {VARIABLE}, or begin with: tankwatch demo"
    )
