"""The virtual gauge: bits on the wire, lines from a format, the model of berries, a real port."""

from __future__ import annotations

import re
import statistics
import sys
import time
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from random import Random

import pytest
import serial
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from gauge.cli import group
from gauge.errors import BadFormatError, CannotWriteError, InvalidValueError, PortError
from gauge.port.comport import ComPort
from gauge.protocol.capture import load_capture
from gauge.protocol.formatfile import shipped_format
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat, SerialSettings
from gauge.records import Status
from gauge.simulate.berrymodel import (
    HungWeight,
    PressedBerry,
    Rest,
    Selection,
    Track,
    berry_track,
    draw_berry,
)
from gauge.simulate.linewriter import LineWriter, PatternFiller
from gauge.simulate.playback import received, recorded
from gauge.simulate.ptyserver import PtyServer
from gauge.simulate.server import TcpServer
from gauge.simulate.virtualgauge import Display, VirtualGauge
from gauge.units import NEWTON_PER_FLOAT, Unit
from tests.lines import gauge_process, interrupted, running

NUMBER_UNIT = "number-unit"
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")


# --- bits ---------------------------------------------


def _even(byte: int) -> int:
    """Seven bits with an even parity bit on top, by counting ones."""
    return byte | (byte.bit_count() % 2) << 7


@given(st.binary(max_size=20).map(lambda b: bytes(x & 0x7F for x in b)))
def test_framings_of_ten_bits_and_eleven(data: bytes) -> None:
    # 7E1 and 8N1 both have ten bits: the parity bit arrives as bit 7.
    assert received(data, SerialSettings(bytesize=7, parity="E"), SerialSettings()) == bytes(
        _even(b) for b in data
    )
    odd = received(data, SerialSettings(bytesize=7, parity="O"), SerialSettings())
    assert odd == bytes(_even(b) ^ 0x80 for b in data)
    # 8E1 and 8N1 give the same bytes.
    assert received(data, SerialSettings(parity="E"), SerialSettings()) == data
    assert (
        received(
            data, SerialSettings(bytesize=7, parity="E"), SerialSettings(bytesize=7, parity="E")
        )
        == data
    )


@pytest.mark.parametrize(("sent", "client"), [(9600, 4800), (9600, 19200), (1200, 115200)])
def test_another_speed_makes_noise(sent: int, client: int) -> None:
    line = b"2.37 N\r\n"
    noise = received(line, SerialSettings(baudrate=sent), SerialSettings(baudrate=client))
    assert noise
    assert line not in noise


def test_a_small_error_of_speed_is_borne() -> None:
    # A receiver within about 4 % still samples the tenth bit inside of it.
    line = bytes(range(32, 127))
    assert received(line, SerialSettings(baudrate=9600), SerialSettings(baudrate=9800)) == line
    assert received(line, SerialSettings(baudrate=9600), SerialSettings(baudrate=10400)) != line


def test_impossible_settings() -> None:
    for options in ({"baudrate": 0}, {"bytesize": 9}, {"parity": "X"}, {"stopbits": 3}):
        with pytest.raises(InvalidValueError):
            SerialSettings(**options)  # type: ignore[arg-type]


# --- lines from a format ---------------------------------------------

values = st.decimals(min_value=0, max_value=99, places=2, allow_nan=False)


@given(values, st.sampled_from(Unit))
@settings(max_examples=60)
def test_number_unit_lines_read_back(value: Decimal, unit: Unit) -> None:
    line = WRITER.line(value, unit)
    (reading,) = Framer(WRITER.fmt).feed(0, WRITER.line(Decimal(0), unit) + line)[-1:]
    assert (Decimal(reading.shown), reading.unit, reading.status) == (value, unit, Status.OK)


WRITER = LineWriter(shipped_format(NUMBER_UNIT))


@pytest.mark.parametrize(
    "pattern",
    [
        r"[A-F]{2}\d{4} *(?P<value>[+-]?\d+\.\d{3}),(?P<unit>N|kgf)",
        r"(?:ST|US),(?P<sign>[+-])(?P<value>\d{5}\.\d)",
        r"(?P<value>[+-]\d\.\d{4}E[+-]\d\d)\s?",
        r"\x02?(?P<value>[ \d.-]{9})",
        r"(?P<unit>lbF|N) ?= ?(?P<value>-?\d{1,3}\.\d\d)(?= ?;) ?;",
    ],
)
def test_patterns_are_turned_round(pattern: str) -> None:
    filler = PatternFiller(pattern)
    value = {"value": "2.37"}
    for text in ("2.37", "2.370", "00002.3", "+2.3700E+00", "     2.37"):
        if filler.fits("value", text):
            value = {"value": text}
    slots = {**value, "sign": "+", "unit": "N"}
    made = [re.fullmatch(pattern, text) for text in filler.texts(slots)]
    found = next(m for m in made if m is not None)
    for name in filler.groups:
        assert found[name] == slots[name]


