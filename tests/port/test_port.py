"""The serial port under the faults of a real bench: hang-ups, new names, stale bytes, late replies.

Parity marks: POSIX.1-2017, General Terminal Interface, 11.2.2 (PARMRK).
"""

from __future__ import annotations

import itertools
import json
import os
import random
import sys
import tempfile
import termios
import threading
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from gauge.commands.ports import command as ports_command
from gauge.errors import PortBusyError, PortError
from gauge.learn.listener import PortListener
from gauge.port import portreader
from gauge.port import serialport as port_module
from gauge.port.claims import claim_port
from gauge.port.polling import Poller, PollSettings
from gauge.port.portreader import PortReader, receive
from gauge.port.serialport import PortInfo, SerialPort
from gauge.protocol.formatfile import shipped_format
from gauge.protocol.lineformat import SerialSettings
from gauge.protocol.paritymarks import BAD_BYTE, ParityMarks
from gauge.records import Chunk, Gap, LineLost
from gauge.session.recorder import BerryRecorder
from tests.lines import PtyLine, TcpLine, wait_for
from tests.polledgauge import poll_faulty_gauge

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
LINE = SerialSettings(baudrate=9600)


@pytest.fixture
def pty(tmp_path):
    end = PtyLine(tmp_path / "gauge")
    yield end
    end.close()


@pytest.fixture
def tcp():
    end = TcpLine()
    yield end
    end.close()


class Collected:
    """What a reader gave, by kind."""

    def __init__(self, reader: PortReader) -> None:
        self._reader, self.items = reader, []

    def pump(self) -> list:
        self.items += self._reader.get(0.02)
        return self.items

    @property
    def data(self) -> bytes:
        return b"".join(item.data for item in self.pump() if isinstance(item, Chunk))

    def gaps(self) -> list[Gap]:
        return [item for item in self.pump() if isinstance(item, Gap)]

    def downs(self) -> list[LineLost]:
        return [item for item in self.pump() if isinstance(item, LineLost)]


def test_bytes_arrive_with_rising_times(pty):
    with PortReader(str(pty.link), LINE) as reader:
        got = Collected(reader)
        for i in range(20):
            pty.send(b"%d\r\n" % i)
            time.sleep(0.01)
        wait_for(lambda: got.data.endswith(b"19\r\n"))
    assert got.data == b"".join(b"%d\r\n" % i for i in range(20))
    times = [item.t_ns for item in got.items]
    assert times == sorted(times)
    assert 0.15e9 < times[-1] - times[0] < 2e9


def test_unplug_and_replug_is_one_gap(pty):
    with PortReader(str(pty.link), LINE) as reader:
        got = Collected(reader)
        pty.send(b"before\r\n")
        wait_for(lambda: b"before" in got.data)
        pty.unplug()
        wait_for(got.downs)
        time.sleep(0.3)
        pty.plug()
        wait_for(got.gaps)
        pty.send(b"after\r\n")
        wait_for(lambda: b"after" in got.data)
    assert got.data == b"before\r\nafter\r\n"
    [gap] = got.gaps()
    assert gap.to_ns - gap.from_ns >= 0.3e9
    assert gap.from_ns == got.downs()[0].t_ns


def test_end_within_a_gap_closes_the_gap(pty):
    reader = PortReader(str(pty.link), LINE)
    reader.start()
    got = Collected(reader)
    pty.unplug()
    wait_for(got.downs)
    reader.stop()
    assert len(got.gaps()) == 1


def test_a_renamed_usb_port_is_found_by_its_identity(tmp_path, monkeypatch):
    old, new, other = (PtyLine(tmp_path / name) for name in ("usb0", "usb1", "usb9"))
    ours = {"usb_vendor": 0x0403, "usb_product": 0x6001, "usb_serial": "A1"}
    present = [PortInfo(port=str(old.link), description="", **ours)]
    monkeypatch.setattr(port_module, "serial_ports", lambda: list(present))
    with PortReader(str(old.link), LINE) as reader:
        got = Collected(reader)
        old.send(b"one\r\n")
        wait_for(lambda: b"one" in got.data)
        old.unplug()
        # Another device now bears the old name: it must never be taken for the gauge.
        other.plug(tmp_path / "usb0")
        present[:] = [
            PortInfo(port=str(other.link), description="", **{**ours, "usb_serial": "B7"})
        ]
        wait_for(got.downs)
        time.sleep(0.4)
        other.send(b"wrong gauge\r\n")
        assert not got.gaps()
        with PortReader(str(other.link), LINE) as second:  # the name is free for that gauge
            other.send(b"its own\r\n")
            wait_for(lambda: any(item.data for item in second.get(0.1) if isinstance(item, Chunk)))
        present.append(PortInfo(port=str(new.link), description="", **ours))
        wait_for(got.gaps)
        new.send(b"two\r\n")
        wait_for(lambda: b"two" in got.data)
        assert reader.device == str(new.link)
    assert got.data == b"one\r\ntwo\r\n"
    for end in (new, other):
        end.close()


