"""Bytes on an asynchronous line whose two sides have different settings, bit by bit."""

from __future__ import annotations

from gauge.protocol.lineformat import SerialSettings


def _bits(data: bytes, sent: SerialSettings) -> list[int]:
    """Return start bit, data bits (lowest first), parity and stop bits of each byte."""
    bits: list[int] = []
    for byte in data:
        frame = [(byte >> i) & 1 for i in range(sent.bytesize)]
        odd = sum(frame) % 2
        parity = {"N": [], "E": [odd], "O": [1 - odd], "M": [1], "S": [0]}[sent.parity]
        bits += [0, *frame, *parity, *([1] * round(sent.stopbits))]
    return bits


def received(data: bytes, sent: SerialSettings, receiver: SerialSettings) -> bytes:
    r"""Sample the bits of `data`, sent in one burst on an idle line, as another receiver does.

    Each of the receiver's bits is sampled in its middle. Parity and stop bits are not checked, as
    on a POSIX port without INPCK: a byte with a bad stop bit is handed over, and the next start bit
    is looked for once the line is high again. A `baudrate` of None is any speed, so the other's.

    Examples
    --------
    >>> received(b"12.5", SerialSettings(bytesize=7, parity="E"), SerialSettings())
    b'\xb1\xb2.5'
    """
    if sent == receiver or not data:
        return data
    bits = _bits(data, sent)
    step = 1.0  # the receiver's bit, in the sender's bits
    if sent.baudrate and receiver.baudrate:
        step = sent.baudrate / receiver.baudrate

    def level(at: float) -> int:
        index = int(at)
        return bits[index] if index < len(bits) else 1

    out, at = bytearray(), 0.0
    n_parity = receiver.parity != "N"
    while True:
        while int(at) < len(bits) and level(at):
            at = int(at) + 1.0  # a start bit begins at an edge of the sender
        if int(at) >= len(bits):
            return bytes(out)
        out.append(sum(level(at + (1.5 + i) * step) << i for i in range(receiver.bytesize)))
        at += (1.5 + receiver.bytesize + n_parity) * step
        while int(at) < len(bits) and not level(at):
            at = int(at) + 1.0
