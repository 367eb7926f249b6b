"""The server's side of a serial line over Telnet, by which a client's line settings can be seen.

RFC 2217 (Telnet Com Port Control Option): bytes in, data and replies out. Only the settings are
followed; control lines are acknowledged and have no effect. No socket is touched.
"""

from __future__ import annotations

from dataclasses import replace

from gauge.errors import InvalidValueError
from gauge.simulate.uart import Wire

# RFC 854 and RFC 2217.
_IAC, _DONT, _DO, _WONT, _WILL, _SB, _SE = 255, 254, 253, 252, 251, 250, 240
_COM_PORT = 44
_ACCEPTED = frozenset({0, 3, _COM_PORT})  # binary, suppress go-ahead, com port
_SET_BAUDRATE, _SET_DATASIZE, _SET_PARITY, _SET_STOPSIZE = 1, 2, 3, 4
_ACKNOWLEDGED = frozenset({5, 10, 11, 12})  # control, line mask, modem mask, purge
_PARITIES = {1: "N", 2: "O", 3: "E"}
_STOPS = {1: 1.0, 2: 2.0, 3: 1.5}


class ComPort:
    """What one client says and sets.

    Attributes
    ----------
    wire : Wire
        The client's settings, as far as it said them.

    Examples
    --------
    >>> port = ComPort()
    >>> port.feed(bytes([255, 250, 44, 2, 7, 255, 240]) + b"R")
    b'R'
    >>> port.wire.bytesize
    7
    """

    def __init__(self) -> None:
        self.wire = Wire()
        self._left = b""
        self._replies = bytearray()

    def feed(self, data: bytes) -> bytes:
        """Take in what arrived; give back what was meant for the gauge."""
        data = self._left + data
        plain, at = bytearray(), 0
        while at < len(data):
            if data[at] != _IAC:
                plain.append(data[at])
                at += 1
                continue
            length = self._command(data, at, plain)
            if not length:
                break  # the rest of it has not arrived yet
            at += length
        self._left = data[at:]
        return bytes(plain)

    def replies(self) -> bytes:
        """What must be sent back now; each reply once."""
        out = bytes(self._replies)
        self._replies.clear()
        return out

    @staticmethod
    def escaped(data: bytes) -> bytes:
        r"""Data as it goes to the client.

        Examples
        --------
        >>> ComPort.escaped(b"a\xff")
        b'a\xff\xff'
        """
        return data.replace(b"\xff", b"\xff\xff")

    def _command(self, data: bytes, at: int, plain: bytearray) -> int:
        """Deal with the command at `at`; its length, or 0 if it is not complete."""
        if at + 1 >= len(data):
            return 0
        verb = data[at + 1]
        if verb == _IAC:
            plain.append(_IAC)
            return 2
        if verb in (_WILL, _WONT, _DO, _DONT):
            if at + 2 >= len(data):
                return 0
            self._option(verb, data[at + 2])
            return 3
        if verb != _SB:
            return 2
        end = at + 2
        while True:
            end = data.find(_IAC, end)
            if end < 0 or end + 1 >= len(data):
                return 0
            if data[end + 1] == _SE:
                break
            end += 2
        body = data[at + 2 : end].replace(b"\xff\xff", b"\xff")
        if len(body) >= 3 and body[0] == _COM_PORT:
            self._set(body[1], body[2:])
        return end + 2 - at

    def _option(self, verb: int, option: int) -> None:
        yes = option in _ACCEPTED
        if verb == _WILL:
            self._replies += bytes([_IAC, _DO if yes else _DONT, option])
        elif verb == _DO:
            self._replies += bytes([_IAC, _WILL if yes else _WONT, option])

    def _set(self, what: int, value: bytes) -> None:
        number = int.from_bytes(value, "big")
        try:
            if what == _SET_BAUDRATE and number:
                self.wire = replace(self.wire, baudrate=number)
            elif what == _SET_DATASIZE and number:
                self.wire = replace(self.wire, bytesize=number)
            elif what == _SET_PARITY and number:
                self.wire = replace(self.wire, parity=_PARITIES.get(number, "N"))
            elif what == _SET_STOPSIZE and number:
                self.wire = replace(self.wire, stopbits=_STOPS.get(number, 1.0))
            elif what not in _ACKNOWLEDGED:
                return
        except InvalidValueError:
            return  # no acknowledgement: the client learns that it was refused
        answer = self.escaped(bytes([what + 100]) + value)
        self._replies += bytes([_IAC, _SB, _COM_PORT]) + answer + bytes([_IAC, _SE])
