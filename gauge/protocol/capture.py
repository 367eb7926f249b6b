r"""Capture text: every byte received and when, one chunk a line, for people and `gauge replay`.

A chunk is ``t_ns<TAB>bytes``, the bytes as printable ASCII with the escapes ``\r``, ``\n``,
``\t``, ``\\`` and ``\xNN``. Lines beginning with ``#`` are comments; one of our own kind,
``# gap FROM_NS TO_NS reason``, carries a gap.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import lru_cache
from pathlib import Path

from gauge.errors import BadCaptureError, InvalidValueError, UnreadableFileError
from gauge.outfile import refuse_irregular
from gauge.records import Chunk, Gap

# characters; a line is what came at once, a port gives some thousand bytes at most
LONGEST_LINE = 1 << 20
_KNOWN = 4096  # lines kept with their escapes: a gauge at rest shows few numbers again and again
# Printable ASCII other than the backslash, or one whole escape.
_BYTES = re.compile(r"(?:[\x20-\x5b\x5d-\x7e]|\\[rnt\\]|\\x[0-9A-Fa-f]{2})*")
_GAP = re.compile(r"# gap (\d+) (\d+) (.*)")
_TIME = re.compile(r"[0-9]{1,18}")


@lru_cache(maxsize=_KNOWN)
def escape(data: bytes) -> str:
    """Write bytes as printable ASCII."""
    return data.decode("latin-1").encode("unicode_escape").decode("ascii")


@lru_cache(maxsize=_KNOWN)
def unescape(text: str) -> bytes:
    """Read what `escape` wrote; hexadecimal digits may be of either case."""
    end = _BYTES.match(text).end()  # type: ignore[union-attr]  # matches the empty text too
    if end != len(text):
        what = f"'{text[end : end + 4]}' is no escape" if text[end] == "\\" else f"{text[end]!r}"
        raise InvalidValueError(f"character {end + 1} of the bytes: {what}")
    return text.encode("ascii").decode("unicode_escape").encode("latin-1")


def write_capture(items: Iterable[Chunk | Gap]) -> Iterator[str]:
    r"""Write chunks and gaps as lines of text, without line ends.

    Examples
    --------
    >>> for line in write_capture([Chunk(5, b"1.2\n"), Gap(9, 12, "unplugged")]):
    ...     print(line.expandtabs(4))
    5   1.2\n
    # gap 9 12 unplugged
    """
    for item in items:
        if isinstance(item, Chunk):
            yield f"{item.t_ns}\t{escape(item.data)}"
        else:
            yield f"# gap {item.from_ns} {item.to_ns} {escape(item.reason.encode())}"


def read_capture(lines: Iterable[str], name: str = "capture") -> Iterator[Chunk | Gap]:
    """Read capture text, line by line; blank lines and other comments are passed over.

    A last line without its line end is read like any other: if it was cut short, its bytes end no
    line of the gauge and so make no reading, and a cut within an escape or before the bytes is
    refused. `name` is that of the file, for messages.

    Raises
    ------
    BadCaptureError
        Naming file and line: a line without a tab, a time that is no whole number of
        nanoseconds or goes backwards, an unknown escape, a character that is not ASCII.
    """
    last = 0
    for number, line in enumerate(lines, 1):
        text = line.rstrip("\r\n")
        if not text:
            continue
        try:
            if len(text) > LONGEST_LINE:
                raise InvalidValueError(f"it is longer than {LONGEST_LINE} characters")
            item = _gap(text) if text.startswith("#") else _chunk(text)
            if item is None:
                continue
            start = item[0]
            if start < last:
                raise InvalidValueError(f"time {start} ns comes after {last} ns")
        except InvalidValueError as error:
            raise BadCaptureError(
                f"{name}, line {number}: {error.what}.",
                todo="A line is the time in ns, a tab, and the bytes with \\xNN escapes.",
            ) from None
        last = start
        yield item


def _chunk(text: str) -> Chunk:
    time, tab, data = text.partition("\t")
    if not tab:
        raise InvalidValueError("no tab between time and bytes")
    if not _TIME.fullmatch(time):
        raise InvalidValueError(f"'{time}' is not a time in whole nanoseconds")
    return Chunk(int(time), unescape(data))


def _gap(text: str) -> Gap | None:
    match = _GAP.fullmatch(text)
    if not match:
        return None
    start, end = int(match[1]), int(match[2])
    if end < start:
        raise InvalidValueError(f"a gap ends at {end} ns before it begins at {start} ns")
    try:
        return Gap(start, end, unescape(match[3]).decode())
    except UnicodeDecodeError:
        raise InvalidValueError("the reason of the gap is not UTF-8 text") from None


def load_capture(path: Path | str) -> Iterator[Chunk | Gap]:
    """Read a capture file, a line at a time and so at constant memory.

    A `BadCaptureError` also says where it is not UTF-8 text or holds no chunk at all.
    """
    path = Path(path)
    found = False
    try:
        refuse_irregular(path)
        with path.open("rb") as file:
            # Never more of a line than is refused: a line can be as long as the file.
            lines = iter(lambda: file.readline(LONGEST_LINE + 3), b"")
            for item in read_capture(_decoded(lines, path), str(path)):
                found = found or isinstance(item, Chunk)
                yield item
    except OSError as error:
        raise UnreadableFileError(
            f"{path} cannot be read: {error.strerror or error}.", todo="Give a capture file."
        ) from None
    if not found:
        raise BadCaptureError(f"{path} holds no capture: not one line of bytes.")


def _decoded(file: Iterable[bytes], path: Path) -> Iterator[str]:
    for number, raw in enumerate(file, 1):
        try:
            yield raw.decode("utf-8-sig" if number == 1 else "utf-8")
        except UnicodeDecodeError:
            raise BadCaptureError(
                f"{path}, line {number}: this is not UTF-8 text.",
                todo="Capture text is plain ASCII; other bytes are written as \\xNN.",
            ) from None
