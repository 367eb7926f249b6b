"""The version of firmhand, in a file of its own, which every room may import."""

__version__ = "0.1.0"
