"""Check the gauge against check weights.

In: readings while check weights hang, their masses, latitude and elevation.
Out: a result of the gauge, stored in the season, and the picture of its control chart.
"""

__all__ = ["chart", "checkweight", "gravity", "mass", "plateau", "verification"]