def test_templates() -> None:
    fmt = shipped_format(NUMBER_UNIT)
    writer = LineWriter(fmt, template="{value:7.2f} {unit}\r\n")
    assert writer.line(Decimal("1.5"), Unit.LBF) == b"   1.50 lbf\r\n"
    assert writer.units[0] is Unit.N
    comma = LineWriter(replace(fmt, decimal_comma=True), template="{value:.1f} {unit}")
    assert comma.line(Decimal("1.5"), Unit.N) == b"1,5 N\r\n"
    for bad in ("{nothing}", "{value:q}", "{value"):
        with pytest.raises(BadFormatError, match="template"):
            LineWriter(fmt, template=bad).line(Decimal(1), Unit.N)


def test_a_unit_that_the_format_lacks() -> None:
    fixed = LineFormat(
        name="newtons", pattern=r"(?P<value>-?\d+\.\d+)", terminators=(b"\n",), unit=Unit.N
    )
    writer = LineWriter(fixed)
    assert writer.line(Decimal("1.5"), Unit.N) == b"1.50\n"
    with pytest.raises(BadFormatError, match="lbf"):
        writer.line(Decimal(1), Unit.LBF)


# --- berries ---------------------------------------------


def test_selection_has_the_stated_mean_and_cv() -> None:
    selection = Selection(code="R-114", mean_newton=4.0, cv=0.25, softening_per_day=0.1)
    peaks = selection.peaks_newton(Random(3), 20_000, day=3)
    mean = 4.0 * 2.718281828**-0.3
    assert statistics.fmean(peaks) == pytest.approx(mean, rel=0.006)  # 3 standard errors
    assert statistics.stdev(peaks) / mean == pytest.approx(0.25, rel=0.03)


@given(st.integers(0, 10_000), st.floats(0.3, 20))
def test_a_press_rises_to_its_peak_and_never_beyond(seed: int, peak_newton: float) -> None:
    press = draw_berry(Random(seed), peak_newton)
    forces = [press.force_newton(i / 400 * press.duration_s) for i in range(401)]
    assert press.force_newton(press.rise_s) == peak_newton
    assert max(forces) <= peak_newton
    assert min(forces) >= 0
    rise = [press.force_newton(i / 100 * press.rise_s) for i in range(100)]
    assert rise == sorted(rise)


def test_a_hung_weight_comes_to_rest() -> None:
    weight = HungWeight(weight_newton=4.9)
    assert weight.force_newton(4.0) == pytest.approx(4.9, rel=1e-4)
    assert weight.force_newton(9.0) == 0
    track = Track([Rest(duration_s=1), weight])
    assert track.force_newton(5.0) == weight.force_newton(4.0)


@pytest.mark.parametrize("options", [{"peak_newton": 0}, {"peak_newton": 1, "rise_s": 0},
                                     {"peak_newton": 1, "unevenness": 1.5}])  # fmt: skip
def test_impossible_presses(options: dict[str, float]) -> None:
    with pytest.raises(InvalidValueError):
        PressedBerry(**options)


# --- the gauge ---------------------------------------------


def _gauge(peaks: list[float], **options: object) -> VirtualGauge:
    of_format = {n: options.pop(n) for n in ("mode", "request", "settings") if n in options}
    writer = LineWriter(replace(WRITER.fmt, **of_format))  # type: ignore[arg-type]
    track = berry_track(Random(1), peaks)
    return VirtualGauge(writer=writer, track=track, **options)  # type: ignore[arg-type]


def test_same_seed_same_bytes_and_every_tick_once() -> None:
    whole = recorded(_gauge([2.0, 3.0], rate_hz=50))
    assert whole == recorded(_gauge([2.0, 3.0], rate_hz=50))
    assert whole != recorded(_gauge([2.0, 3.0], rate_hz=50, seed=2))
    piecewise = _gauge([2.0, 3.0], rate_hz=50)
    pieces = [
        c for i in range(2000) for c in piecewise.sent_until(i * piecewise.track.duration_s / 1999)
    ]
    assert pieces == whole
    assert len(whole) == int(piecewise.track.duration_s * 50) + 1
    burst = recorded(_gauge([2.0, 3.0], rate_hz=50), latency_s=0.1)
    assert b"".join(c.data for c in burst) == b"".join(c.data for c in whole)
    assert len(burst) < len(whole) / 4


