"""Sheets that come into a season: plans, forces and finger scores, every cell read and checked.

In: a CSV or a workbook.
Out: records to store, or an error that names file, row and column. Nothing is stored here.
"""

__all__ = ["berrysheet", "plan"]
