"""The calibration record: where it comes from, and what follows from it.

In: a stored calibration, or a source to fit.
Out: bands, the sale limit, plans, shifts between seasons.
"""
