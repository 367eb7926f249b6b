"""Readings to presses, with one peak each.

In: readings one after another, gaps, lines that could not be read.
Out: presses with their peaks and flags, and presses seen only in part.
"""

__all__ = ["buttonpeaks", "detector", "settings"]