@pytest.mark.parametrize(
    "error",
    [OSError(5, "io"), TypeError("fd is None"), termios.error(5, "io"), PermissionError(13, "no")],
)
def test_every_kind_of_loss_is_a_gap(pty, monkeypatch, error):
    with PortReader(str(pty.link), LINE) as reader:
        got = Collected(reader)
        pty.send(b"x")
        wait_for(lambda: got.data == b"x")
        failing = iter([error])

        def read(port, real=SerialPort.read):
            for trouble in failing:
                raise trouble
            return real(port)

        monkeypatch.setattr(SerialPort, "read", read)
        wait_for(got.gaps)
        pty.send(b"y")
        wait_for(lambda: got.data == b"xy")


def test_a_jump_of_the_wall_clock_is_a_gap(pty, monkeypatch):
    offset = [0.0]
    real = time.time
    monkeypatch.setattr(portreader.time, "time", lambda: real() + offset[0])
    with PortReader(str(pty.link), LINE) as reader:
        got = Collected(reader)
        time.sleep(0.2)
        assert not got.gaps()
        offset[0] = 3600.0
        wait_for(got.gaps)
    assert "slept or its clock was set (+3600.0 s)" in got.gaps()[0].reason


def test_tcp_hang_up_loses_nothing_that_came_before(tcp):
    with PortReader(tcp.url, LINE) as reader:
        got = Collected(reader)
        client = tcp.accept()
        for i in range(500):
            client.sendall(b"%05d\r\n" % i)
        tcp.hang_up()
        wait_for(got.downs)
        assert got.data == b"".join(b"%05d\r\n" % i for i in range(500))
        tcp.accept().sendall(b"again\r\n")
        wait_for(lambda: b"again" in got.data)
    assert len(got.gaps()) == 1


def test_a_taken_port_names_the_process_and_no_lock_file_is_left(pty):
    locks = Path(tempfile.gettempdir()) / "firmhand-locks"
    before = set(locks.glob("*"))
    taken = pytest.raises(PortBusyError, match=rf"in use by another .*process {os.getpid()}")
    with PortReader(str(pty.link), LINE), taken:
        PortReader(str(pty.link), LINE).start()
    assert set(locks.glob("*")) <= before


