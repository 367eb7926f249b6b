"""Since when nothing could be read on the line, and whether that was told.

Pure: times are handed in. Lost lines and gaps are told of by portreader.
"""

from __future__ import annotations

from gauge.session.events import Silence

SILENT_S = 5.0


class SilenceWatch:
    """Tells once of each silence.

    Examples
    --------
    >>> watch = SilenceWatch()
    >>> watch.heard(2_000_000_000, 8, readable=True)
    >>> watch.silent_s(10_000_000_000)
    8.0
    >>> watch.told(10_000_000_000, speaks_unasked=True)
    Silence(seconds=8.0, heard=False)
    >>> watch.told(11_000_000_000, speaks_unasked=True)
    """

    def __init__(self) -> None:
        self._reading_ns = self._back_ns = 0
        self._told = False
        self._bytes_since = 0

    def heard(self, t_ns: int, n_bytes: int, *, readable: bool) -> None:
        """Take that bytes came, and whether they ended a reading.

        Examples
        --------
        >>> watch = SilenceWatch()
        >>> watch.heard(9_000_000_000, 3, readable=False)
        >>> watch.told(9_000_000_000, speaks_unasked=True)
        Silence(seconds=9.0, heard=True)
        """
        self._bytes_since += n_bytes
        if readable:
            self._reading_ns, self._told, self._bytes_since = t_ns, False, 0

    def back(self, t_ns: int) -> None:
        """Take that the line can be heard again.

        Examples
        --------
        >>> watch = SilenceWatch()
        >>> watch.back(6_000_000_000)
        >>> watch.silent_s(8_000_000_000)
        2.0
        """
        self._back_ns, self._told = t_ns, False

    def silent_s(self, now_ns: int) -> float:
        """Seconds since the last reading, or since the line (came back and) could be heard.

        Examples
        --------
        >>> SilenceWatch().silent_s(2_500_000_000)
        2.5
        """
        return (now_ns - max(self._reading_ns, self._back_ns)) / 1e9

    def idle_s(self, now_ns: int) -> float:
        """Seconds since the last reading, gaps included.

        Examples
        --------
        >>> watch = SilenceWatch()
        >>> watch.back(6_000_000_000)
        >>> watch.idle_s(8_000_000_000)
        8.0
        """
        return (now_ns - self._reading_ns) / 1e9

    def told(self, now_ns: int, *, speaks_unasked: bool) -> Silence | None:
        """A silence of `SILENT_S` or more, the first time that it is asked for.

        Parameters
        ----------
        now_ns : int
        speaks_unasked : bool
            False for a gauge that is rightly silent until a key is pressed: then only bytes that
            cannot be read are a silence.

        Examples
        --------
        >>> watch = SilenceWatch()
        >>> watch.told(9_000_000_000, speaks_unasked=False)  # no key was pressed
        >>> watch.told(9_000_000_000, speaks_unasked=True)
        Silence(seconds=9.0, heard=False)
        """
        silent_s = self.silent_s(now_ns)
        if self._told or silent_s < SILENT_S or not (self._bytes_since or speaks_unasked):
            return None
        self._told = True
        return Silence(seconds=silent_s, heard=bool(self._bytes_since))
