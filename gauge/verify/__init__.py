"""Check the gauge against check weights.

In: readings while check weights hang, their masses, latitude and elevation.
Out: a verdict on the gauge, its history, and a control chart.
"""