def test_a_lock_that_comes_and_goes_is_never_held_twice(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    inside, worst, refused = [], [0], [0]

    def work() -> None:
        for _ in range(300):
            try:
                with claim_port("/dev/one"):
                    inside.append(1)
                    worst[0] = max(worst[0], len(inside))
                    time.sleep(0)
                    inside.pop()
            except PortBusyError:
                refused[0] += 1

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert worst[0] == 1
    assert not list((tmp_path / "firmhand-locks").glob("*"))


def test_ports_that_cannot_be_had_say_what_to_do(tmp_path):
    with pytest.raises(PortError, match=r"does not exist.*gauge ports"):
        PortReader(str(tmp_path / "none"), LINE).start()
    plain = tmp_path / "file"
    plain.write_text("no port")
    with pytest.raises(PortError, match=r"is not a serial port.*gauge ports"):
        PortReader(str(plain), LINE).start()
    with pytest.raises(PortError, match="does not answer"):
        PortReader("socket://127.0.0.1:9", LINE).start()
    with pytest.raises(PortError, match="not known"):
        PortReader("nonsense://x", LINE).start()


def test_ports_have_a_header_and_none_is_said(monkeypatch):
    monkeypatch.setattr(port_module, "serial_ports", lambda: [])
    assert "No serial port found" in CliRunner().invoke(ports_command, []).stdout
    known = PortInfo(port="/dev/a", description="adapter", usb_vendor=1027, usb_product=24577)
    monkeypatch.setattr(port_module, "serial_ports", lambda: [known])
    printed = CliRunner().invoke(ports_command, []).stdout
    assert printed.split()[:4] == ["port", "description", "USB", "identity"]
    assert "0403:6001" in printed


def test_ports_are_listed_with_their_usb_identity(monkeypatch):
    from serial.tools.list_ports_common import ListPortInfo

    usb, plain = ListPortInfo("/dev/ttyUSB0"), ListPortInfo("/dev/ttyS0")
    usb.description, usb.vid, usb.pid, usb.serial_number = "USB adapter", 0x0403, 0x6001, "A1"
    plain.description = "n/a"
    monkeypatch.setattr(port_module.list_ports, "comports", lambda **_: [usb, plain])
    result = CliRunner().invoke(ports_command, ["--json"])
    assert json.loads(result.stdout) == {
        "ports": [
            {"port": "/dev/ttyS0", "description": "n/a", "usb": None},
            {
                "port": "/dev/ttyUSB0",
                "description": "USB adapter",
                "usb": {"vendor": 0x0403, "product": 0x6001, "serial": "A1"},
            },
        ]
    }
    text = CliRunner().invoke(ports_command, []).stdout
    assert "/dev/ttyUSB0  USB adapter  0403:6001 A1" in text


def test_a_second_logger_of_ours_is_refused(pty):
    with (
        PortReader(str(pty.link), LINE),
        pytest.raises(PortBusyError, match="another logger of ours"),
    ):
        PortReader(os.path.realpath(pty.link), LINE).start()


def test_a_port_that_another_program_holds_is_busy(pty, monkeypatch):
    import fcntl

    monkeypatch.setattr(portreader, "BUSY_S", 0.2)
    holder = os.open(pty.link, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(holder, fcntl.LOCK_EX)
    with pytest.raises(PortBusyError, match="held by another program"):
        PortReader(str(pty.link), LINE).start()
    os.close(holder)


def test_parity_is_checked_where_it_is_used(pty):
    # Whether an adapter honours the switches cannot be seen here; that the driver has them can.
    with PortReader(str(pty.link), SerialSettings(bytesize=7, parity="E")):
        device = os.open(pty.link, os.O_RDWR | os.O_NOCTTY)
        flags = termios.tcgetattr(device)[0]
        os.close(device)
        assert flags & termios.INPCK
        assert flags & termios.PARMRK
        assert not flags & (termios.IGNPAR | termios.ISTRIP)


# --- parity marks -----------------------------------------------------------------------------


@given(st.lists(st.one_of(st.integers(0, 255), st.tuples(st.just("bad"), st.integers(0, 255)))))
def test_parity_marks_survive_any_split(sent):
    marked = b"".join(
        b"\xff\0" + bytes([item[1]])
        if isinstance(item, tuple)
        else b"\xff\xff"
        if item == 0xFF
        else bytes([item])
        for item in sent
    )
    expected = b"".join(BAD_BYTE if isinstance(i, tuple) else bytes([i]) for i in sent)
    assert ParityMarks().feed(marked) == expected
    one_by_one = ParityMarks()
    assert b"".join(one_by_one.feed(marked[i : i + 1]) for i in range(len(marked))) == expected


# --- listening --------------------------------------------------------------------------------


def test_a_request_is_sent_time_and_again(tcp):
    asked = []

    def gauge() -> None:
        client = tcp.accept()
        while data := client.recv(100):
            asked.append(data)
            client.sendall(b"2.37 N\r\n")

    threading.Thread(target=gauge, daemon=True).start()
    with PortReader(tcp.url, LINE, request=b"READ?\n") as reader:
        got = Collected(reader)
        time.sleep(0.5)
        assert got.data.count(b"2.37 N\r\n") >= 4
    assert b"".join(asked).count(b"READ?\n") in (4, 5, 6)


def test_learning_says_when_the_port_went_away(tcp):
    threading.Thread(target=lambda: tcp.accept().close(), daemon=True).start()
    listen = PortListener(tcp.url)
    with pytest.raises(PortError, match="went away"):
        listen(LINE, 2.0, request=None, enough=lambda received: False)
    listen.close()


def test_silence_shows_in_what_is_received(pty):
    stream = receive(str(pty.link), shipped_format("number-unit"))
    first = next(stream)
    assert first.data == b""
    pty.send(b"x")
    data = b"".join(c.data for c in itertools.islice(stream, 3) if isinstance(c, Chunk))
    assert data == b"x"
    stream.close()


# --- polling ----------------------------------------------------------------------------------


def test_late_and_doubled_replies_are_never_misattributed():
    settings = PollSettings()
    seen = poll_faulty_gauge(random.Random(11), 500, late_ms=1500, double_ms=25, settings=settings)
    assert seen.misattributed == 0
    assert seen.accepted > 200
    assert seen.faulty > 200


def test_an_eager_poller_would_misattribute():
    # The same gauge, asked without the waits: the check above can fail.
    eager = PollSettings(quiet_s=0.01, guard_s=0.001, quiet_most_s=0.01, guard_most_s=0.001)
    seen = poll_faulty_gauge(random.Random(11), 500, late_ms=1500, double_ms=25, settings=eager)
    assert seen.misattributed > 0


def test_polling_over_a_line(tcp):
    def gauge() -> None:
        client, count = tcp.accept(), 0
        while client.recv(100):
            count += 1
            client.sendall(b"%d\r\n" % count * (2 if count % 4 == 0 else 1))

    threading.Thread(target=gauge, daemon=True).start()
    poller = Poller((b"\r\n",), PollSettings(quiet_s=0.1))
    with PortReader(tcp.url, LINE, poller=poller, request=b"?\r") as reader:
        got = Collected(reader)
        wait_for(lambda: len(got.data.split()) >= 12)
    # A doubled reply costs its sample, and nothing else.
    numbers = [int(n) for n in got.data.split()]
    assert numbers == [n for n in range(1, numbers[-1] + 1) if n % 4]
    assert not got.gaps()
    assert not got.downs()


@pytest.mark.parametrize("share", [0.05, 0.1])
def test_presses_on_a_polled_gauge_with_bad_replies_are_logged(share):
    """A bad reply costs its sample, once it is known how late this line's replies can be."""
    seen = poll_faulty_gauge(
        random.Random(3), 3000, late_ms=100, double_ms=25, settings=PollSettings(), share=share
    )
    assert seen.misattributed == 0

    def line(asked_ns: int) -> bytes:
        phase_s = asked_ns / 1e9 % 5
        return b"%.2f N\r\n" % (min(2 * (phase_s - 2), 3.0) if 2 <= phase_s < 4.2 else 0.0)

    recorder = BerryRecorder(shipped_format("number-unit"))
    for t_ns, number in seen.replies:
        recorder.feed(Chunk(t_ns, line(seen.asked_ns[number - 1])))
    peaks = [berry.press.peak_newton for berry in recorder.logged]
    assert len(peaks) >= 0.8 * (seen.seconds / 5)
    assert set(peaks) == {3.0}


@pytest.mark.slow
def test_a_gauge_that_does_not_answer_is_one_gap(tcp):
    silent = threading.Event()

    def gauge() -> None:
        client, count = tcp.accept(), 0
        while client.recv(100):
            count += 1
            if not silent.is_set():
                client.sendall(b"%d\r\n" % count)

    threading.Thread(target=gauge, daemon=True).start()
    poller = Poller((b"\r\n",), PollSettings(quiet_s=0.05, timeout_s=0.1))
    with PortReader(tcp.url, LINE, poller=poller, request=b"?\r") as reader:
        got = Collected(reader)
        wait_for(lambda: got.data)
        silent.set()
        wait_for(got.downs)
        time.sleep(0.6)
        assert not got.gaps()
        silent.clear()
        wait_for(got.gaps)
    assert len(got.downs()) == len(got.gaps()) == 1
    assert got.gaps()[0].reason == "the gauge does not answer"


@pytest.mark.parametrize("place", ["/dev/null", "/tmp"])
def test_what_is_no_serial_port_is_called_that(place: str) -> None:
    with (
        pytest.raises(PortError, match=r"is not a serial port.*gauge ports"),
        PortReader(place, LINE),
    ):
        pass
