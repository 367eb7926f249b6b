"""A serial port: listed, opened under the name that it bears now, read, written and closed."""

from __future__ import annotations

import contextlib
import errno
import select
import sys
import time
from dataclasses import dataclass
from typing import Any

import serial
from serial.tools import list_ports

from gauge.errors import PortBusyError, PortError
from gauge.protocol.lineformat import SerialSettings
from gauge.protocol.paritymarks import ParityMarks

if sys.platform != "win32":
    import termios

    # What a port raises when its device goes away (seen with pySerial 3.5: the same loss comes as
    # any of these, according to the call that meets it).
    LOST: tuple[type[Exception], ...] = (serial.SerialException, OSError, termios.error, TypeError)
else:
    LOST = (serial.SerialException, OSError, TypeError)

# s; bytes that come in a burst are fetched together: this bounds the wake-ups, and so the cost
_COLLECT_S = 0.005
_MOST_BYTES = 1 << 16  # bytes of a socket at once


@dataclass(frozen=True, kw_only=True, slots=True)
class PortInfo:
    """A serial port of this machine. The USB identity is None for ports that are not USB."""

    port: str
    description: str
    usb_vendor: int | None = None
    usb_product: int | None = None
    usb_serial: str | None = None

    @property
    def identity(self) -> tuple[int, int, str | None] | None:
        """What stays the same when the system gives the port another name."""
        if self.usb_vendor is None or self.usb_product is None:
            return None
        return self.usb_vendor, self.usb_product, self.usb_serial


def serial_ports() -> list[PortInfo]:
    """List the serial ports of this machine, by name."""
    return [
        PortInfo(
            port=found.device,
            description=found.description or "",
            usb_vendor=found.vid,
            usb_product=found.pid,
            usb_serial=found.serial_number,
        )
        for found in sorted(list_ports.comports(include_links=True), key=lambda port: port.device)
    ]


