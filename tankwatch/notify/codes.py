"""Acknowledging from afar: short codes to type, and signed tokens that expire, for programs.

The key lies in a file of its own beside the store, mode 0600: copies and exports of the store lack it.
"""

import base64
import binascii
import errno
import hashlib
import hmac
import json
import logging
import os
import secrets
import stat
from dataclasses import dataclass
from pathlib import Path

from tankwatch.control.peer import is_trusted
from tankwatch.errors import StoreError, UsageError

_log = logging.getLogger(__name__)

CODE_LENGTH = 6
_CODE_LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Without those that look or sound like another."""
_KEY_BYTES = 32
MAX_TOKEN_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Permit:
    """What a code or token lets its bearer do."""

    alarms: tuple[int, ...]
    person: str
    expires_s: float
    """Seconds since 1970 UTC."""


class Signer:
    """Makes codes and tokens with one key, and reads tokens back."""

    def __init__(self, key: bytes) -> None:
        """Sign with `key`, 32 bytes."""
        self._key = key

    def code(self, message_id: str) -> str:
        """Return the short code of a message."""
        number = int.from_bytes(self._digest(b"code", message_id.encode())[:8], "big")
        letters = []
        for _ in range(CODE_LENGTH):
            number, index = divmod(number, len(_CODE_LETTERS))
            letters.append(_CODE_LETTERS[index])
        return "".join(letters)

    def token(self, permit: Permit) -> str:
        """Return a token that grants `permit`."""
        fields = {"a": list(permit.alarms), "p": permit.person, "x": int(permit.expires_s)}
        body = _text(json.dumps(fields, separators=(",", ":")).encode())
        return f"1.{body}.{_text(self._digest(b'token', body.encode())[:16])}"

    def read_token(self, token: str, now_s: float) -> Permit:
        """Return what `token` grants.

        Raises:
            UsageError: it was not made here, was changed, or has expired.
        """
        if not token.isascii():
            raise UsageError("this token was not made by this watch, or was changed on its way")
        version, _, rest = token.strip().partition(".")
        body, _, signature = rest.partition(".")
        wanted = _text(self._digest(b"token", body.encode())[:16])
        if version != "1" or not hmac.compare_digest(signature.encode(), wanted.encode()):
            raise UsageError("this token was not made by this watch, or was changed on its way")
        try:
            fields = json.loads(base64.urlsafe_b64decode(body + "=" * (-len(body) % 4)))
        except (ValueError, binascii.Error) as error:
            raise UsageError("this token cannot be read") from error
        if now_s > fields["x"]:
            raise UsageError("this token has expired; acknowledge on the screen")
        return Permit(tuple(fields["a"]), fields["p"], float(fields["x"]))

    def _digest(self, purpose: bytes, data: bytes) -> bytes:
        return hmac.new(self._key, purpose + b"\0" + data, hashlib.sha256).digest()


def tidy_code(text: str) -> str:
    """Return a code as typed by someone half awake in the form it was made."""
    return "".join(text.split()).replace("-", "").upper()


def load_signer(store: Path) -> Signer:
    """Return the signer of the store at `store`; its key is made at the first start.

    Raises:
        StoreError: the key file can be neither read nor made.
    """
    path = store.with_name(store.name + ".key")
    try:
        try:
            file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        except FileExistsError:
            key = _kept_key(path)
        else:
            key = secrets.token_bytes(_KEY_BYTES)
            with os.fdopen(file, "wb") as stream:
                stream.write(key)
        if len(key) != _KEY_BYTES:  # cut short by a power cut, or not ours alone
            path.unlink()  # codes given out before are void
            return load_signer(store)
    except OSError as error:
        raise StoreError(f"{path}: the key of acknowledgement codes: {error.strerror}") from error
    return Signer(key)


def _kept_key(path: Path) -> bytes:
    """Return the key in the file at `path`; nothing if anybody else may have read or made it.

    A link is not followed. A watch must start all the same, so such a key is given up, not the start.
    """
    try:
        file = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        if error.errno != errno.ELOOP:
            raise
        _log.warning("%s is a link: replaced by a new key; codes given out before are void", path)
        return b""
    with os.fdopen(file, "rb") as stream:
        found = os.fstat(stream.fileno())
        mode = stat.S_IMODE(found.st_mode)
        if not is_trusted(found.st_uid) or mode & 0o077:
            _log.warning(
                "%s belonged to user %d with mode %04o, so others may know it: replaced by a new key; "
                "codes given out before are void",
                path,
                found.st_uid,
                mode,
            )
            return b""
        return stream.read(_KEY_BYTES + 1)


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")
