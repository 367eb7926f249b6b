"""The season file: one SQLite file that holds a season. The one room that imports sqlite3.

In: berries, sessions, scores, plans, checks, calibrations and anchors to keep.
Out: the same, checked, as records; nothing is ever deleted.
"""

__all__ = ["checks", "file", "rows", "scores", "tables"]
