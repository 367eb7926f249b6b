"""The gauge's end of a line for tests: pseudo-terminals that can be unplugged, and TCP."""

from __future__ import annotations

import contextlib
import math
import os
import re
import signal
import socket
import subprocess
import sys
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

from gauge.simulate.playback import serve
from gauge.simulate.server import Server
from gauge.simulate.virtualgauge import VirtualGauge


def wait_for(condition: Callable[[], object], seconds: float = 10.0) -> None:
    """Wait until a condition holds; fail loudly if it does not in time."""
    until = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > until:
            raise AssertionError("waited in vain")
        time.sleep(0.005)


class PtyLine:
    """A pseudo-terminal under a link; `unplug` hangs up, `plug` makes a fresh one there."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self._far: int | None = None
        self.plug()

    def plug(self, link: Path | None = None) -> None:
        self.link = link or self.link
        far, near = os.openpty()
        tty.setraw(near)
        os.set_blocking(far, True)
        if self.link.is_symlink():
            self.link.unlink()
        self.link.symlink_to(os.ttyname(near))
        os.close(near)
        self._far = far

    def unplug(self) -> None:
        assert self._far is not None
        os.close(self._far)
        self.link.unlink()
        self._far = None

    def send(self, data: bytes) -> None:
        if self._far is None:
            raise OSError("unplugged")
        os.write(self._far, data)

    def read(self) -> bytes:
        assert self._far is not None
        return os.read(self._far, 4096)

    def close(self) -> None:
        if self._far is not None:
            self.unplug()


class TcpLine:
    """A TCP port that takes one client after another."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self.client: socket.socket | None = None

    def accept(self) -> socket.socket:
        self._server.settimeout(10)
        self.client, _ = self._server.accept()
        return self.client

    def hang_up(self) -> None:
        assert self.client is not None
        self.client.close()
        self.client = None

    def close(self) -> None:
        if self.client is not None:
            self.client.close()
        self._server.close()


def press(peak: float, *, rate_hz: float = 50.0, seconds: float = 1.0) -> list[float]:
    """Forces of one press, half a sine, that reach their peak in one reading."""
    n = int(rate_hz * seconds)
    return [round(peak * math.sin(math.pi * i / n), 2) for i in range(n + 1)]


def rest(seconds: float, *, rate_hz: float = 50.0) -> list[float]:
    """Forces at rest, with one display step of noise."""
    return [0.01 * (i % 2) for i in range(int(rate_hz * seconds))]


def line(force: float) -> bytes:
    """A line of the shipped format number-unit."""
    return b"%.2f N\r\n" % force


def play(
    send: Callable[[bytes], object], forces: list[float], *, rate_hz: float = 200.0
) -> threading.Thread:
    """Send forces so fast, after a second at rest, on a thread that is started.

    The second lets the detector find rest even where the machine is busy.
    """
    forces = [*rest(1, rate_hz=rate_hz), *forces]

    def run() -> None:
        began = time.monotonic()
        for i, force in enumerate(forces):
            time.sleep(max(0.0, began + i / rate_hz - time.monotonic()))
            try:
                send(line(force))
            except OSError:
                return

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


@contextlib.contextmanager
def running(end: Server, gauge: VirtualGauge, **options: object) -> Iterator[Callable[[], None]]:
    """Play a gauge on a thread for the length of a `with` block; the line is closed after it.

    Yields
    ------
    callable
        Stops the gauge before the block ends.
    """
    stop = threading.Event()
    thread = threading.Thread(
        target=serve, args=(end, gauge), kwargs={**options, "stop": stop}, daemon=True
    )
    thread.start()

    def halt() -> None:
        stop.set()
        thread.join()

    try:
        yield halt
    finally:
        halt()
        end.close()


def interrupted(process: subprocess.Popen[str]) -> str:
    """Stop a process by Ctrl-C; what it then wrote on stderr."""
    process.send_signal(signal.SIGINT)
    return process.communicate(timeout=20)[1]


@contextlib.contextmanager
def gauge_process(*words: str) -> Iterator[subprocess.Popen[str]]:
    """Run a `gauge` command as a process of its own; it is ended with the block, come what may.

    It heeds Ctrl-C even where the tests run in the background, which a shell starts without.
    """
    heed = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
    process = subprocess.Popen(
        [sys.executable, "-c", f"{heed}; from gauge.cli import main; main()", *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
    )  # fmt: skip
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


class Terminal:
    """A `gauge` command on a pseudo-terminal of its own, as a person has it before them."""

    def __init__(self, *words: str, size: tuple[int, int] = (100, 30), **environment: str) -> None:
        self._far, near = os.openpty()
        termios.tcsetwinsize(near, size[::-1])
        names = {"PYTHONPATH": str(Path(__file__).parents[1]), "TERM": "xterm-256color"}
        # What a runner of tests says of its own terminal is not so of this one.
        others = ("NO_COLOR", "TEXTUAL", "COLUMNS", "LINES")
        inherited = {k: v for k, v in os.environ.items() if k not in others}
        self._process = subprocess.Popen(
            [sys.executable, "-c", "from gauge.cli import main; main()", *words],
            stdin=near, stdout=near, stderr=near, start_new_session=True,
            env={**inherited, **names, **environment},
        )  # fmt: skip
        os.close(near)
        self._raw = b""
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):  # the other end is closed
            while data := os.read(self._far, 65536):
                self._raw += data

    @property
    def text(self) -> str:
        """All that was sent to the terminal so far."""
        return self._raw.decode("utf-8", "replace")

    @property
    def words(self) -> str:
        """The same without what moves and colours."""
        return re.sub(r"\x1b(\[[0-?]*[ -/]*[@-~]|\][^\a]*\a)", "", self.text)

    def wait(self, text: str, seconds: float = 60.0) -> None:
        """Wait until a text was shown."""
        try:
            wait_for(lambda: text in self.words, seconds)
        except AssertionError:
            raise AssertionError(f"'{text}' is not in: {self.words[-2000:]}") from None

    def type(self, text: str) -> None:
        """Type, or scan, a text at once."""
        os.write(self._far, text.encode())

    def ended(self) -> int:
        """Wait for the end; the exit status."""
        return self._process.wait(20)

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()
