"""One rater against the panel, and practice.

In: a rater's scores and a calibration.
Out: how far and at which boundary the rater differs, in sentences too.
"""

__all__ = ["check", "history", "warmup"]
