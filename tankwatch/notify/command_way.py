"""A program of the keeper's own: an argument list, never a shell; data by environment and standard input."""

import contextlib
import os
import signal
import subprocess

from tankwatch.config_notify import CommandWayConfig
from tankwatch.errors import DeliveryError
from tankwatch.notify.masking import mask_secrets
from tankwatch.notify.message import LONGEST_TEXT, Message
from tankwatch.notify.way import Way
from tankwatch.safetext import safe_json, safe_text

_PASSED_ON = ("PATH", "HOME", "LANG", "LC_ALL", "TZ", "USER", "XDG_RUNTIME_DIR")
"""Of the watch's own environment: its secrets stay with it."""


class CommandWay(Way):
    """Runs the program once for each message; exit status 0 confirms it."""

    def __init__(self, config: CommandWayConfig) -> None:
        """Prepare; nothing is run."""
        self.way_id = config.id
        self._command = list(config.command)
        self._timeout_s = config.timeout_s

    def send(self, message: Message) -> None:
        """Run the program.

        Raises:
            DeliveryError: it cannot be started, took too long, or ended with another status than 0.
        """
        data = safe_json(message.as_json()).encode()
        try:
            process = subprocess.Popen(  # noqa: S603 (the keeper's own program, and never a shell)
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                env=_environment(message),
                start_new_session=True,
            )
        except OSError as error:
            raise DeliveryError(f"way {self.way_id}: {self._command[0]}: {error.strerror}") from error
        try:
            _, told = process.communicate(data, timeout=self._timeout_s)
        except subprocess.TimeoutExpired as error:
            _end_group(process)
            raise DeliveryError(
                f"way {self.way_id}: {self._command[0]} took longer than {self._timeout_s:g} s"
            ) from error
        except BaseException:
            _end_group(process)
            raise
        if process.returncode != 0:
            last = told.decode("utf-8", "replace").strip().splitlines()[-1:] or [""]
            raise DeliveryError(
                f"way {self.way_id}: {self._command[0]} ended with status {process.returncode} "
                f"{safe_text(mask_secrets(last[0]), 200)}".rstrip()
            )


def _environment(message: Message) -> dict[str, str]:
    kept = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}
    return kept | {
        "TANKWATCH_MESSAGE_ID": message.message_id,
        "TANKWATCH_PERSON": message.person,
        "TANKWATCH_KIND": message.kind.value,
        "TANKWATCH_PRIORITY": message.priority.value,
        "TANKWATCH_TITLE": safe_text(message.title, LONGEST_TEXT),
        "TANKWATCH_TEXT": safe_text(message.text, LONGEST_TEXT),
        "TANKWATCH_TANKS": " ".join(message.tanks),
        "TANKWATCH_CODE": message.code or "",
    }


def _end_group(process: "subprocess.Popen[bytes]") -> None:
    """End the program and what it started: it leads a session of its own."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.communicate()
