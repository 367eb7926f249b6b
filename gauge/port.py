"""The serial port: a thread that reads it, stamps what comes, and comes back after any trouble.

The only module that imports pyserial. Bytes leave here as chunks and gaps; lines, readings and
berries are made elsewhere. Nothing here prints.
"""

from __future__ import annotations

import contextlib
import queue
import select
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple, Protocol

import serial
from serial.tools import list_ports

from gauge.capture import escape
from gauge.clockstep import ClockWatch
from gauge.errors import PortBusyError, PortError
from gauge.paritymarks import ParityMarks
from gauge.polling import Dropped, Poller, Reply
from gauge.portwords import refused, why_lost
from gauge.records import Chunk, Gap
from gauge.season.claims import claim_port

if sys.platform != "win32":
    import termios

    # What a port raises when its device goes away (seen with pySerial 3.5: the same loss comes as
    # any of these, according to the call that meets it).
    LOST: tuple[type[Exception], ...] = (serial.SerialException, OSError, termios.error, TypeError)
else:
    LOST = (serial.SerialException, OSError, TypeError)
_TROUBLE: tuple[type[Exception], ...] = (PortError, *LOST)

_TIMEOUT_S = 0.05
_POLL_TIMEOUT_S = 0.01  # a poller must be asked more often
# Bytes that come in a burst are fetched together: this bounds the wake-ups, and so the cost.
_COLLECT_S = 0.005
_BACK_OFF_S = (0.1, 2.0)
_BUSY_S = 3.0  # other services may hold a fresh USB port for a few seconds


class Line(Protocol):
    """The settings of a serial line, as a line format or `LineSettings` has them."""

    @property
    def baudrate(self) -> int | None:
        """Bits a second; None for a device that takes any."""

    @property
    def bytesize(self) -> int:
        """Data bits."""

    @property
    def parity(self) -> str:
        """One of N, E, O, M, S."""

    @property
    def stopbits(self) -> float:
        """Stop bits."""


class LineDown(NamedTuple):
    """The line was lost at `t_ns`; a `Gap` follows when it is back or given up."""

    t_ns: int
    reason: str


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


def ports() -> list[PortInfo]:
    """Serial ports of this machine, by name."""
    return sorted(
        (
            PortInfo(
                port=found.device,
                description=found.description or "",
                usb_vendor=found.vid,
                usb_product=found.pid,
                usb_serial=found.serial_number,
            )
            for found in list_ports.comports(include_links=True)
        ),
        key=lambda info: info.port,
    )


