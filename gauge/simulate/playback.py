"""A virtual gauge on a line, bit by bit and at its own pace; or without a line, as a capture."""

from __future__ import annotations

import itertools
import threading
import time

from gauge.protocol.lineformat import SerialSettings
from gauge.records import Chunk
from gauge.simulate.server import Server
from gauge.simulate.virtualgauge import VirtualGauge

_LONGEST_WAIT_S = 0.02


def serve(
    server: Server,
    gauge: VirtualGauge,
    *,
    client: SerialSettings | None = None,
    speedup: float = 1.0,
    seconds: float | None = None,
    forever: bool = False,
    linger_s: float = 10.0,
    stop: threading.Event | None = None,
) -> float:
    """Play a gauge on a line until its track is over; return the seconds of it that were played.

    The clock of the track runs only while a client listens, so that a berry is never pressed for
    nobody. A polled gauge answers the request of its format, and passes over any other bytes.

    A client with other settings than the gauge's format receives what the bits give; `client` are
    its settings, where the line does not show them. With a `speedup` above 1 the clock of the track
    runs faster than the wall's. It ends after `seconds` by the wall clock, or when `stop` is set;
    else, when the track is over or the client has left before, after `linger_s`, and at once when
    both. With `forever` it goes on at rest, and waits for clients without end.
    """
    stop = stop or threading.Event()
    fmt = gauge.writer.fmt
    began = last = time.perf_counter()
    idle_since: float | None = None  # since when there is nobody, or nothing left, to play for
    clock_s, asked = 0.0, b""
    while not stop.is_set():
        now = time.perf_counter()
        attached = server.attached()
        if attached:
            clock_s += (now - last) * speedup
        last = now
        over = clock_s > gauge.track.duration_s
        if seconds is not None and now - began >= seconds:
            break
        if over or (clock_s and not attached):
            idle_since = idle_since or now
            if not forever and ((over and not attached) or now - idle_since >= linger_s):
                break
        else:
            idle_since = None
        asked += server.read()
        if fmt.mode == "polled" and fmt.request:
            *requests, rest = asked.split(fmt.request)
            asked = rest[-len(fmt.request) :]
            lines = [gauge.line(clock_s) for _ in requests]
        else:
            asked, lines = b"", [chunk.data for chunk in gauge.sent_until(clock_s)]
        if attached and lines:
            receiver = server.client_settings(client or fmt.settings)
            for line in lines:
                server.write(received(line, fmt.settings, receiver))
        next_s = (gauge.next_s - clock_s) / speedup
        server.wait(max(0.0, min(next_s, _LONGEST_WAIT_S)))
    return clock_s


def recorded(gauge: VirtualGauge, *, latency_s: float = 0.0) -> list[Chunk]:
    """Play a whole track without a line, as a capture would have it.

    Lines are handed over in bursts `latency_s` apart, as by a USB adapter.
    """
    chunks = gauge.sent_until(gauge.track.duration_s)
    if not latency_s:
        return chunks
    burst_ns = round(latency_s * 1e9)
    bursts = itertools.groupby(chunks, lambda chunk: (chunk.t_ns // burst_ns + 1) * burst_ns)
    return [Chunk(at, b"".join(chunk.data for chunk in burst)) for at, burst in bursts]


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
