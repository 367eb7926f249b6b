"""What a receiver hears of an asynchronous line when its settings differ from the sender's.

Bit by bit: start bit, data bits (lowest first), parity, stop bits, sampled in the middle of each
of the receiver's bits. Pure; no port is touched.
"""

from __future__ import annotations

from dataclasses import dataclass

from gauge.errors import InvalidValueError


@dataclass(frozen=True, kw_only=True, slots=True)
class Wire:
    """Settings of one side of an asynchronous line.

    `parity` is "N", "E" or "O"; `bytesize` 7 or 8; `stopbits` 1 or 2.
    """

    baudrate: int = 9600
    bytesize: int = 8
    parity: str = "N"
    stopbits: float = 1

    def __post_init__(self) -> None:
        if (
            self.baudrate <= 0
            or self.bytesize not in (7, 8)
            or self.parity not in ("N", "E", "O")
            or self.stopbits not in (1, 1.5, 2)
        ):
            raise InvalidValueError(f"impossible line settings: {self}")


def _bits(data: bytes, sent: Wire) -> list[int]:
    bits: list[int] = []
    for byte in data:
        frame = [(byte >> i) & 1 for i in range(sent.bytesize)]
        parity = [] if sent.parity == "N" else [(sum(frame) + (sent.parity == "O")) % 2]
        bits += [0, *frame, *parity, *([1] * round(sent.stopbits))]
    return bits


def heard(data: bytes, sent: Wire, received: Wire) -> bytes:
    r"""Bytes that a receiver makes of `data`, which went out in one burst on an idle line.

    Parity and stop bits are not checked, as on a POSIX port without INPCK: a byte with a bad stop
    bit is handed over, and the next start bit is looked for once the line is high again.

    Examples
    --------
    >>> heard(b"12.5", Wire(bytesize=7, parity="E"), Wire())
    b'\xb1\xb2.5'
    >>> heard(b"12.5", Wire(parity="E"), Wire())
    b'12.5'
    """
    if sent == received:
        return data
    if not data:
        return b""
    bits = _bits(data, sent)
    step = sent.baudrate / received.baudrate  # the receiver's bit, in the sender's bits

    def level(at: float) -> int:
        index = int(at)
        return bits[index] if index < len(bits) else 1

    out, at = bytearray(), 0.0
    n_parity = received.parity != "N"
    while True:
        while int(at) < len(bits) and level(at):
            at = int(at) + 1.0  # a start bit begins at an edge of the sender
        if int(at) >= len(bits):
            return bytes(out)
        out.append(sum(level(at + (1.5 + i) * step) << i for i in range(received.bytesize)))
        at += (1.5 + received.bytesize + n_parity) * step
        while int(at) < len(bits) and not level(at):
            at = int(at) + 1.0
