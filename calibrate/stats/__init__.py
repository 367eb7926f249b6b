"""Arrays in, estimates out; knows no berries.

In: counts, scores and measurements as arrays.
Out: fits, intervals, tests and coefficients of agreement, each with its validity.
"""

__all__ = [
    "agreement",
    "allpairs",
    "dayline",
    "estimate",
    "forcespread",
    "groups",
    "likelihood",
    "measurement",
    "newton",
    "ordinal",
    "proportions",
]