class SerialPort:
    """One port, by the name or URL that the user gave, or by its USB identity once it is known.

    URLs are ``socket://host:port`` and ``rfc2217://host:port``; a read waits for the first byte at
    most `timeout_s`.
    """

    def __init__(self, name: str, settings: SerialSettings, *, timeout_s: float) -> None:
        self.name = name
        self.device = name
        """The port as it is called now: a device that came back may bear another name."""
        self._settings, self._timeout_s = settings, timeout_s
        self._serial: Any = None
        self._identity: tuple[int, int, str | None] | None = None
        self._marks: ParityMarks | None = None

    @property
    def is_open(self) -> bool:
        """Whether it was opened and not closed since."""
        return self._serial is not None

    def remember(self) -> None:
        """Take it from now on for this USB device, whatever name it bears."""
        if "://" not in self.device:
            here = next((info for info in serial_ports() if info.port == self.device), None)
            self._identity = here.identity if here else None

    def locate(self) -> str:
        """Find the name that the device bears now; never another device on the old name."""
        if self._identity is None:
            return self.device
        found = serial_ports()
        ours = [info.port for info in found if info.identity == self._identity]
        known = [name for name in (self.device, self.name) if name in ours]
        if not known and (len(set(ours)) == 1 or (ours and self._identity[2])):
            known = ours
        if not known:
            raise PortError(f"{self.device} is not plugged in.", todo="Plug the gauge in again.")
        self.device = known[0]
        return self.device

    def open(self) -> None:
        """Open the device, under the name that `locate` found."""
        try:
            port = serial.serial_for_url(self.device, do_not_open=True)
            port.baudrate = self._settings.baudrate or 9600
            port.bytesize = self._settings.bytesize
            port.parity = self._settings.parity
            port.stopbits = self._settings.stopbits
            port.timeout = 0 if self._is_socket else self._timeout_s
            if not self.device.startswith("rfc2217://"):  # knows no write timeout
                port.write_timeout = 1.0
            if "://" not in self.device:
                port.exclusive = True
            if self._is_socket:
                # Opening purges; but a connection that was just made holds no old bytes.
                setattr(port, "reset_input_buffer", lambda: None)  # noqa: B010
            port.open()
        except ValueError as error:
            raise PortError(
                f"{self.device}: {error}.", todo="Give a device or a URL such as socket://host:1."
            ) from None
        except LOST as error:
            raise _refused(self.device, error) from None
        self._marks = self._mark_parity(port)
        self._serial = port

    def read(self) -> bytes:
        """Wait for bytes at most `timeout_s`, then take what came together; may raise `LOST`."""
        data = self._read()
        return data if self._marks is None else self._marks.feed(data)

    def write(self, data: bytes) -> None:
        """Send bytes; may raise `LOST`."""
        self._serial.write(data)

    def forget_half(self) -> None:
        """Forget half a parity mark, as the line was interrupted."""
        if self._marks is not None:
            self._marks.gap()

    def close(self) -> None:
        """Close it, whatever state it is in. May be called again."""
        if self._serial is not None:
            with contextlib.suppress(*LOST):
                self._serial.close()
            self._serial = None

    @property
    def _is_socket(self) -> bool:
        return self.name.startswith("socket://")

    def _read(self) -> bytes:
        port = self._serial
        if self._is_socket:
            # A socket says that 0 or 1 byte waits, and pyserial's read of many loses what it has
            # at a hang-up: wait here, and take what one receive gives (its timeout is 0).
            if not select.select([port.fileno()], [], [], self._timeout_s)[0]:
                return b""
            time.sleep(_COLLECT_S)
            return bytes(port.read(_MOST_BYTES))
        data = bytes(port.read(1))
        if data:
            time.sleep(_COLLECT_S)
            # The byte in hand must not be lost if the device went away just now.
            with contextlib.suppress(*LOST):
                data += port.read(port.in_waiting)
        return data

    def _mark_parity(self, port: Any) -> ParityMarks | None:
        """Make the driver mark bytes of wrong parity; pyserial clears both switches on opening."""
        if sys.platform == "win32":
            return None
        else:
            if self._settings.parity == "N" or "://" in self.device:
                return None
            try:
                flags = termios.tcgetattr(port.fd)
                flags[0] |= termios.INPCK | termios.PARMRK
                flags[0] &= ~(termios.IGNPAR | termios.ISTRIP)
                termios.tcsetattr(port.fd, termios.TCSANOW, flags)
            except LOST as error:
                port.close()
                raise _refused(self.device, error) from None
            return ParityMarks()


# Why a port did not open, by number of the error or what pySerial says in its place.
_REFUSALS: tuple[tuple[set[int], tuple[str, ...], type[PortError], str, str], ...] = (
    ({errno.EBUSY, errno.EAGAIN}, ("lock port",), PortBusyError,
     "is held by another program", "Close it, or unplug and plug in again."),
    ({errno.ENOENT}, ("FileNotFoundError",), PortError,
     "does not exist", "Plug the gauge in; 'gauge ports' lists the ports."),
    ({errno.ENOTTY}, ("Inappropriate ioctl", "Is a directory"), PortError,
     "is not a serial port", "'gauge ports' lists those that are there."),
    ({errno.EACCES, errno.EPERM}, (), PortError, "may not be opened by you",
     "On Linux, join the group that owns it (often 'dialout') and log in again."),
    # Windows names it so for a port that is in use.
    (set(), ("PermissionError",), PortBusyError,
     "is held by another program", "Close that program."),
)  # fmt: skip


def _refused(device: str, error: Exception) -> PortError:
    """Make the error that says why a port did not open, and what to do."""
    text = str(error)
    for codes, texts, kind, what, todo in _REFUSALS:
        if getattr(error, "errno", None) in codes or any(one in text for one in texts):
            return kind(f"{device} {what}.", todo=todo)
    if device.startswith("socket://"):
        return PortError(
            f"{device} does not answer ({text}).", todo="Check host and port, and that it runs."
        )
    return PortError(f"{device} cannot be opened ({text}).", todo="'gauge ports' lists the ports.")
