"""A virtual gauge on a line, at its own pace; and without a line, as a capture.

The gauge itself is in virtualgauge, the line in server. The clock of its track runs only while a
client listens, so that a berry is never pressed for nobody. A client whose settings differ from the
gauge's hears what a receiver would make of the bits.
"""

from __future__ import annotations

import threading
import time

from gauge.records import Chunk
from gauge.simulate.server import Server
from gauge.simulate.uart import Wire, heard
from gauge.simulate.virtualgauge import VirtualGauge

_LONGEST_WAIT_S = 0.02


def serve(
    end: Server,
    gauge: VirtualGauge,
    *,
    wire: Wire | None = None,
    client_wire: Wire | None = None,
    request: bytes | None = None,
    speedup: float = 1.0,
    seconds: float | None = None,
    forever: bool = False,
    linger_s: float = 10.0,
    stop: threading.Event | None = None,
) -> float:
    """Play a gauge on a line until its track is over.

    Parameters
    ----------
    end : Server
    gauge : VirtualGauge
    wire : Wire, optional
        Line settings of the gauge; without them every client hears it rightly.
    client_wire : Wire, optional
        Settings of the client, for those that the line does not tell.
    request : bytes, optional
        What a polled gauge answers to. Any other bytes are passed over.
    speedup : float, optional
        Above 1 the clock of the track runs faster than the wall's.
    seconds : float, optional
        Stop after so many seconds by the wall clock.
    forever : bool, optional
        Go on at rest when the track is over, and wait for clients without end.
    linger_s : float, optional
        Otherwise stay for so long when the track is over or the client has left before; end at
        once when both.
    stop : threading.Event, optional
        Set it to stop.

    Returns
    -------
    float
        Seconds of the track that were played.
    """
    stop = stop or threading.Event()
    began = last = time.perf_counter()
    idle_since: float | None = None  # since when there is nobody, or nothing left, to play for
    clock_s, asked = 0.0, b""
    while not stop.is_set():
        now = time.perf_counter()
        attached = end.attached()
        if attached:
            clock_s += (now - last) * speedup
        last = now
        over = clock_s > gauge.duration_s
        if seconds is not None and now - began >= seconds:
            break
        if over or (clock_s and not attached):
            idle_since = idle_since or now
            if not forever and ((over and not attached) or now - idle_since >= linger_s):
                break
        else:
            idle_since = None
        asked += end.read()
        if gauge.mode == "polled" and request:
            asked, lines = _answer(asked, request, gauge, clock_s)
        else:
            asked, lines = b"", [chunk.data for chunk in gauge.due(clock_s)]
        if attached and lines:
            received = None if wire is None else end.client_wire(client_wire or wire)
            for line in lines:
                end.write(line if wire is None else heard(line, wire, received or wire))
        next_s = (gauge.next_s - clock_s) / speedup
        end.wait(max(0.0, min(next_s, _LONGEST_WAIT_S)))
    return clock_s


def _answer(
    asked: bytes, request: bytes, gauge: VirtualGauge, clock_s: float
) -> tuple[bytes, list[bytes]]:
    lines = []
    while request in asked:
        asked = asked.partition(request)[2]
        lines.append(gauge.answer(clock_s))
    return asked[-len(request) :], lines


def recorded(gauge: VirtualGauge, *, latency_s: float = 0.0) -> list[Chunk]:
    """Play a whole track without a line, as a capture would have it.

    Parameters
    ----------
    gauge : VirtualGauge
    latency_s : float, optional
        Lines are handed over in bursts, as by a USB adapter, this far apart.

    Examples
    --------
    >>> from gauge.simulate.berrymodel import Rest, Track
    >>> from gauge.protocol.formatfile import shipped_format
    >>> from gauge.simulate.linewriter import LineWriter
    >>> writer = LineWriter(shipped_format("number-unit"))
    >>> gauge = VirtualGauge(writer=writer, track=Track([Rest(duration_s=1)]), rate_hz=5)
    >>> [chunk.t_ns // 10**6 for chunk in recorded(gauge)]
    [0, 200, 400, 600, 800, 1000]
    """
    chunks: list[Chunk] = []
    for chunk in gauge.due(gauge.duration_s):
        at = chunk.t_ns
        if latency_s:
            burst_ns = round(latency_s * 1e9)
            at = (chunk.t_ns // burst_ns + 1) * burst_ns
        if chunks and chunks[-1].t_ns == at:
            chunks[-1] = Chunk(at, chunks[-1].data + chunk.data)
        else:
            chunks.append(Chunk(at, chunk.data))
    return chunks
