"""What the tech sees and types while berries are logged: the bench screen and plain lines.

In: events of a session, keys of a person, bursts of a barcode scanner.
Out: words, figures and bells; what the keys ask of the session.
"""

__all__ = ["bench", "benchactions", "plain"]
