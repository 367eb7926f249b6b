"""Since when no reading came, and whether that was reported. Times are handed in.

Lost lines and gaps are reported by the reader of the port.
"""

from __future__ import annotations

from gauge.session.events import Notice, notice

SILENT_S = 5.0  # s; a shorter time without a reading is not worth a message


class SilenceWatch:
    """Reports each silence once."""

    def __init__(self) -> None:
        self._reading_ns = self._back_ns = 0
        self._reported = False
        self._n_unreadable = 0

    def receive(self, t_ns: int, n_bytes: int, *, readable: bool) -> None:
        """Take that bytes came, and whether they ended a reading."""
        self._n_unreadable += n_bytes
        if readable:
            self._reading_ns, self._reported, self._n_unreadable = t_ns, False, 0

    def line_back(self, t_ns: int) -> None:
        """Take that the line works again."""
        self._back_ns, self._reported = t_ns, False

    def silent_s(self, now_ns: int) -> float:
        """Return seconds since the last reading, or since the line came back."""
        return (now_ns - max(self._reading_ns, self._back_ns)) / 1e9

    def idle_s(self, now_ns: int) -> float:
        """Return seconds since the last reading, gaps included."""
        return (now_ns - self._reading_ns) / 1e9

    def report(self, now_ns: int, *, continuous: bool) -> Notice | None:
        """Return a silence of `SILENT_S` or more, the first time that it is asked for.

        A gauge that is not `continuous` is rightly silent until its key is pressed: only bytes that
        cannot be read are a silence then.
        """
        silent_s = self.silent_s(now_ns)
        unreadable = self._n_unreadable > 0
        if self._reported or silent_s < SILENT_S or not (unreadable or continuous):
            return None
        self._reported = True
        return notice("unreadable" if unreadable else "silent", seconds=silent_s)
