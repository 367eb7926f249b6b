"""Scales, pairs of force and score, and sheets, read and validated.

In: season files and CSV files.
Out: records whose every cell was checked; what is wrong is named by row.
"""
