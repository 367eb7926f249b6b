"""Berries, finger scores and clamshell sheets of many sources, tabulated and compared.

In: season files and CSV files, and a calibration that predicts scores.
Out: rows, letters, softening in storage, ranks across seasons, and how they read as text.
"""

__all__ = [
    "measures",
    "pooling",
    "report",
    "samplingunits",
    "seasons",
    "source",
    "storage",
    "table",
    "tabletext",
]
