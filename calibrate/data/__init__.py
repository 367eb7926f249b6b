"""Scales, pairs of force and score, and sheets, read and validated.

In: season files, CSV files and keys pressed.
Out: records whose every cell was checked; what is wrong is named by row.
"""

__all__ = [
    "clamshell",
    "codedsheet",
    "conditions",
    "factor",
    "labels",
    "pairs",
    "ratings",
    "scale",
    "squeezes",
    "tallyform",
]
