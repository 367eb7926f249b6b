"""Anchors: berries, lots or pads of known force that stand for a score or a boundary.

In: a calibration and candidates of known force.
Out: the best set, when an anchor must retire, and which lots to pull berries from.
"""

__all__ = ["candidates", "choice", "retirement", "tray"]
