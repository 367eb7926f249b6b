"""A polled gauge on a clock of its own, whose replies are late, doubled, cut or missing."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from gauge.port.polling import Dropped, Poller, PollSettings
from gauge.records import Chunk

_MS = 1_000_000


@dataclass
class Seen:
    """What came of so many requests."""

    asked: int = 0
    faulty: int = 0
    accepted: int = 0
    misattributed: int = 0
    dropped: int = 0
    seconds: float = 0.0
    asked_ns: list[int] = field(default_factory=list)
    replies: list[tuple[int, int]] = field(default_factory=list)
    """When each reply came that was accepted, and the number that it bore."""


def poll_faulty_gauge(
    rng: random.Random,
    n: int,
    *,
    late_ms: int,
    double_ms: int,
    settings: PollSettings,
    share: float = 0.5,
) -> Seen:
    """Send `n` requests, a share of which meet a fault.

    Each reply bears the number of its request, so that a misattributed one shows. A late reply
    ends up to `late_ms` after its request, a second copy comes up to `double_ms` after the first.
    """
    poller = Poller((b"\r\n",), settings)
    coming: list[tuple[int, bytes]] = []
    now_ns, seen = 0, Seen()
    while seen.asked < n or coming:
        now_ns += 5 * _MS
        for _, data in sorted(item for item in coming if item[0] <= now_ns):
            poller.received(now_ns, data)
        coming = [item for item in coming if item[0] > now_ns]
        outstanding = seen.asked
        ask, out = poller.step(now_ns)
        for item in out:
            if isinstance(item, Chunk):
                seen.accepted += 1
                seen.misattributed += int(item.data) != outstanding
                seen.replies.append((item.t_ns, int(item.data)))
            else:
                assert isinstance(item, Dropped)
                seen.dropped += 1
        if ask and seen.asked < n:
            seen.asked += 1
            seen.asked_ns.append(now_ns)
            kind = rng.randrange(round(4 / share))
            replies = _replies(rng, kind, now_ns, seen.asked, late_ms, double_ms)
            seen.faulty += len(replies) != 1 or replies[0][0] - now_ns > 25 * _MS
            coming += replies
    seen.seconds = now_ns / 1e9
    return seen


def _replies(
    rng: random.Random, kind: int, now_ns: int, number: int, late_ms: int, double_ms: int
) -> list[tuple[int, bytes]]:
    reply = b"%07d\r\n" % number
    usual_ns = now_ns + rng.randrange(5, 25) * _MS
    match kind:
        case 0:
            return [(now_ns + rng.randrange(25, late_ms) * _MS, reply)]
        case 1:
            return [(usual_ns, reply), (usual_ns + rng.randrange(double_ms + 1) * _MS, reply)]
        case 2:  # cut in two
            return [(usual_ns, reply[:4]), (now_ns + rng.randrange(25, late_ms) * _MS, reply[4:])]
        case 3:
            return []
    return [(usual_ns, reply)]
