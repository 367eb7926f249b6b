"""Pictures: the one room that imports matplotlib.

In: the records of the other rooms.
Out: figures as PNG, SVG or PDF.
"""

__all__ = [
    "card",
    "compare",
    "fit",
    "gauges",
    "history",
    "limit",
    "rater",
    "style",
    "table",
    "tablepage",
]
