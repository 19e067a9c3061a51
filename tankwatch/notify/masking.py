"""Nothing secret in messages, logs and error texts: URLs lose all but scheme and host."""

import re

_URL = re.compile(r"\b([A-Za-z][A-Za-z0-9+.-]{0,30})://([^\s\"'<>]+)")
_FIELD = re.compile(
    r"(?i)\b(pass(?:word|wd)?|token|secret|api[_-]?key|authorization|bearer)(\"?'?\s*[=:]\s*|\s+)"
    r"(\"[^\"]*\"|'[^']*'|[^\s,;&]+)"
)
_REPEATED_PATH = re.compile(r"(?i)(with url: )(\S+)")


def mask_secrets(text: str, secrets: tuple[str, ...] = ()) -> str:
    """Return `text` without what may be secret.

    Of a URL only scheme, host and port stay: services carry tokens in user, path and query alike. Words
    after `password=`, `token:` and their like go, and so does every text in `secrets`.
    """
    for secret in sorted(secrets, key=len, reverse=True):
        if len(secret) >= 4:
            text = text.replace(secret, "***")
    text = _URL.sub(_without_secrets, text)
    text = _REPEATED_PATH.sub(r"\1***", text)
    return _FIELD.sub(lambda found: f"{found[1]}{found[2]}***", text)


def masked_url(url: str) -> str:
    """Return scheme, host and port of `url`, the rest masked."""
    return mask_secrets(url.strip())


def secrets_of_url(url: str) -> tuple[str, ...]:
    """Return the parts of `url` that may turn up by themselves in an error text."""
    _, _, rest = url.partition("://")
    place, _, query = rest.partition("?")
    user, at, path = place.rpartition("@")
    parts = [url, rest, *re.split(r"[:@]", user), *(path if at else place).split("/")[1:]]
    parts += [pair.partition("=")[2] for pair in query.split("&")]
    return tuple(part for part in parts if len(part) >= 4)


def _without_secrets(found: re.Match[str]) -> str:
    scheme, rest = found[1], found[2]
    place = re.split(r"[/?#]", rest, maxsplit=1)[0]
    user, at, host = place.rpartition("@")
    if scheme.lower() in _HOSTED:
        shown = f"***@{host}" if user or at else host
        return f"{scheme}://{shown}" + ("/***" if len(rest) > len(place) else "")
    return f"{scheme}://***"


_HOSTED = frozenset({"http", "https", "mqtt", "mqtts", "mailto", "mailtos", "json", "jsons", "smtp", "smtps"})
"""Schemes whose host is a host; in others a token may stand in its place."""
