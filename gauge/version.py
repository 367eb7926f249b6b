"""The version of firmhand, in a file of its own: every room may import it, but not the face."""

__version__ = "0.1.0"
