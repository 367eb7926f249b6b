"""One logging session: from received chunks to stored berries, without a screen.

In: a reader of a port, a line format, a season file, what the tech asks for.
Out: acknowledged berries, and events in words that every screen shows.
"""

__all__ = [
    "berrystore",
    "daylists",
    "events",
    "livesession",
    "memory",
    "recorder",
    "samplechoice",
    "silence",
]
