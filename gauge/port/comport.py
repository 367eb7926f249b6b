"""The server's side of a serial line over Telnet (RFC 2217, as in pyserial): no socket here."""

from __future__ import annotations

import struct
from typing import Any

import serial
from serial.rfc2217 import M_NORMAL, PortManager

from gauge.protocol.lineformat import SerialSettings


class ComPort:
    r"""What one client sends and sets; control lines are acknowledged and have no effect.

    Examples
    --------
    >>> port = ComPort()
    >>> port.feed(bytes([255, 250, 44, 2, 7, 255, 240]) + b"R")
    b'R'
    >>> port.settings.bytesize
    7
    """

    def __init__(self) -> None:
        self._line = serial.serial_for_url("loop://")
        self._replies = bytearray()
        manager: Any = PortManager  # takes any port, and any connection that has `write`
        self._manager = manager(self._line, self)

    @property
    def settings(self) -> SerialSettings:
        """The client's settings, as far as it sent them; the nearest ones that gauges have."""
        return SerialSettings(
            baudrate=min(max(50, self._line.baudrate), 4_000_000),
            bytesize=max(7, self._line.bytesize),
            parity=self._line.parity,
            stopbits=self._line.stopbits,
        )

    def feed(self, data: bytes) -> bytes:
        """Take what arrived; return what was meant for the gauge."""
        plain = bytearray()
        for byte in data:
            try:
                plain += b"".join(self._manager.filter(bytes([byte])))
            except (KeyError, TypeError, struct.error):
                # An impossible setting or half a command: pass it over, without acknowledgement.
                self._manager.suboption, self._manager.mode = None, M_NORMAL
        return bytes(plain)

    def write(self, data: bytes) -> None:
        """Keep a reply of the protocol until `replies` is asked."""
        self._replies += data

    def replies(self) -> bytes:
        """Return what must be sent back now; each reply once."""
        out = bytes(self._replies)
        self._replies.clear()
        return out

    def escaped(self, data: bytes) -> bytes:
        """Return data as it goes to the client."""
        return b"".join(self._manager.escape(data))
