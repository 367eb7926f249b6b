"""A thread that reads a serial port, stamps what comes, and reopens the port after any trouble."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime

from gauge.errors import PortBusyError, PortError
from gauge.port.claims import claim_port
from gauge.port.polling import ASK_EVERY_S, Dropped, Poller
from gauge.port.serialport import LOST, SerialPort
from gauge.protocol.capture import escape
from gauge.protocol.lineformat import LineFormat, SerialSettings
from gauge.records import Chunk, Gap, LineLost

_TROUBLE: tuple[type[Exception], ...] = (PortError, *LOST)

_TIMEOUT_S = 0.05  # s; a read waits so long for the first byte
_POLL_TIMEOUT_S = 0.01  # s; a poller must be asked more often
_BACK_OFF_S = (0.1, 2.0)  # s; shortest and longest wait before a lost port is tried again
_MUTE_S = 1.0  # s; a polled gauge without a good reply for so long does not answer
_STEP_S = 2.0  # s; smaller steps of a clock are its own corrections
BUSY_S = 3.0  # s; other services may hold a fresh USB port so long


class PortReader:
    """One thread that owns a port: it opens, reads, reopens and closes it.

    With a `poller`, `request` is what it asks; without one, it is sent every `ASK_EVERY_S`, and all
    that comes is passed on.
    """

    def __init__(
        self,
        port: str,
        settings: SerialSettings,
        *,
        poller: Poller | None = None,
        request: bytes | None = None,
    ) -> None:
        self.port = port
        self._poller, self._request = poller, request
        timeout_s = _TIMEOUT_S if poller is None else _POLL_TIMEOUT_S
        self._port = SerialPort(port, settings, timeout_s=timeout_s)
        self._items: queue.SimpleQueue[Chunk | Gap | LineLost | Exception] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._claim = contextlib.ExitStack()  # holds the name that the port bears now
        self._thread = threading.Thread(target=self._run, name=f"reader of {port}", daemon=True)
        self._start_ns = time.perf_counter_ns()
        self._asked_ns: int | None = None
        self._answered_ns = 0
        self._lost: LineLost | None = None
        self.started_at = ""
        """Wall clock at time zero of the session, ISO 8601 in UTC."""
        self.cpu_s = 0.0
        """Processor time that the thread has used, once it has ended."""

    # --- the side of the caller ---------------------------------------------------------------

    def start(self) -> None:
        """Open the port and begin to read; time zero of the session is now.

        A `PortError` says why it cannot be opened, a `PortBusyError` that it is held by another.
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

    def get(self, timeout_s: float) -> list[Chunk | Gap | LineLost]:
        """Return what came since the last call, oldest first; wait for something at most so long.

        What ended the thread is raised, if a fault did; a port that is lost is a `LineLost`.
        """
        out: list[Chunk | Gap | LineLost] = []
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
        return self._port.device

    def __enter__(self) -> PortReader:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    # --- the thread ---------------------------------------------------------------------------

    def _run(self) -> None:
        began = time.thread_time()
        try:
            with contextlib.ExitStack() as self._claim:
                self._claim.enter_context(claim_port(self.port))
                self._open_first()
                self._interrupted()  # an old reply of a polled gauge may still be on its way
                self._items.put(Chunk(0, b""))
                try:
                    self._loop()
                finally:
                    self._port.close()
        except Exception as error:
            self._items.put(error)
        finally:
            if self._lost is not None:
                self._put_gap(self.now_ns)
            self.cpu_s = time.thread_time() - began

    def _loop(self) -> None:
        back_off_s = _BACK_OFF_S[0]
        clock = _ClockWatch()
        while not self._stop.is_set():
            stepped = clock.step()
            if stepped is not None and self._lost is None:
                self._jumped(*stepped)
            try:
                if not self._port.is_open:
                    self._claim.enter_context(claim_port(self._port.locate()))
                    self._port.open()
                    self._back()
                    back_off_s = _BACK_OFF_S[0]
                    clock = _ClockWatch()  # opening may take long, and is no sleep of the machine
                self._take(self._port.read())
                self._ask()
            except _TROUBLE as error:
                if self._lost is None:
                    why = error.what if isinstance(error, PortError) else "the port went away"
                    self._lost = LineLost(self.now_ns, why.rstrip("."))
                    self._items.put(self._lost)
                self._port.close()
                self._claim.close()  # the system may give the name to another gauge meanwhile
                self._stop.wait(back_off_s)
                back_off_s = min(2 * back_off_s, _BACK_OFF_S[1])

    def _take(self, data: bytes) -> None:
        if self._poller is not None:
            self._poller.received(self.now_ns, data)
        elif data:
            self._items.put(Chunk(self.now_ns, data))

    def _ask(self) -> None:
        if self._poller is not None:
            ask, out = self._poller.step(self.now_ns)
            for item in out:
                self._judge(item)
        else:
            due_ns = 0 if self._asked_ns is None else self._asked_ns + ASK_EVERY_S * 1e9
            ask = self._request is not None and self.now_ns >= due_ns
        if ask and self._request:
            self._asked_ns = self.now_ns
            self._port.write(self._request)

    def _judge(self, item: Chunk | Dropped) -> None:
        """Pass a reply on; anything else costs its sample, and a gap only if nothing answers."""
        if isinstance(item, Chunk):
            if self._lost is not None:
                self._put_gap(item.t_ns)
            self._answered_ns = item.t_ns
            self._items.put(item)
        elif self._lost is None and item.to_ns - self._answered_ns > _MUTE_S * 1e9:
            why = (
                f"{item.reason}: {escape(item.data)}" if item.data else "the gauge does not answer"
            )
            self._lost = LineLost(self._answered_ns, why)
            self._items.put(self._lost)

    def _jumped(self, by_s: float, why: str) -> None:
        """Put a gap, as the machine slept or its clock was set."""
        now_ns = self.now_ns
        self._items.put(Gap(now_ns, now_ns, f"{why} ({by_s:+.1f} s)"))
        self._interrupted()

    def _interrupted(self) -> None:
        self._port.forget_half()
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

    def _open_first(self) -> None:
        until_s = time.monotonic() + BUSY_S
        while True:
            try:
                self._port.open()
                break
            except PortBusyError:
                if time.monotonic() > until_s or self._stop.wait(_BACK_OFF_S[0]):
                    raise
        self._port.remember()