class LineReader:
    """One thread that owns a port: it opens, reads, reopens and closes it.

    Parameters
    ----------
    port : str
        Device or URL (``socket://host:port``, ``rfc2217://host:port``).
    line : LineFormat or LineSettings
    poller : Poller, optional
        For a polled gauge; with `request`.
    request : bytes, optional
        With `poller`, what it asks; without, sent every `every_s` and all that comes is passed on.
    every_s : float, optional

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> line = SimpleNamespace(baudrate=9600, bytesize=8, parity="N", stopbits=1)
    >>> LineReader("/dev/no-such-port", line).start()
    Traceback (most recent call last):
    gauge.errors.PortError: /dev/no-such-port does not exist. ...
    """

    def __init__(
        self,
        port: str,
        line: Line,
        *,
        poller: Poller | None = None,
        request: bytes | None = None,
        every_s: float | None = None,
    ) -> None:
        self.port = port
        self._line, self._poller, self._request, self._every_s = line, poller, request, every_s
        self._timeout_s = _TIMEOUT_S if poller is None else _POLL_TIMEOUT_S
        self._items: queue.SimpleQueue[Chunk | Gap | LineDown | Exception] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"reader of {port}", daemon=True)
        self._serial: Any = None
        self._device = port
        self._identity: tuple[int, int, str | None] | None = None
        self._marks: ParityMarks | None = None
        self._start_ns = time.perf_counter_ns()
        self._asked_ns: int | None = None
        self._lost: LineDown | None = None
        self.started_at = ""
        """Wall clock at time zero of the session, ISO 8601 in UTC."""
        self.cpu_s = 0.0
        """Processor time that the thread has used, once it has ended."""

    # --- the side of the caller ---------------------------------------------------------------

    def start(self) -> None:
        """Open the port and begin to read; time zero of the session is now.

        Raises
        ------
        PortError
            If the port does not exist or cannot be opened.
        PortBusyError
            If another program, or another logger of ours, holds it.
        """
        self._start_ns = time.perf_counter_ns()
        self.started_at = datetime.now(UTC).isoformat(timespec="milliseconds")
        self._thread.start()
        first = self._items.get()
        if isinstance(first, Exception):
            self._thread.join()
            raise first

    def stop(self) -> None:
        """Ask the thread to close the port, and wait until it has. May be called again."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    def get(self, timeout_s: float) -> list[Chunk | Gap | LineDown]:
        """What came since the last call, oldest first; waits for something at most so long."""
        out: list[Chunk | Gap | LineDown] = []
        try:
            item = self._items.get(timeout=timeout_s) if timeout_s > 0 else self._items.get_nowait()
            while True:
                if isinstance(item, Exception):
                    raise item
                out.append(item)
                item = self._items.get_nowait()
        except queue.Empty:
            return out

    @property
    def now_ns(self) -> int:
        """Nanoseconds since the session began."""
        return time.perf_counter_ns() - self._start_ns

    @property
    def device(self) -> str:
        """The port as it is called now: a device that came back may bear another name."""
        return self._device

    def __enter__(self) -> LineReader:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    # --- the thread ---------------------------------------------------------------------------

    def _run(self) -> None:
        began = time.thread_time()
        try:
            with claim_port(self.port):
                self._open_first()
                self._interrupted()  # an old reply of a polled gauge may still be on its way
                self._items.put(Chunk(0, b""))
                try:
                    self._loop()
                finally:
                    self._close()
        except Exception as error:
            self._items.put(error)
        finally:
            if self._lost is not None:
                self._put_gap(self.now_ns)
            self.cpu_s = time.thread_time() - began

    def _loop(self) -> None:
        back_off_s = _BACK_OFF_S[0]
        clock = ClockWatch()
        while not self._stop.is_set():
            stepped = clock.step()
            if stepped is not None and self._lost is None:
                self._jumped(*stepped)
            try:
                if self._serial is None:
                    self._serial = self._open()
                    self._back()
                    back_off_s = _BACK_OFF_S[0]
                    clock = ClockWatch()  # opening may take long, and is no sleep of the machine
                data = self._read()
                if data or self._poller is not None:
                    self._hear(data)
                self._ask()
            except _TROUBLE as error:
                if self._lost is None:
                    self._lost = LineDown(self.now_ns, why_lost(error))
                    self._items.put(self._lost)
                self._close()
                self._stop.wait(back_off_s)
                back_off_s = min(2 * back_off_s, _BACK_OFF_S[1])

    def _read(self) -> bytes:
        """Wait for bytes at most `_timeout_s`, then take those that came together."""
        port = self._serial
        if _is_socket(self.port):
            # A socket says that 0 or 1 byte waits, and pyserial's read of many loses what it has
            # at a hang-up: wait here, and take what one receive gives (its timeout is 0).
            if not select.select([port.fileno()], [], [], self._timeout_s)[0]:
                return b""
            self._stop.wait(_COLLECT_S)
            return bytes(port.read(4096))
        data = bytes(port.read(1))
        if data:
            self._stop.wait(_COLLECT_S)
            # The byte in hand must not be lost if the device went away just now.
            with contextlib.suppress(*LOST):
                data += port.read(port.in_waiting)
        return data

    def _hear(self, data: bytes) -> None:
        t_ns = self.now_ns
        if self._marks is not None:
            data = self._marks.feed(data)
        if self._poller is None:
            if data:
                self._items.put(Chunk(t_ns, data))
            return
        self._poller.heard(t_ns, data)

    def _ask(self) -> None:
        if self._poller is not None:
            ask, out = self._poller.step(self.now_ns)
            for item in out:
                self._judge(item)
        else:
            due_ns = 0 if self._asked_ns is None else self._asked_ns + (self._every_s or 1) * 1e9
            ask = self._request is not None and self.now_ns >= due_ns
        if ask and self._request:
            self._asked_ns = self.now_ns
            self._serial.write(self._request)

    def _judge(self, item: Reply | Dropped) -> None:
        """Pass a reply on; make a gap of anything else, one gap as long as nothing answers."""
        if isinstance(item, Reply):
            if self._lost is not None:
                self._put_gap(item.t_ns)
            self._items.put(Chunk(*item))
        elif item.data:
            if self._lost is None:
                reason = f"{item.reason}: {escape(item.data)}"
                self._items.put(Gap(item.from_ns, item.to_ns, reason))
        elif self._lost is None:
            self._lost = LineDown(item.from_ns, "the gauge does not answer")
            self._items.put(self._lost)

    def _jumped(self, by_s: float, why: str) -> None:
        """The machine slept or its clock was set: what was heard before and after do not join."""
        now_ns = self.now_ns
        self._items.put(Gap(now_ns, now_ns, f"{why} ({by_s:+.1f} s)"))
        self._interrupted()

    def _interrupted(self) -> None:
        if self._marks is not None:
            self._marks.gap()
        if self._poller is not None:
            self._poller.gap(self.now_ns)

    def _back(self) -> None:
        if self._lost is not None:
            self._interrupted()
            self._put_gap(self.now_ns)

    def _put_gap(self, to_ns: int) -> None:
        assert self._lost is not None
        self._items.put(Gap(self._lost.t_ns, to_ns, self._lost.reason))
        self._lost = None

    # --- opening and closing ------------------------------------------------------------------

    def _open_first(self) -> None:
        until_s = time.monotonic() + _BUSY_S
        while True:
            try:
                self._serial = self._open()
                break
            except PortBusyError:
                if time.monotonic() > until_s or self._stop.wait(_BACK_OFF_S[0]):
                    raise
        here = _info(self._device)
        self._identity = here.identity if here else None

    def _open(self) -> Any:
        """Open the device, under the name that it bears now.

        Raises
        ------
        PortError, PortBusyError
        """
        if self._identity is not None:
            self._device = self._find()
        try:
            port = serial.serial_for_url(self._device, do_not_open=True)
            port.baudrate = self._line.baudrate or 9600
            port.bytesize = self._line.bytesize
            port.parity = self._line.parity
            port.stopbits = self._line.stopbits
            port.timeout = 0 if _is_socket(self.port) else self._timeout_s
            if not self._device.startswith("rfc2217://"):  # knows no write timeout
                port.write_timeout = 1.0
            if "://" not in self._device:
                port.exclusive = True
            if _is_socket(self.port):
                # Opening purges; but a connection that was just made holds no old bytes.
                setattr(port, "reset_input_buffer", lambda: None)  # noqa: B010
            port.open()
        except ValueError as error:
            raise PortError(
                f"{self._device}: {error}.", todo="Give a device or a URL such as socket://host:1."
            ) from None
        except LOST as error:
            raise refused(self._device, error) from None
        self._marks = self._mark_parity(port)
        return port

    def _find(self) -> str:
        """The name that our USB device bears now; never another device on the old name."""
        found = ports()
        ours = [info.port for info in found if info.identity == self._identity]
        if self._device in ours:
            return self._device
        if self.port in ours:
            return self.port
        if len(set(ours)) == 1 or (ours and self._identity and self._identity[2]):
            return ours[0]
        raise PortError(f"{self._device} is not plugged in.", todo="Plug the gauge in again.")

    def _mark_parity(self, port: Any) -> ParityMarks | None:
        """Make the driver mark bytes of wrong parity; pyserial clears both switches on opening."""
        if self._line.parity == "N" or sys.platform == "win32" or "://" in self._device:
            return None
        try:
            settings = termios.tcgetattr(port.fd)
            settings[0] |= termios.INPCK | termios.PARMRK
            settings[0] &= ~(termios.IGNPAR | termios.ISTRIP)
            termios.tcsetattr(port.fd, termios.TCSANOW, settings)
        except LOST as error:
            port.close()
            raise refused(self._device, error) from None
        return ParityMarks()

    def _close(self) -> None:
        if self._serial is not None:
            with contextlib.suppress(*LOST):
                self._serial.close()
            self._serial = None


def _is_socket(port: str) -> bool:
    return port.startswith("socket://")


def _info(device: str) -> PortInfo | None:
    if "://" in device:
        return None
    return next((info for info in ports() if info.port == device), None)


def listen(
    url: str,
    line: Line,
    seconds: float,
    *,
    request: bytes | None = None,
    every_s: float | None = None,
    stop: threading.Event | None = None,
) -> list[Chunk]:
    """Listen to a port for a while.

    Parameters
    ----------
    url : str
        Device or URL.
    line : LineFormat or LineSettings
    seconds : float
    request : bytes, optional
        Send this at once and then every `every_s` (1 s by default).
    every_s : float, optional
    stop : threading.Event, optional
        Set it to stop early.

    Raises
    ------
    PortError, PortBusyError
        If the port cannot be opened, or goes away meanwhile.
    """
    heard: list[Chunk] = []
    until_s = time.monotonic() + seconds
    with LineReader(url, line, request=request, every_s=every_s) as reader:
        while (left_s := until_s - time.monotonic()) > 0 and not (stop and stop.is_set()):
            for item in reader.get(min(left_s, 0.1)):
                if isinstance(item, LineDown):
                    raise PortError(
                        f"{url} went away while we listened ({item.reason}).",
                        todo="Plug the gauge in and try again.",
                    )
                if isinstance(item, Chunk):
                    heard.append(item)
    return heard


def hear(
    url: str,
    line: Line,
    *,
    terminators: tuple[bytes, ...] = (),
    request: bytes | None = None,
) -> Iterator[Chunk | Gap]:
    """Listen without end; an empty chunk, at least every 0.1 s, says that time passed in silence.

    With `request`, the gauge is polled: each reply is the only answer to its own request.

    Raises
    ------
    PortError, PortBusyError
        If the port cannot be opened at the start; later troubles are gaps.
    """
    poller = Poller(terminators) if request else None
    with LineReader(url, line, poller=poller, request=request) as reader:
        while True:
            found = [item for item in reader.get(0.1) if not isinstance(item, LineDown)]
            yield from found or [Chunk(reader.now_ns, b"")]
