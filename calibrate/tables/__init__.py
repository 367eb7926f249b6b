"""Berries of many sources to rows, letters, storage and seasons.

In: season files and CSV files with the levels of each berry.
Out: one row for each group, comparisons of selections, softening in storage.
"""
