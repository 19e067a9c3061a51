"""Texts that try to be more than text, and what no exit of the program may let out."""

import unicodedata

POISON = {
    "escape": "\x1b[2J\x1b]0;owned\x07\x1b]8;;http://x.example\x07link\x1b]52;c;eA==\x07",
    "every C0": "".join(map(chr, range(1, 32))) + "\x7f",
    "every C1": "".join(map(chr, range(0x80, 0xA0))),
    "nul": "a\0b",
    "bidi": "a\u202eb\u2066c\u2069d\u200fe\u061cf",
    "zero width": "a\u200bb\u200cc\ufeffd\u2060e\u00adf",
    "tags and private": "a\U000e0041b\ue000c\U0010fffdd",
    "separators": "a\u2028b\u2029c\x85d\x0be",
    "lone surrogate": "a\ud800b\udcffc",
    "stack": "Z" + "\u0335\u0489\u0316" * 30,
    "mark first": "\u0301\u0301first",
    "markup": "[/][red]x[/red][0] [@click=app.quit]x[/] [link=http://x]",
    "html": "<script>alert(1)</script><img src=x onerror=alert(1)>",
    "attribute": "\" onload=\"alert(1)\" x='1' `",
    "entity": "&lt;script&gt;&#x3c;b&#x3e;]]><!--",
    "formula": "=HYPERLINK(\"http://x.example\",\"ok\")",
    "formula +": "+1+cmd|' /C calc'!A0",
    "formula @": "@SUM(1)",
    "mail header": "x\r\nBcc: all@x.example\r\n\r\nbody",
    "wildcards": "+/#/$SYS/+",
    "path": "../../etc/passwd\0.db",
    "shell": "$(reboot) `id` ; rm -rf / | x & > y",
    "format": "%s%n%(x)s {0} {x.__class__}",
    "json": '"}],"v":{"x":[',
    "toml": '"\n[store]\npath = "/x"\n#',
    "overlong": "水" * 100_000,
}  # fmt: skip


def unsafe_in(text: str, also: str = "\n") -> list[str]:
    """Return the characters of `text` that steer, hide or reorder; those in `also` are let through.

    A terminal obeys the C0 and C1 controls (ECMA-48); bidirectional and zero-width formatting (UAX 9) and the
    like reorder or hide; a lone surrogate is no text at all. All of them are Unicode's "Other" category, the
    line and paragraph separators part lines in some readers.
    """
    bad = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    return sorted({ascii(c) for c in text if c not in also and unicodedata.category(c) in bad})


def longest_stack(text: str) -> int:
    """Return the most combining marks that stand one after another."""
    longest = count = 0
    for character in text:
        count = count + 1 if unicodedata.category(character) in {"Mn", "Me"} else 0
        longest = max(longest, count)
    return longest
