"""The audit: whether a season is what was stored, and the bytes still give its peaks.

In: a season file.
Out: what differs, berry by berry. Nothing is changed.
"""

__all__ = ["rederive"]
