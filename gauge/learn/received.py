"""Bytes received at one setting of the line."""

from __future__ import annotations

from dataclasses import dataclass

from gauge.protocol.lineformat import SerialSettings
from gauge.records import Chunk

_IDLE_NS = 30_000_000


@dataclass(frozen=True, kw_only=True)
class Received:
    r"""What was heard at one setting.

    Attributes
    ----------
    settings : SerialSettings
    chunks : tuple of Chunk
    request : bytes, optional
        What was sent to make the gauge speak.
    silent_first : bool
        Whether the line was idle before the first byte, so that it begins a line.

    Examples
    --------
    >>> said = Chunk(0, b"1.24 N"), Chunk(1_000_000, b"\r\n"), Chunk(500_000_000, b"1.30 N")
    >>> [data for _, data in Received(settings=SerialSettings(), chunks=said).bursts()]
    [b'1.24 N\r\n', b'1.30 N']
    """

    settings: SerialSettings
    chunks: tuple[Chunk, ...]
    request: bytes | None = None
    silent_first: bool = False

    @property
    def data(self) -> bytes:
        """All bytes."""
        return b"".join(chunk.data for chunk in self.chunks)

    def bursts(self) -> list[tuple[int, bytes]]:
        """When each burst began and its bytes; bursts are parted by an idle line."""
        out: list[tuple[int, bytes]] = []
        last_ns = -_IDLE_NS
        for chunk in self.chunks:
            if chunk.t_ns - last_ns >= _IDLE_NS or not out:
                out.append((chunk.t_ns, chunk.data))
            else:
                out[-1] = (out[-1][0], out[-1][1] + chunk.data)
            last_ns = chunk.t_ns
        return out
