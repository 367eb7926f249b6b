"""A virtual gauge to try things out without a device.

In: a line format, and what is pressed or hung.
Out: the bytes that such a gauge sends, on a pseudo-terminal, a TCP port or as a capture.
"""

__all__ = ["berrymodel", "linewriter", "playback", "ptyserver", "server", "virtualgauge"]
