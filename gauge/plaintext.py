"""Characters that a terminal acts on: refused where text comes in, escaped where it goes out."""

from __future__ import annotations

import re

# C0, delete, C1, and what turns the direction of text round (Unicode's bidirectional controls)
_ACTED_ON = r"\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069"
_UNSAFE = re.compile(f"[{_ACTED_ON}]")
# Halves of a character stand for bytes of an argument that are not UTF-8. What has neither width
# nor ink comes in by copying, and makes two names of one.
_UNSEEN = r"\u00ad\u200b\u200e\u200f\u2060\ufeff"
_NO_TEXT = re.compile(f"[{_ACTED_ON}{_UNSEEN}\\ud800-\\udfff]")
_NOT_SEEN = re.compile(f"[{_UNSEEN}]")


def control_in(text: str) -> str | None:
    r"""Return the first character that no name or reason may hold; None where all is well.

    Examples
    --------
    >>> control_in("R-114"), control_in("bell " + chr(7))
    (None, '\x07')
    """
    found = _NO_TEXT.search(text)
    return found.group() if found else None


def seen(text: str) -> str:
    """Return a text without surrounding blanks and without characters that nobody sees.

    Examples
    --------
    >>> seen(" ines" + chr(0x200B))
    'ines'
    """
    return (text if text.isascii() else _NOT_SEEN.sub("", text)).strip()


def printable(text: str, keep: str = "\n\t") -> str:
    """Return a text in which what a terminal would act on, but for `keep`, is an escape."""

    def escaped(found: re.Match[str]) -> str:
        char = found.group()
        return char if char in keep else char.encode("unicode_escape").decode()

    return _UNSAFE.sub(escaped, text)


def plural(n: int, noun: str) -> str:
    """Write a count and its noun.

    Examples
    --------
    >>> plural(1, "sample"), plural(2, "berry"), plural(4, "day")
    ('1 sample', '2 berries', '4 days')
    """
    if n == 1:
        return f"1 {noun}"
    return (
        f"{n} {noun[:-1]}ies" if noun.endswith("y") and noun[-2] not in "aeou" else f"{n} {noun}s"
    )