def test_shown_peak_is_the_true_one() -> None:
    chunks = recorded(_gauge([2.5], rate_hz=500, display=Display(noise_newton=0)))
    readings = Framer(WRITER.fmt).feed(0, b"".join(c.data for c in chunks))
    assert max(r.value for r in readings) == pytest.approx(2.5, abs=0.01)


def test_gain_unit_overload_and_faults() -> None:
    rng = Random(1)
    show = Display(noise_newton=0, gain=1.02).show
    assert show(5.0, Unit.N, rng) == (Decimal("5.10"), Status.OK)
    assert show(5.0, Unit.LBF, rng)[0] == round(Decimal(5.1 / NEWTON_PER_FLOAT[Unit.LBF]), 2)
    assert show(25.0, Unit.N, rng)[1] is Status.OVERLOAD
    assert str(show(-0.001, Unit.N, rng)[0]) == "0.00"
    plain = recorded(_gauge([2.0]))
    noisy = recorded(_gauge([2.0], noise_share=0.5))
    assert 0.2 < sum(a != b for a, b in zip(plain, noisy, strict=True)) / len(plain) < 0.6
    switched = recorded(_gauge([2.0], unit_from_s=1.0, unit_then=Unit.LBF))
    assert {b"lbf" in c.data for c in switched if c.t_ns < 1e9} == {False}
    assert {b"lbf" in c.data for c in switched if c.t_ns >= 1e9} == {True}


def test_button_mode_sends_each_peak_once() -> None:
    chunks = recorded(_gauge([2.0, 3.0], mode="button", display=Display(noise_newton=0)))
    assert [c.data for c in chunks] == [b"2.00 N\r\n", b"3.00 N\r\n"]
    with pytest.raises(BadFormatError):
        _gauge([1.0], mode="telepathic")
    with pytest.raises(InvalidValueError):
        _gauge([1.0], rate_hz=0)


# --- a real line ---------------------------------------------


def _read_until(port: serial.SerialBase, end_with: bytes, seconds: float = 5.0) -> bytes:
    data, end = b"", time.monotonic() + seconds
    while end_with not in data and time.monotonic() < end:
        data += port.read(64)
    return data


@POSIX
def test_pty_honours_the_speed_and_waits_for_a_client(tmp_path: Path) -> None:
    link = tmp_path / "gauge"
    end = PtyServer(link)
    gauge = _gauge([2.0], rate_hz=100)
    with running(end, gauge):
        time.sleep(0.1)
        with serial.Serial(str(link), 9600, timeout=0.1) as port:
            data = port.read(64)
            # The clock stood still until now: the client is in the first 0.2 s of the track.
            track = b"".join(c.data for c in recorded(_gauge([2.0], rate_hz=100)))
            assert 0 <= track.find(data) < len(track) // 20
            port.baudrate = 19200
            time.sleep(0.1)
            port.reset_input_buffer()
            assert b" N\r\n" not in port.read(400)
            port.baudrate = 9600
            assert b" N\r\n" in _read_until(port, b" N\r\n")
    assert not link.exists()


@POSIX
def test_a_link_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "gauge").write_text("mine")
    with pytest.raises(CannotWriteError, match="gauge"):
        PtyServer(tmp_path / "gauge")
    assert (tmp_path / "gauge").read_text() == "mine"


@pytest.mark.slow
def test_polled_over_tcp() -> None:
    end = TcpServer()
    with running(end, _gauge([2.0], mode="polled", request=b"R\r")):
        with serial.serial_for_url(end.address, timeout=0.3) as port:
            assert port.read(20) == b""
            port.write(b"R")
            assert port.read(20) == b""
            port.write(b"\rR\r")
            assert _read_until(port, b"N\r\n").count(b"N\r\n") in (1, 2)
        with serial.serial_for_url(end.address, timeout=0.3) as port:  # a second client
            port.write(b"R\r")
            assert b"N\r\n" in _read_until(port, b"N\r\n")


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::DeprecationWarning:serial")
@pytest.mark.parametrize("framing", ["7E1", "8N1", "8O1"])
def test_com_port_honours_speed_data_bits_and_parity(framing: str) -> None:
    # RFC 2217, by pySerial on the client's side.
    end = TcpServer(com_port=True)
    wire = SerialSettings(baudrate=19200, bytesize=int(framing[0]), parity=framing[1])
    with running(end, _gauge([2.0], rate_hz=100, settings=wire)):
        with serial.serial_for_url(
            end.address, 19200, bytesize=wire.bytesize, parity=wire.parity, timeout=0.2
        ) as port:
            good = _read_until(port, b" N\r\n")
            assert b" N\r\n" in good
        with serial.serial_for_url(end.address, 9600, timeout=0.2) as port:
            assert b" N\r\n" not in port.read(60)
        # A client at 8N1 sees the parity bit as bit 7, but receives 8O1 as it is.
        with serial.serial_for_url(end.address, 19200, timeout=0.2) as port:
            assert (b" N\r\n" in port.read(60)) is (framing[0] == "8")


