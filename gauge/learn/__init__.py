"""Find the line format of a gauge that nobody has described.

In: bytes received at one line setting after another, and squeezes by hand.
Out: a line format that every line received fits, or a refusal that says why.
"""

__all__ = ["inference", "listener", "received", "sweep"]
