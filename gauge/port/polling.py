"""Asking a polled gauge: one request outstanding, and no reply ever taken for another's.

A reply is accepted only if it is all that came between its request and the next. Anything else
(late, doubled, unasked) is dropped, and the next request waits for a while of silence.

What this cannot promise: replies bear no number. As long as a second copy comes within
`guard_s` of the first, and a late reply within `timeout_s` + `quiet_s` of its request, none can be
taken for another's. One that is later still is caught when it meets the true reply of a later
request; it is accepted wrongly only if that reply fails at the same moment. Both waits grow when
this line shows that it needs more.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import NamedTuple

from gauge.errors import InvalidValueError

# s; a gauge whose replies are not known yet, and so cannot be told apart, is asked so often
ASK_EVERY_S = 0.1
_MARGIN = 2.0  # a reply may take so many times as long as the slowest of late
_FORGET = 0.98  # share of that slowest time that is kept from reply to reply


class Reply(NamedTuple):
    """The one reply to one request; `t_ns` is when its last byte came."""

    t_ns: int
    data: bytes


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
    quiet_s: float = 1.0  # s; of silence after a fault before the next request
    # s; each time that two replies come, both waits are doubled for good, up to these
    guard_most_s: float = 0.4
    quiet_most_s: float = 4.0

    def __post_init__(self) -> None:
        if not (self.every_s > 0 and self.timeout_s > 0 and self.guard_s > 0 and self.quiet_s > 0):
            raise InvalidValueError("the times of polling must be above zero")


class Poller:
    r"""Decide when to ask and which bytes are the reply.

    Parameters
    ----------
    terminators : tuple of bytes
        What ends a line of the gauge.
    settings : PollSettings, optional

    Examples
    --------
    >>> poller = Poller((b"\n",))
    >>> poller.step(0)  # ask now
    (True, [])
    >>> poller.received(10_000_000, b"2.37 N\n")
    >>> poller.step(60_000_000)
    (True, [Reply(t_ns=10000000, data=b'2.37 N\n')])
    """

    def __init__(
        self, terminators: tuple[bytes, ...], settings: PollSettings | None = None
    ) -> None:
        if not terminators or not all(terminators):
            raise InvalidValueError("a polled gauge needs a terminator, which ends its replies")
        self._terminators = terminators
        self.settings = settings or PollSettings()
        self._asked_ns: int | None = None
        self._buffer = bytearray()
        self._received_ns = 0
        self._guard_s, self._quiet_s = self.settings.guard_s, self.settings.quiet_s
        self._quiet_since_ns: int | None = None
        self._slowest_s = 0.0

    def received(self, t_ns: int, data: bytes) -> None:
        """Take bytes that came in."""
        if data:
            self._buffer += data
            self._received_ns = t_ns

    def step(self, now_ns: int) -> tuple[bool, list[Reply | Dropped]]:
        """Advance the clock; return whether the caller must ask now, and what came of the last."""
        out: list[Reply | Dropped] = []
        if self._asked_ns is not None:
            found = self._judge(now_ns)
            if found is None:
                return False, out
            out.append(found)
        elif self._buffer:
            # Nobody asked for these: the tail of a late or doubled reply.
            out.append(self._fault(now_ns, "bytes that no request asked for"))
        if self._quiet_since_ns is not None:
            if now_ns - self._quiet_since_ns < self._quiet_s * 1e9:
                return False, out
            self._quiet_since_ns = None
        self._asked_ns = now_ns
        return True, out

    def gap(self, now_ns: int) -> None:
        """Begin anew, as the line was interrupted and an old reply may still be on its way."""
        self._buffer.clear()
        self._asked_ns = None
        self._quiet_since_ns = now_ns

    def _judge(self, now_ns: int) -> Reply | Dropped | None:
        """Return the reply to the outstanding request, a fault, or None while it is open."""
        assert self._asked_ns is not None
        waited_s = (now_ns - self._asked_ns) / 1e9
        lines = self._lines()
        if lines > 1:
            self._guard_s = min(2 * self._guard_s, self.settings.guard_most_s)
            self._quiet_s = min(2 * self._quiet_s, self.settings.quiet_most_s)
            return self._fault(now_ns, "two replies to one request")
        if lines == 1 and self._ended():
            since_s = (now_ns - self._received_ns) / 1e9
            # Were this the double of an older reply, the true one would come as fast as usual:
            # stay until it would have.
            least_s = max(self.settings.every_s, _MARGIN * self._slowest_s)
            if waited_s < least_s or since_s < self._guard_s:
                return None
            self._slowest_s = max(waited_s - since_s, _FORGET * self._slowest_s)
            reply = Reply(self._received_ns, bytes(self._buffer))
            self._buffer.clear()
            self._asked_ns = None
            return reply
        if waited_s >= self.settings.timeout_s:
            return self._fault(now_ns, "no whole reply in time")
        return None

    def _fault(self, now_ns: int, reason: str) -> Dropped:
        since_ns = self._received_ns if self._asked_ns is None else self._asked_ns
        dropped = Dropped(since_ns, now_ns, reason, bytes(self._buffer))
        self._buffer.clear()
        self._asked_ns = None
        self._quiet_since_ns = now_ns
        return dropped

    def _ended(self) -> bool:
        return any(self._buffer.endswith(end) for end in self._terminators)

    def _lines(self) -> int:
        """Count the lines in the buffer, the last one perhaps unfinished."""
        ends = b"|".join(map(re.escape, self._terminators))
        return sum(bool(piece.strip(b"\r\n\0")) for piece in re.split(ends, self._buffer))
