"""Sheets into a season, every cell read and checked, and the plan on paper to write on.

In: a CSV or a workbook.
Out: records to store, or an error that names file, row and column; a PDF. Nothing is stored here.
"""

__all__ = ["berrysheet", "known", "plan", "planpdf", "squeezes"]