@given(st.binary(max_size=60), st.data())
def test_com_port_bytes_may_be_split_anywhere(data: bytes, draw: st.DataObject) -> None:
    port = ComPort()
    assert port.escaped(data) == data.replace(b"\xff", b"\xff\xff")  # RFC 854
    sent = port.escaped(data) + bytes([255, 250, 44, 1, 0, 0, 255, 255, 1, 255, 240])
    cut = draw.draw(st.integers(0, len(sent)))
    port = ComPort()
    assert port.feed(sent[:cut]) + port.feed(sent[cut:]) == data
    assert port.settings.baudrate == 0xFF01
    assert port.replies().endswith(bytes([255, 250, 44, 101, 0, 0, 255, 255, 1, 255, 240]))


@given(st.binary(max_size=40))
def test_com_port_passes_over_impossible_commands(data: bytes) -> None:
    port = ComPort()
    port.feed(
        bytes([255, 250, 44, 3, 9, 255, 240, 255, 240, 255, 250, 44, 1, 7, 255, 240])
        + bytes([255, 250, 44, 1, 0, 0, 0, 7, 255, 240])
    )
    port.feed(data)
    port.feed(bytes([0, 255, 240, 255, 240]))
    assert port.feed(b"R") == b"R"
    assert port.settings.parity in tuple("NEOMS")


def test_a_busy_tcp_port() -> None:
    end = TcpServer()
    with pytest.raises(PortError, match=str(end.port)):
        TcpServer(end.port)
    end.close()


@POSIX
def test_command_ends_by_itself(tmp_path: Path) -> None:
    link = tmp_path / "gauge"
    words = ["--berries", "2", "--speedup", "10", "--rate-hz", "40", "--linger", "0.5"]
    with gauge_process("simulate", "--link", str(link), *words, "--seconds", "60") as process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == str(link)
        with serial.Serial(str(link), 9600, timeout=0.2) as port:
            data = b""
            while chunk := port.read(4096):
                data += chunk
                if len(data) > 1500:
                    break
        _, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert "played" in err
    readings = Framer(WRITER.fmt).feed(0, data)
    assert max(r.value for r in readings) > 1


@POSIX
def test_interrupting_removes_the_link(tmp_path: Path) -> None:
    link = tmp_path / "gauge"
    words = ["--link", str(link), "--forever", "--seconds", "60"]
    with gauge_process("simulate", *words) as process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == str(link)
        err = interrupted(process)
    assert process.returncode == 0
    assert err == "stopped\n"
    assert not link.is_symlink()


def test_shipped_formats_are_all_played() -> None:
    for name in ("number-unit", "sma-0499", "numeric-response"):
        fmt = shipped_format(name)
        if "unit" not in fmt.regex.groupindex:
            fmt = fmt.with_unit(Unit.N)
        writer = LineWriter(fmt)
        for status in (Status.OK, Status.OVERLOAD, Status.UNDERLOAD):
            line = writer.line(Decimal("2.37"), Unit.N, status)
            found = Framer(fmt).feed(0, line * 3)[-1]
            assert found.status is status
            assert status is not Status.OK or found.force_newton == 2.37


def test_command_writes_a_capture(tmp_path: Path) -> None:
    target = tmp_path / "c.txt"
    words = ["simulate", "--capture", str(target), "--berries", "2", "--seed", "7"]
    assert CliRunner().invoke(group, words).exit_code == 0
    first = target.read_bytes()
    assert CliRunner().invoke(group, words).exit_code == 0
    assert target.read_bytes() == first
    chunks = list(load_capture(target))
    assert len(chunks) > 100
    cut = ["simulate", "--capture", str(target), "--fault", "cut", "--fault", "overload"]
    assert CliRunner().invoke(group, cut).exit_code == 0
    readings = Framer(WRITER.fmt).feed(0, b"".join(c.data for c in load_capture(target)))
    assert readings[-1].value > 0.5
    assert any(r.status is Status.OVERLOAD for r in readings)
