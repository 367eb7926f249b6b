"""Asking a polled gauge: one request outstanding, and no reply ever taken for another's.

A pure state machine on a clock that is handed in; `port` does the reading and writing. A reply is
believed only if it is the only thing heard between its request and the next. Anything else (late,
doubled, unasked) is dropped, and the next request waits until the line was quiet for a while.

What this can and cannot promise: replies bear no number. As long as a second copy comes within
`guard_s` of the first, and a late reply within `timeout_s` + `quiet_s` of its request, none can be
taken for another's. One that is later still is caught when it meets the true reply of a later
request; it is believed wrongly only if that reply fails at the same moment. Both waits grow when
this line shows that it needs more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from gauge.errors import InvalidValueError

_MARGIN = 2.0  # a reply may take so many times as long as the slowest of late
_FORGET = 0.98  # how much of that slowest time is kept from reply to reply


class Reply(NamedTuple):
    """The one reply to one request; `t_ns` is when its last byte was heard."""

    t_ns: int
    data: bytes


class Dropped(NamedTuple):
    """Bytes that cannot be told to belong to one request, or a request without a reply."""

    from_ns: int
    to_ns: int
    reason: str
    data: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class PollSettings:
    """Times of polling, in seconds.

    Attributes
    ----------
    every_s : float
        Shortest time from one request to the next.
    timeout_s : float
        A reply that has not ended by then is late: it will be dropped when it comes.
    guard_s : float
        After a reply, listen at least so long for a second one before it is believed.
    quiet_s : float
        After a fault, ask again only when nothing was heard for so long.
    guard_most_s, quiet_most_s : float
        Each time that a second or unasked reply comes, both waits are doubled for good, up to
        these.
    """

    every_s: float = 0.04
    timeout_s: float = 0.5
    guard_s: float = 0.03
    quiet_s: float = 1.0
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
    >>> poller.received(10_000_000, b"1.24 N\n")
    >>> poller.step(60_000_000)
    (True, [Reply(t_ns=10000000, data=b'1.24 N\n')])
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
        self._heard_ns = 0
        self._guard_s, self._quiet_s = self.settings.guard_s, self.settings.quiet_s
        self._quiet_since_ns: int | None = None
        self._slowest_s = 0.0

    def received(self, t_ns: int, data: bytes) -> None:
        r"""Take bytes that came in.

        Examples
        --------
        >>> poller = Poller((b"\n",))
        >>> poller.received(0, b"1.24 N\n")
        >>> ask, [dropped] = poller.step(1_000_000)
        >>> ask, dropped.reason
        (False, 'bytes that no request asked for')
        """
        if data:
            self._buffer += data
            self._heard_ns = t_ns

    def step(self, now_ns: int) -> tuple[bool, list[Reply | Dropped]]:
        r"""Advance the clock.

        Returns
        -------
        ask : bool
            Whether to send the request now; the caller must.
        out : list of Reply or Dropped

        Examples
        --------
        >>> poller = Poller((b"\n",))
        >>> poller.step(0)
        (True, [])
        >>> poller.step(10_000_000)  # the reply may still come
        (False, [])
        """
        out: list[Reply | Dropped] = []
        if self._asked_ns is not None:
            verdict = self._judge(now_ns)
            if verdict is None:
                return False, out
            out.append(verdict)
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
        """Begin anew: the line was interrupted, and an old reply may still be on its way."""
        self._buffer.clear()
        self._asked_ns = None
        self._quiet_since_ns = now_ns

    def _judge(self, now_ns: int) -> Reply | Dropped | None:
        """The reply to the outstanding request, a fault, or None while it is open."""
        assert self._asked_ns is not None
        waited_s = (now_ns - self._asked_ns) / 1e9
        lines = self._lines()
        if lines > 1:
            self._guard_s = min(2 * self._guard_s, self.settings.guard_most_s)
            self._quiet_s = min(2 * self._quiet_s, self.settings.quiet_most_s)
            return self._fault(now_ns, "two replies to one request")
        if lines == 1 and self._ended():
            since_s = (now_ns - self._heard_ns) / 1e9
            # Were this the double of an older reply, the true one would come as fast as usual:
            # stay until it would have.
            least_s = max(self.settings.every_s, _MARGIN * self._slowest_s)
            if waited_s < least_s or since_s < self._guard_s:
                return None
            self._slowest_s = max(waited_s - since_s, _FORGET * self._slowest_s)
            reply = Reply(self._heard_ns, bytes(self._buffer))
            self._buffer.clear()
            self._asked_ns = None
            return reply
        if waited_s >= self.settings.timeout_s:
            return self._fault(now_ns, "no whole reply in time")
        return None

    def _fault(self, now_ns: int, reason: str) -> Dropped:
        dropped = Dropped(
            self._asked_ns if self._asked_ns is not None else self._heard_ns,
            now_ns,
            reason,
            bytes(self._buffer),
        )
        self._buffer.clear()
        self._asked_ns = None
        self._quiet_since_ns = now_ns
        return dropped

    def _ended(self) -> bool:
        return any(self._buffer.endswith(end) for end in self._terminators)

    def _lines(self) -> int:
        """How many lines the buffer holds, the last one perhaps unfinished."""
        data = bytes(self._buffer)
        for end in self._terminators:
            data = data.replace(end, b"\0\n\0")
        return sum(1 for piece in data.split(b"\0\n\0") if piece.strip(b"\r\n\0"))
