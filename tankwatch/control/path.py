"""Where the control socket of a store lives: in a folder that belongs to this user alone."""

import hashlib
import os
import re
import stat
import tempfile
from pathlib import Path

from tankwatch.config import Config
from tankwatch.errors import ControlError

# The shortest limit on the length of a Unix socket's path among common systems (sun_path, unix(7)).
_MAX_PATH_BYTES = 103


def socket_path(config: Config) -> Path:
    """Return the path of the control socket of the watch over `config.store.path`.

    The name is made from the resolved path of the store, so that each store has a socket of its own and
    every way of naming the same store finds the same one. A socket that is there already is found in any of
    the folders: a login may have a runtime folder where the watch had none. The folder is not created here.
    """
    store = config.store.path.resolve()
    stem = re.sub(r"[^A-Za-z0-9_-]", "-", store.stem)[:16]
    digest = hashlib.sha256(os.fsencode(store)).hexdigest()[:12]
    name = f"{stem}-{digest}.sock"
    paths = [folder / name for folder in _runtime_folders()]
    fitting = [path for path in paths if _fits(path)] or paths[:1]
    return next((path for path in fitting if os.path.exists(path)), fitting[0])


def _runtime_folders() -> list[Path]:
    """Return where sockets may lie, best first: below $XDG_RUNTIME_DIR, or per user in a temporary folder."""
    own = f"tankwatch-{os.getuid()}"
    folders = [Path(tempfile.gettempdir()) / own, Path("/tmp") / own]  # noqa: S108 (its owner and mode are checked)
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    if runtime and os.path.isabs(runtime) and os.access(runtime, os.W_OK | os.X_OK):
        folders.insert(0, Path(runtime) / "tankwatch")
    return folders


def _fits(path: Path) -> bool:
    return len(os.fsencode(path)) <= _MAX_PATH_BYTES


def prepare_folder(path: Path) -> None:
    """Create the folder of the socket `path` with mode 0700, and make sure that it is ours alone.

    Raises:
        ControlError: the folder cannot be made, or someone else could have put things there.
    """
    folder = path.parent
    if not _fits(path):
        raise ControlError(
            f"{path}: too long for a Unix socket ({_MAX_PATH_BYTES} bytes); "
            "set XDG_RUNTIME_DIR to a folder with a shorter path"
        )
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.lstat()
    except OSError as error:
        raise ControlError(f"{folder}: cannot be made: {error.strerror}; set XDG_RUNTIME_DIR") from error
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid():
        raise ControlError(f"{folder}: belongs to someone else; remove it, or set XDG_RUNTIME_DIR")
    if stat.S_IMODE(found.st_mode) & 0o077:
        raise ControlError(f"{folder}: open to others; run: chmod 700 {folder}")
