"""The calibration: where it comes from, and what follows from it.

In: a stored calibration, or pairs to fit.
Out: bands, the sale limit, sampling plans, how many berries to score, shifts between seasons.
"""

__all__ = [
    "acceptance",
    "bands",
    "calibration",
    "equivalentforce",
    "fitting",
    "loading",
    "salelimit",
    "samplesize",
    "scored",
    "seasonprior",
    "seasonshift",
]
