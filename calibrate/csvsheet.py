"""The CSV reader under the name by which calibrate knows it; it lives in gauge.csvsheet."""

from gauge.csvsheet import CsvSheet

__all__ = ["CsvSheet"]
