"""Asking a polled gauge: one request outstanding, and no reply ever taken for another's.

A reply is accepted only if it is all that came between its request and the next. Anything else
(late, doubled, unasked) is dropped: it costs its sample. A request without a reply costs a wait,
until no late reply of it can come. How late this line's replies come is learned: the first waits
are long, later ones as long as the latest reply ever seen makes them.

What this cannot promise: replies bear no number. As long as a second copy comes within `guard_s` of
the first, and a late reply within the wait, none can be taken for another's. One that is later
still is caught when it meets the true reply of a later request, and both waits grow; it is accepted
wrongly only if that reply fails at the same moment.
"""

from __future__ import annotations

import re
from collections import deque
from dataclasses import dataclass
from typing import NamedTuple

from gauge.records import Chunk

# s; time between requests while the replies are not known yet
ASK_EVERY_S = 0.1
_MARGIN = 2.0  # a reply may take so many times as long as is usual
_USUAL = (
    32  # replies; the third slowest of the last so many is usual, so that few slow ones are not
)
_WAITED = 6  # requests without a reply, waited for long, after which the latest reply is known
_PATIENCE = 3.0  # a reply may yet come so many times as late as the latest ever,
_LATER = 1.2  # where that is long already, so many times


class Dropped(NamedTuple):
    """Bytes that belong to no one request for certain, or a request without a reply."""

    from_ns: int
    to_ns: int
    reason: str
    data: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class PollSettings:
    """Times of polling."""

    every_s: float = 0.04  # s; shortest time from one request to the next
    timeout_s: float = 0.5  # s; a reply that has not ended by then is dropped when it comes
    guard_s: float = 0.03  # s; so long a second reply may follow before the first is accepted
    quiet_s: float = 1.0  # s; of silence after that before the next request, until it is known
    least_s: float = 0.1  # s; shortest wait for a reply, however fast they are
    # s; what the line can make of both waits
    guard_most_s: float = 0.4
    quiet_most_s: float = 4.0


class Poller:
    r"""Decide when to ask and which bytes are the reply: a `Chunk` at the time of its last byte.

    Any of the `terminators` ends a line of the gauge.

    Examples
    --------
    >>> poller = Poller((b"\n",))
    >>> poller.step(0)  # ask now
    (True, [])
    >>> poller.received(10_000_000, b"2.37 N\n")
    >>> poller.step(60_000_000)
    (True, [Chunk(t_ns=10000000, data=b'2.37 N\n')])
    """

    def __init__(
        self, terminators: tuple[bytes, ...], settings: PollSettings | None = None
    ) -> None:
        self._terminators = terminators
        self.settings = settings or PollSettings()
        self._asked_ns: int | None = None
        self._buffer = bytearray()
        self._began_ns = self._received_ns = 0  # when the first and the last bytes in it came
        self._guard_s = self.settings.guard_s
        self._until_ns: int | None = None  # end of a wait
        self._unanswered_ns = 0  # the last request without a reply
        self._n_unanswered = 0
        self._latest_s = 0.0
        self._took_s: deque[float] = deque(maxlen=_USUAL)

    @property
    def _wait_s(self) -> float:
        """How long after its request a reply may come, asked for or not."""
        first_s = self.settings.timeout_s + self.settings.quiet_s
        least_s = self.settings.least_s if self._n_unanswered >= _WAITED else first_s
        wait_s = max(least_s, min(_PATIENCE * self._latest_s, first_s), _LATER * self._latest_s)
        return min(wait_s, self.settings.timeout_s + self.settings.quiet_most_s)

    def received(self, t_ns: int, data: bytes) -> None:
        """Take bytes that came in."""
        if data:
            self._began_ns = self._began_ns if self._buffer else t_ns
            self._buffer += data
            self._received_ns = t_ns

    def step(self, now_ns: int) -> tuple[bool, list[Chunk | Dropped]]:
        """Advance the clock; return whether the caller must ask now, and what came of the last."""
        out: list[Chunk | Dropped] = []
        if self._asked_ns is not None:
            found = self._judge(now_ns)
            if found is None:
                return False, out
            out.append(found)
        elif self._buffer:
            # Nobody asked for these: the tail of a late or doubled reply.
            self._was_late()
            out.append(self._fault(now_ns, self._wait_s, "bytes that no request asked for"))
        if self._until_ns is not None:
            if now_ns < self._until_ns:
                return False, out
            self._until_ns = None
        self._asked_ns = now_ns
        return True, out

    def gap(self, now_ns: int) -> None:
        """Begin anew, as the line was interrupted and an old reply may still be on its way."""
        self._buffer.clear()
        self._asked_ns = None
        self._until_ns = now_ns + round(self.settings.quiet_s * 1e9)

    def _judge(self, now_ns: int) -> Chunk | Dropped | None:
        """Return the reply to the outstanding request, a fault, or None while it is open."""
        assert self._asked_ns is not None
        waited_s = (now_ns - self._asked_ns) / 1e9
        lines = self._lines()
        if len(lines) > 1:
            return self._two(now_ns, alike=len(set(lines)) == 1)
        if lines and self._buffer.endswith(self._terminators):
            since_s = (now_ns - self._received_ns) / 1e9
            # Were this the double of an older reply, the true one would come as fast as usual:
            # stay until it would have.
            usual_s = sorted(self._took_s)[-3:][0] if self._took_s else 0.0
            least_s = max(self.settings.every_s, _MARGIN * usual_s)
            if waited_s < least_s or since_s < self._guard_s:
                return None
            self._took_s.append(waited_s - since_s)
            self._latest_s = max(waited_s - since_s, self._latest_s)
            reply = Chunk(self._received_ns, bytes(self._buffer))
            self._buffer.clear()
            self._asked_ns = None
            return reply
        if waited_s >= min(self.settings.timeout_s, self._wait_s):
            self._unanswered_ns, left_s = self._asked_ns, self._wait_s - waited_s
            self._n_unanswered += 1
            return self._fault(now_ns, left_s, "no whole reply in time")
        return None

    def _two(self, now_ns: int, *, alike: bool) -> Dropped:
        """Drop two replies: one doubled within the guard, or a late one that met the true one."""
        if alike:
            apart_s = _MARGIN * (self._received_ns - self._began_ns) / 1e9
            self._guard_s = max(self._guard_s, min(apart_s, self.settings.guard_most_s))
            return self._fault(now_ns, self._guard_s, "two replies to one request")
        self._was_late()
        self._guard_s = min(2 * self._guard_s, self.settings.guard_most_s)
        return self._fault(now_ns, self._wait_s, "two replies to one request")

    def _was_late(self) -> None:
        """Learn from bytes that came too late for the last request without a reply."""
        late_s = (self._received_ns - self._unanswered_ns) / 1e9
        if late_s <= self.settings.timeout_s + self.settings.quiet_most_s:  # else a second copy
            self._latest_s = max(self._latest_s, late_s)

    def _fault(self, now_ns: int, wait_s: float, reason: str) -> Dropped:
        since_ns = self._received_ns if self._asked_ns is None else self._asked_ns
        dropped = Dropped(since_ns, now_ns, reason, bytes(self._buffer))
        self._buffer.clear()
        self._asked_ns = None
        self._until_ns = now_ns + round(wait_s * 1e9)
        return dropped

    def _lines(self) -> list[bytes]:
        """Return the lines in the buffer, the last one perhaps unfinished."""
        ends = b"|".join(map(re.escape, self._terminators))
        pieces = (piece.strip(b"\r\n\0") for piece in re.split(ends, self._buffer))
        return [piece for piece in pieces if piece]
