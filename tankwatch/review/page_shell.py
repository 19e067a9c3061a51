"""What every page shares: head, style, foot, and how it is written. No scripts, no request to anywhere."""

import os
from collections.abc import Iterable
from html import escape
from pathlib import Path
from zoneinfo import ZoneInfo

from tankwatch import __version__
from tankwatch.errors import UsageError
from tankwatch.review.page_style import STYLE
from tankwatch.review.span import Span, local
from tankwatch.review.words import CAUTION
from tankwatch.safetext import safe_text

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def head(room: str, span: Span, timezone: str) -> str:
    """Return the page up to its title and the line that says which times it covers."""
    zone = ZoneInfo(timezone)
    title = escape(safe_text(f"{room}: {span.title}", 2000))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<link rel="icon" href="data:,">'
        f"<title>{title}</title><style>{STYLE}</style></head><body>\n<main><h1>{title}</h1>"
        f'<p class="soft">{local(span.from_s, zone)} to {local(span.to_s, zone)}, times in '
        f"{escape(timezone)}</p>"
    )


def foot(method: str, made_s: float, timezone: str) -> str:
    """Return how it was made, the cautions, and the end of the page."""
    return (
        f"\n<h2>How this was made</h2><p>{escape(method)}</p></main>"
        f"\n<footer><p>{escape(CAUTION)}</p>"
        f'<p class="soft">Made by tankwatch {escape(__version__)} on {local(made_s, ZoneInfo(timezone))}.</p>'
        "</footer></body></html>\n"
    )


def write_pieces(pieces: Iterable[str], path: Path) -> None:
    """Write a page to `path`; an existing file is replaced only when the new one is whole.

    Raises:
        UsageError: it cannot be written.
    """
    partial = path.with_name(path.name + ".partial")
    try:
        partial.write_text("".join(pieces), encoding="utf-8")
        os.replace(partial, path)
    except OSError as error:
        raise UsageError(f"{path}: the page cannot be written: {error.strerror}") from error
    finally:
        partial.unlink(missing_ok=True)
