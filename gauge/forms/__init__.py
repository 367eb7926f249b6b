"""Typing from paper what was written beside the fruit, a key a berry, on the numeric pad.

In: keys, one after another.
Out: finger scores to store, or why a key cannot be right. Nothing is read or stored here.
"""

__all__ = ["scoreform"]
