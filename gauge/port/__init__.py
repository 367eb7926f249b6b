"""Bytes in and out of a device: the one room that imports pyserial.

In: the name or USB identity of a port, its settings, requests to send.
Out: chunks of bytes stamped with their times, and the gaps between them.
"""

__all__ = ["claims", "comport", "polling", "portreader", "serialport"]
