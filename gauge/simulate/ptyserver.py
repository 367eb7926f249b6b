"""The gauge's end of a line on a pseudo-terminal. Not for Windows, which has none."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import termios
import time
import tty
from dataclasses import replace
from pathlib import Path

from gauge.errors import CannotWriteError
from gauge.protocol.lineformat import SerialSettings

assert sys.platform != "win32"  # type checkers heed it

# Bits a second by the codes of termios.
_BAUDS = {
    getattr(termios, name): int(name[1:])
    for name in dir(termios)
    if name[0] == "B" and name[1:].isdigit()
}


class PtyServer:
    """A pseudo-terminal; clients open `address`.

    It shows the client's speed, but Linux hides its data bits and parity. While the line is open, a
    symbolic `link` to the device is kept.
    """

    def __init__(self, link: Path | None = None) -> None:
        self._fd, device = os.openpty()
        tty.setraw(device)
        os.set_blocking(self._fd, False)
        self.address = os.ttyname(device)
        # Keeping our own handle on the device would hide whether a client has it open.
        os.close(device)
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)
        self._link = link
        if link is not None:
            try:
                if link.is_symlink():
                    link.unlink()
                link.symlink_to(self.address)
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
        """Return what the client sent; never wait."""
        try:
            return os.read(self._fd, 4096)
        except OSError:
            return b""

    def write(self, data: bytes) -> None:
        """Send; bytes that do not fit into the kernel's buffer are lost."""
        with contextlib.suppress(OSError):
            os.write(self._fd, data)

    def client_settings(self, settings: SerialSettings) -> SerialSettings:
        """Return the gauge's settings, with the speed that the client set."""
        try:
            code = termios.tcgetattr(self._fd)[5]
        except termios.error:
            return settings
        return replace(settings, baudrate=_BAUDS.get(code) or settings.baudrate)

    def wait(self, seconds: float) -> None:
        """Sleep until the client sends something, at most so long."""
        if self.attached():
            self._poll.poll(seconds * 1000)
        else:
            time.sleep(seconds)  # a hung-up line would end the poll at once

    def close(self) -> None:
        """Hang up and remove the link."""
        os.close(self._fd)
        if self._link is not None and self._link.is_symlink():
            self._link.unlink()
