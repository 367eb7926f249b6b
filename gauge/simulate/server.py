"""The gauge's end of a line: a pseudo-terminal, a TCP port, or RFC 2217 over one.

Bytes and the client's settings, no gauge: that plays on it in simulate. A pseudo-terminal tells the
client's speed, but Linux hides its data bits and parity there; over RFC 2217 all are seen; a plain
socket has none.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from gauge.errors import CannotWriteError, PortError
from gauge.simulate.comport import ComPort
from gauge.simulate.uart import Wire


class Server(Protocol):
    """The gauge's end of a line."""

    address: str

    def attached(self) -> bool:
        """Whether a client has the line open."""

    def read(self) -> bytes:
        """What the client sent; never waits."""

    def write(self, data: bytes) -> None:
        """Send; what the client does not take is lost, as on a real line."""

    def client_wire(self, wire: Wire) -> Wire:
        """The gauge's settings, changed to the client's wherever the line tells those."""

    def wait(self, seconds: float) -> None:
        """Sleep until the client says something, at most so long."""

    def close(self) -> None:
        """Hang up."""


class PtyServer:
    """A pseudo-terminal; clients open `address`.

    Parameters
    ----------
    link : Path, optional
        A symbolic link to the device is kept here while the line is open.

    Raises
    ------
    PortError
        Where there are no pseudo-terminals (Windows).
    CannotWriteError
        If the link cannot be made, or something that is no link stands in its place.
    """

    def __init__(self, link: Path | None = None) -> None:
        if sys.platform == "win32":
            raise PortError("there are no pseudo-terminals here.", todo="Use --tcp PORT.")
        import termios
        import tty

        self._termios = termios
        self._bauds = {
            getattr(termios, name): int(name[1:])
            for name in dir(termios)
            if name.startswith("B") and name[1:].isdigit()
        }
        self._fd, device = os.openpty()
        tty.setraw(device)
        os.set_blocking(self._fd, False)
        self.device = self.address = os.ttyname(device)
        # Keeping our own handle on the device would hide whether a client has it open.
        os.close(device)
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)
        self._link = link
        if link is not None:
            try:
                if link.is_symlink():
                    link.unlink()
                link.symlink_to(self.device)
            except OSError as error:
                os.close(self._fd)
                raise CannotWriteError(
                    f"cannot make the link {link}: {error.strerror}.", todo="Choose another."
                ) from None
            self.address = str(link)

    def attached(self) -> bool:
        """Whether a client has the device open."""
        return not any(event & select.POLLHUP for _, event in self._poll.poll(0))

    def read(self) -> bytes:
        """What the client sent."""
        try:
            return os.read(self._fd, 4096)
        except (BlockingIOError, OSError):
            return b""

    def write(self, data: bytes) -> None:
        """Send; bytes that do not fit into the kernel's buffer are lost."""
        with contextlib.suppress(BlockingIOError, OSError):
            os.write(self._fd, data)

    def client_wire(self, wire: Wire) -> Wire:
        """The gauge's settings, with the speed that the client set."""
        try:
            baud = self._bauds.get(self._termios.tcgetattr(self._fd)[5])
        except self._termios.error:
            baud = None
        return replace(wire, baudrate=baud) if baud else wire

    def wait(self, seconds: float) -> None:
        """Sleep until the client says something, at most so long."""
        if self.attached():
            self._poll.poll(seconds * 1000)
        else:
            time.sleep(seconds)  # a hung-up line would end the poll at once

    def close(self) -> None:
        """Hang up and remove the link."""
        os.close(self._fd)
        if self._link is not None and self._link.is_symlink():
            self._link.unlink()


class TcpServer:
    """A TCP port for one client at a time; clients open `address`.

    Parameters
    ----------
    port : int, optional
        0 for any that is free.
    host : str, optional
    com_port : bool, optional
        Speak RFC 2217, by which a client sets speed, data bits and parity; clients then open
        ``rfc2217://host:port`` and no longer ``socket://host:port``.

    Raises
    ------
    PortError
        If the port cannot be listened on.
    """

    def __init__(self, port: int = 0, host: str = "127.0.0.1", *, com_port: bool = False) -> None:
        try:
            self._server = socket.create_server((host, port))
        except (OSError, OverflowError) as error:
            raise PortError(
                f"cannot listen on {host}:{port}: {error}.", todo="Choose another port."
            ) from None
        self._server.setblocking(False)
        self.port: int = self._server.getsockname()[1]
        self.address = f"{'rfc2217' if com_port else 'socket'}://{host}:{self.port}"
        self._client: socket.socket | None = None
        self._com_port = com_port
        self._com: ComPort | None = None

    def attached(self) -> bool:
        """Whether a client is connected."""
        if self._client is None:
            with contextlib.suppress(BlockingIOError):
                self._client, _ = self._server.accept()
                self._client.setblocking(False)
                self._com = ComPort() if self._com_port else None
        return self._client is not None

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
            self._client = None

    def read(self) -> bytes:
        """What the client sent."""
        if self._client is None:
            return b""
        try:
            data = self._client.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._drop()
        if self._com is None:
            return data
        data = self._com.feed(data)
        self._send(self._com.replies())
        return data

    def write(self, data: bytes) -> None:
        """Send; a client that has gone is forgotten."""
        self._send(data if self._com is None else self._com.escaped(data))

    def _send(self, data: bytes) -> None:
        try:
            if self._client is not None:
                self._client.send(data)
        except BlockingIOError:
            pass
        except OSError:
            self._drop()

    def client_wire(self, wire: Wire) -> Wire:
        """The gauge's settings; over RFC 2217, the client's."""
        return wire if self._com is None else self._com.wire

    def wait(self, seconds: float) -> None:
        """Sleep until the client says something, at most so long."""
        select.select([self._client or self._server], [], [], seconds)

    def close(self) -> None:
        """Hang up."""
        self._drop()
        self._server.close()
