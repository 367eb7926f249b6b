"""firmhand's bench side: from the serial line to one durable, trustworthy peak per berry."""

__version__ = "0.1.0"
