"""The gauge's end of a line on a TCP port, also with RFC 2217."""

from __future__ import annotations

import contextlib
import select
import socket
from typing import TYPE_CHECKING, TypeAlias

from gauge.errors import PortError
from gauge.port.comport import ComPort
from gauge.protocol.lineformat import SerialSettings

if TYPE_CHECKING:
    # Not there for Windows, which has no pseudo-terminals.
    from gauge.simulate.ptyserver import PtyServer  # type: ignore[attr-defined,unused-ignore]


# The gauge's end of a line.
Server: TypeAlias = "TcpServer | PtyServer"


class TcpServer:
    """A TCP port for one client at a time; clients open `address`.

    Port 0 is any that is free. With `com_port` it serves RFC 2217, by which a client sets speed,
    data bits and parity; clients then open ``rfc2217://host:port`` and not ``socket://host:port``.
    """

    def __init__(self, port: int = 0, *, com_port: bool = False) -> None:
        host = "127.0.0.1"
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
        """Return what the client sent; never wait."""
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
        """Send; what the client does not take is lost, and one that has gone is forgotten."""
        self._send(data if self._com is None else self._com.escaped(data))

    def _send(self, data: bytes) -> None:
        try:
            if self._client is not None:
                self._client.send(data)
        except BlockingIOError:
            pass
        except OSError:
            self._drop()

    def client_settings(self, settings: SerialSettings) -> SerialSettings:
        """Return the gauge's settings; over RFC 2217, the client's."""
        return settings if self._com is None else self._com.settings

    def wait(self, seconds: float) -> None:
        """Sleep until the client sends something, at most so long."""
        select.select([self._client or self._server], [], [], seconds)

    def close(self) -> None:
        """Hang up."""
        self._drop()
        self._server.close()
