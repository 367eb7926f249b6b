"""What the bytes of a gauge mean.

In: bytes with their times, and a line format as data or TOML.
Out: readings, each with force, unit and status; captures as text.
"""

__all__ = [
    "capture",
    "formatfile",
    "framing",
    "lineformat",
    "lineparser",
    "paritymarks",
    "parsedpattern",
]
