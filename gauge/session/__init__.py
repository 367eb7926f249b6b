"""One logging session: from received chunks to stored berries, with its screens.

In: a reader of a port, a line format, a season file, keys of the tech.
Out: acknowledged berries, and events that the bench screen and the plain one show.
"""

__all__ = ["bench", "berrystore", "events", "livesession", "plain", "recorder", "samplechoice"]
