"""Readings to presses, with one peak each.

In: readings one after another, gaps, lines that could not be read.
Out: presses with their peaks and flags, and presses seen only in part.
"""

from gauge.detect.detector import Detector, Event
from gauge.detect.detectorview import DetectorView
from gauge.detect.settings import DetectorSettings

__all__ = ["Detector", "DetectorSettings", "DetectorView", "Event"]
