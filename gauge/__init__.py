"""firmhand at the gauge: from the serial line to one durable, trustworthy peak per berry."""

from typing import TYPE_CHECKING

from gauge.package import __version__, public_names

__all__ = ["Detector", "Framer", "Unit", "__version__", "load_format", "open_season"]

if TYPE_CHECKING:
    from gauge.detect.detector import Detector
    from gauge.protocol.formatfile import load_format
    from gauge.protocol.framing import Framer
    from gauge.season.file import open_season
    from gauge.units import Unit
else:
    __getattr__, __dir__ = public_names(
        __name__,
        {
            "Detector": "gauge.detect.detector",
            "Framer": "gauge.protocol.framing",
            "Unit": "gauge.units",
            "load_format": "gauge.protocol.formatfile",
            "open_season": "gauge.season.file",
        },
    )