class _ClockWatch:
    """Notices by two clocks that should agree when the machine slept or its clock was set."""

    def __init__(self) -> None:
        self._ticks_s, self._wall_s = time.perf_counter(), time.time()

    def step(self) -> tuple[float, str] | None:
        """Return how far the clocks jumped since the last call and why, if they did."""
        ticks_s, wall_s = time.perf_counter(), time.time()
        ran_s, passed_s = ticks_s - self._ticks_s, wall_s - self._wall_s
        self._ticks_s, self._wall_s = ticks_s, wall_s
        if abs(passed_s - ran_s) > _STEP_S:
            return passed_s - ran_s, "the machine slept or its clock was set"
        # Called ten times a second and more: the program was held up.
        if ran_s > _STEP_S:
            return ran_s, "this program or machine stood still"
        return None


def reader_for(port: str, fmt: LineFormat) -> PortReader:
    """Make a reader of a device or URL that asks a polled gauge, and listens to any other."""
    if fmt.mode == "polled":
        poller = Poller(fmt.terminators)
        return PortReader(port, fmt.settings, poller=poller, request=fmt.request)
    return PortReader(port, fmt.settings)


def receive(port: str, fmt: LineFormat) -> Iterator[Chunk | Gap]:
    """Read a device or URL without end; in silence, give an empty chunk each 0.1 s.

    A port that cannot be opened at the start is a `PortError`; later troubles are gaps.
    """
    with reader_for(port, fmt) as reader:
        while True:
            found = [item for item in reader.get(0.1) if not isinstance(item, LineLost)]
            yield from found or [Chunk(reader.now_ns, b"")]
