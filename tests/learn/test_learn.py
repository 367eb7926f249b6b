"""Learning a line format: what is learned reads every line as it stands, or nothing is learned."""

from __future__ import annotations

import contextlib
import importlib.util
import json
import math
import os
import re
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from types import ModuleType

import pytest
from click.testing import CliRunner, Result

from gauge.cli import group
from gauge.errors import (
    AlreadyThereError,
    CannotWriteError,
    FirmhandError,
    NothingReceivedError,
    NotSureError,
    StoppedError,
)
from gauge.learn import sweep
from gauge.learn.inference import Learned, infer
from gauge.learn.received import NeedMoreError, NoCommonFormError, Received, strip_parity
from gauge.learn.sweep import Sweep, requests
from gauge.port import portreader
from gauge.protocol.capture import load_capture
from gauge.protocol.formatfile import load_format
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat, SerialSettings
from gauge.records import Chunk, Status
from gauge.season.file import open_season
from gauge.simulate.playback import received
from gauge.units import Unit
from tests.gauges import Bench, Gauge, Style, gauges, squeezes, styled, traps
from tests.lines import gauge_process, interrupted


def _bench(name: str) -> ModuleType:
    path = Path(__file__).parents[1] / "bench" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


SCORE = _bench("learn_score")


def lines_received(*lines: bytes, every_s: float = 0.05, **more: object) -> Received:
    chunks = tuple(Chunk(int(i * every_s * 1e9), line) for i, line in enumerate(lines))
    return Received(settings=SerialSettings(), chunks=chunks, **more)  # type: ignore[arg-type]


def squeezed(write: Callable[[float, int], bytes], n: int = 2, seed: int = 1) -> list[bytes]:
    return [write(f, i) for i, f in enumerate(squeezes(Random(seed), 20.0, n))]


# --- many formats ---------------------------------------------------------------------------------


@pytest.mark.parametrize("gauge", gauges(30, seed=12), ids=lambda g: g.name)
def test_varied_formats(gauge: Gauge) -> None:
    result = SCORE.learn(gauge)
    if isinstance(result, FirmhandError):
        pytest.fail(f"{gauge.write(3.21, 12)[0]!r}: {result}")
    assert SCORE.judge(gauge, result) == ("right", "")


# Seed and index of gauges whose format was once learned wrongly, or never: commas that part a clock
# or an exponent's digits from more digits, three lines that rise, checksums in hexadecimal.
ONCE_WRONG = [(2, 99), (2, 155), (2, 262), (2, 294), (3, 274), (12, 263), (31, 216), (901, 80),
              (902, 45), (902, 170), (902, 273), (5511, 195), (5511, 342), (5511, 530)]  # fmt: skip


@pytest.mark.parametrize(("seed", "index"), ONCE_WRONG)
def test_formats_that_once_went_wrong(seed: int, index: int) -> None:
    gauge = gauges(index + 1, seed)[index]
    result = SCORE.learn(gauge)
    assert isinstance(result, Learned), result
    assert SCORE.judge(gauge, result) == ("right", "")


@pytest.mark.parametrize("gauge", traps(), ids=lambda g: g.name)
def test_what_does_not_settle_one_format_is_never_read_wrongly(gauge: Gauge) -> None:
    result = SCORE.learn(gauge)
    if isinstance(result, Learned):
        verdict, line = SCORE.judge(gauge, result)
        assert verdict != "WRONG", line
        readable = ("held peak", "tension letter", "count down", "percent", "strange checksum")
        assert gauge.name in readable
    else:
        assert isinstance(result, NotSureError)
        assert result.todo or "'" in result.what


@pytest.mark.parametrize("baud", [1200, 9600, 115200])
@pytest.mark.parametrize("framing", [(8, "N"), (7, "E"), (7, "O")])
def test_a_wrong_speed_never_wins(baud: int, framing: tuple[int, str]) -> None:
    wire = SerialSettings(baudrate=baud, bytesize=framing[0], parity=framing[1])
    gauge = Gauge(name="plain", write=styled(Style(width=7), 10.0), wire=wire, rate_hz=10.0)
    learned = SCORE.learn(gauge)
    assert isinstance(learned, Learned)
    assert learned.fmt.settings == wire


def test_a_device_that_takes_any_speed() -> None:
    gauge = Gauge(name="usb", write=styled(Style(), 10.0), rate_hz=10.0, any_speed=True)
    learned = SCORE.learn(gauge)
    assert isinstance(learned, Learned)
    assert learned.fmt.settings.baudrate is None


# --- parts of the inference -----------------------------------------------------------------------


def test_parity_from_bit_seven() -> None:
    line = b"  12.34 N\r\n" * 4
    for bytesize, parity, stopbits in ((8, "N", 1), (7, "E", 1), (7, "O", 1), (7, "N", 2)):
        raw = received(
            line,
            SerialSettings(bytesize=bytesize, parity=parity, stopbits=stopbits),
            SerialSettings(),
        )
        assert strip_parity(raw) == (line, bytesize, parity, stopbits)
    with pytest.raises(NoCommonFormError):
        strip_parity(bytes(range(120, 200)))


def test_too_few_lines_and_no_squeeze() -> None:
    with pytest.raises(NeedMoreError, match="only 11 whole lines"):
        infer(lines_received(*[b"%5.2f N\r\n" % i for i in range(12)]))
    with pytest.raises(NeedMoreError, match="shows the same"):
        infer(lines_received(*[b" 0.00 N\r\n"] * 50))
    with pytest.raises(NeedMoreError, match="nothing was received"):
        infer(lines_received())


def test_unit_words() -> None:
    learned = infer(lines_received(*squeezed(lambda f, i: b"%7.1f g\r\n" % (f * 101.97))))
    assert learned.largest_unit is Unit.GF
    assert learned.notes == ("'g' is taken for the force unit gf",)
    bare = lines_received(*squeezed(lambda f, i: b"%7.2f\r\n" % f))
    with pytest.raises(NotSureError, match="do not say their unit"):
        infer(bare)
    assert infer(bare, unit=Unit.LBF).fmt.unit is Unit.LBF
    with pytest.raises(NotSureError, match="--unit says lbf"):
        infer(lines_received(*squeezed(lambda f, i: b"%7.2f N\r\n" % f)), unit=Unit.LBF)


def test_a_unit_that_changes_while_listening_stays_in_the_line() -> None:
    def write(f: float, i: int) -> bytes:
        return b"%8.3f N\r\n" % f if i < 60 else b"%8.3f lbF\r\n" % (f / 4.4482216)

    fmt = infer(lines_received(*squeezed(write, n=4))).fmt
    assert fmt.unit is None
    readings = Framer(fmt).feed(0, b"\r\n   2.370 N\r\n   0.533 lbF\r\n   0.126 kg\r\n")
    assert [r.unit for r in readings] == [Unit.N, Unit.LBF, Unit.KGF]


def test_the_force_is_the_one_that_moves_with_the_squeeze() -> None:
    def write(f: float, i: int) -> bytes:
        return b"%04d;12:00:%05.2f;%6.2f N;%4.1f C;%d\r\n" % (
            i,
            i * 0.05 % 60,
            f,
            21 + i % 3 / 10,
            i % 2,
        )

    readings = Framer(infer(lines_received(*squeezed(write))).fmt).feed(
        0, b"\r\n0007;12:00:00.10; 12.34 N;21.0 C;1\r\n"
    )
    assert [r.shown for r in readings] == ["12.34"]


def test_one_force_in_two_units_is_one_force() -> None:
    # 1 lbf = 4.4482216152605 N (NIST SP 811, Appendix B.9).
    two = lines_received(
        *squeezed(lambda f, i: b"%7.3f N %7.4f lbf\r\n" % (f, f / 4.4482216152605))
    )
    readings = Framer(infer(two).fmt).feed(0, b"\r\n  2.370 N  0.5328 lbf\r\n")
    assert [(r.shown, r.unit) for r in readings] == [("2.370", Unit.N)]
    off = lines_received(*squeezed(lambda f, i: b"%7.3f N %7.4f lbf\r\n" % (f, f / 4.1)))
    with pytest.raises(NotSureError, match="2 numbers of each line rise and fall"):
        infer(off)
    before = lines_received(
        *squeezed(lambda f, i: b"N %7.3f lbf %7.4f\r\n" % (f, f / 4.4482216152605))
    )
    (reading,) = Framer(infer(before).fmt).feed(0, b"\r\nN   2.370 lbf  0.5328\r\n")
    assert (reading.shown, reading.unit) == ("2.370", Unit.N)


def test_compression_that_is_shown_as_negative() -> None:
    learned = infer(lines_received(*squeezed(lambda f, i: b"%7.2f N\r\n" % -f)))
    assert learned.fmt.compression_sign == -1
    assert "negative" in learned.notes[0]
    assert float(learned.largest_shown) > 2


def test_words_for_overload() -> None:
    def write(f: float, i: int) -> bytes:
        return b"     OL N\r\n" if f > 5 else b" UL\r\n" if f < -0.014 else b"%7.2f N\r\n" % f

    fmt = infer(lines_received(*squeezed(write, n=4))).fmt
    assert "OL" in fmt.overload
    readings = Framer(fmt).feed(0, b"\r\n     OL N\r\n   2.37 N\r\n")
    assert [r.status for r in readings] == [Status.OVERLOAD, Status.OK]


def test_decimal_comma_and_thousands() -> None:
    def comma(f: float) -> bytes:
        return (b"%.3f" % f).replace(b".", b",")

    fmt = infer(lines_received(*squeezed(lambda f, i: comma(f) + b" N\n"))).fmt
    assert fmt.decimal_comma
    assert Framer(fmt).feed(0, b"\n2,370 N\n")[0].value == 2.37
    with pytest.raises(NotSureError, match="thousands"):
        infer(lines_received(*squeezed(lambda f, i: b"%b mN\n" % f"{round(f * 1000):,d}".encode())))


RISE_AND_FALL = [*[0.0] * 12, *[0.11 * i for i in range(40)], *[0.44 * i for i in range(9, -1, -1)]]


@pytest.mark.parametrize("n", [30, 45, 70])
def test_a_comma_is_never_settled_by_half_a_squeeze(n: int) -> None:
    # A clock's seconds, a comma and leading zeros; and a number whose decimal sign is a comma.
    for text, decimals in (("10:00:{0:02d},{1:07.2f} N", 2), ("{1:.3e} N", 3)):
        lines = [text.format(i // 20, f) for i, f in enumerate(RISE_AND_FALL[:n], start=500)]
        if decimals == 3:
            lines = [line.replace(".", ",") for line in lines]
        try:
            learned = infer(lines_received(*[line.encode() + b"\n" for line in lines]))
        except NotSureError:
            continue
        assert float(learned.largest_shown) == pytest.approx(max(RISE_AND_FALL[:n]), abs=0.006)


def test_a_checksum_or_a_count_tells_what_a_comma_is() -> None:
    def summed(f: float, i: int) -> bytes:
        line = b"mN %6d" % round(f * 1000)
        return b"%b,%03d\n" % (line, sum(line) % 256)

    learned = infer(lines_received(*squeezed(summed)))
    assert (learned.fmt.decimal_comma, learned.largest_unit) == (False, Unit.MN)
    counted = infer(lines_received(*squeezed(lambda f, i: b"%d,%d mN\n" % (i, round(f * 1000)))))
    assert float(counted.largest_shown) > 2000


def test_button_lines() -> None:
    lines = [b" 4.31 N\r\n", b" 2.75 N\r\n", b" 9.02 N\r\n"]
    chunks = tuple(
        Chunk(int(t * 1e9), line) for t, line in zip((2.0, 5.5, 8.1), lines, strict=True)
    )
    learned = infer(Received(settings=SerialSettings(), chunks=chunks, silent_first=True))
    assert (learned.fmt.mode, learned.n_lines, learned.largest_shown) == ("button", 3, "9.02")


def test_requests_have_their_ends() -> None:
    assert requests([])[:3] == [b"READ?\n", b"READ?\r", b"READ?\r\n"]
    assert requests([b"D\r"])[0] == b"D\r"
    assert b"\nW\r" in requests([])


def test_nothing_is_sent_without_consent() -> None:
    asked: list[bytes | None] = []

    def receive(settings, seconds, *, request, enough):  # type: ignore[no-untyped-def]
        asked.append(request)
        return Received(settings=settings, chunks=(), request=request)

    with pytest.raises(NothingReceivedError, match="nothing that can be read"):
        Sweep(receive, seconds=1.0).run()
    assert set(asked) == {None}


# --- the command ----------------------------------------------------------------------------------


class Feeder:
    """A gauge on a pseudo-terminal, or on TCP, that squeezes itself."""

    def __init__(
        self,
        write: Callable[[float, int], bytes],
        *,
        request: bytes | None = None,
        pause_s: float = 0.002,
    ) -> None:
        self.write, self.request, self.pause_s = write, request, pause_s
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _forces(self) -> Iterator[float]:
        seed = 0
        while True:
            yield from squeezes(Random(seed), 10.0 if self.request else 40.0)
            seed += 1

    def _run(self) -> None:
        raise NotImplementedError

    def __enter__(self) -> Feeder:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self.thread.join()


class TcpFeeder(Feeder):
    def __enter__(self) -> Feeder:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.server.settimeout(0.2)
        self.port = f"socket://127.0.0.1:{self.server.getsockname()[1]}"
        return super().__enter__()

    def _run(self) -> None:
        forces = self._forces()
        index = 0
        while not self.stop.is_set():
            try:
                client, _ = self.server.accept()
            except TimeoutError:
                continue
            with client:
                client.settimeout(self.pause_s)
                pending = b""
                while not self.stop.is_set():
                    try:
                        got = client.recv(100)
                        if not got:
                            break
                        pending += got
                    except TimeoutError:
                        pass
                    except OSError:
                        break
                    try:
                        if self.request is None:
                            client.sendall(self.write(next(forces), index))
                        elif self.request in pending:
                            pending = b""
                            client.sendall(self.write(next(forces), index))
                    except OSError:
                        break
                    index += 1


class PtyFeeder(Feeder):
    def __enter__(self) -> Feeder:
        import tty

        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.port = os.ttyname(self.slave)
        return super().__enter__()

    def _run(self) -> None:
        for index, force in enumerate(self._forces()):
            if self.stop.is_set():
                return
            with contextlib.suppress(BlockingIOError):
                os.write(self.master, self.write(force, index))
            time.sleep(self.pause_s)


def learn(port: str, out: Path, *more: str, answers: str | None = None) -> Result:
    args = ["learn", "--port", port, "--out", str(out), *more]
    return CliRunner().invoke(group, args, input=answers)


needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")


@needs_pty
def test_learn_over_a_pseudo_terminal(tmp_path: Path) -> None:
    out = tmp_path / "bench.toml"
    with PtyFeeder(lambda f, i: b"%7.2f N\r\n" % f) as feeder:
        result = learn(feeder.port, out, "--yes", "--seconds", "15", "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    fmt = load_format(out)
    assert document["baudrate"] is fmt.settings.baudrate is None
    assert (document["unit"], document["mode"], document["framing"]) == ("N", "streaming", "8N1")
    assert document["largest"] > 2
    # What was received stands beside the format, and reads the same.
    chunks = [c for c in load_capture(tmp_path / "bench.received.txt") if isinstance(c, Chunk)]
    framer = Framer(fmt)
    readings = [r for c in chunks for r in framer.feed(c.t_ns, c.data)]
    assert max(r.value for r in readings) >= document["largest"]


@needs_pty
def test_the_user_is_asked_and_may_say_no(tmp_path: Path) -> None:
    out = tmp_path / "bench.toml"
    kept = tmp_path / "what.txt"
    with PtyFeeder(lambda f, i: b"%7.3f lb\r\n" % (f / 4.448)) as feeder:
        result = learn(feeder.port, out, "--seconds", "15", "--received", str(kept), answers="n\n")
    assert isinstance(result.exception, NotSureError)
    assert "'lb' is taken for the force unit lbf" in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["what.txt"]
    assert kept.stat().st_size > 100
    assert re.search(r"2 squeezes seen", result.output)


@pytest.mark.slow
@needs_pty
def test_stopped_by_the_user(tmp_path: Path) -> None:
    out, kept = tmp_path / "bench.toml", tmp_path / "what.txt"
    with (
        PtyFeeder(lambda f, i: b"%7.2f N\r\n" % f, pause_s=0.02) as feeder,
        gauge_process(
            "learn", "--port", feeder.port, "--out", str(out), "--received", str(kept)
        ) as running,
    ):
        assert running.stderr is not None
        running.stderr.readline()  # it listens
        time.sleep(1.2)
        printed = interrupted(running)
    assert running.returncode == StoppedError.exit_code
    assert "no format was written" in printed
    assert "Traceback" not in printed
    assert not out.exists()
    received = load_capture(kept)
    assert max(chunk.t_ns for chunk in received if isinstance(chunk, Chunk)) > 6e8


def test_a_format_that_exists_is_replaced_only_on_a_yes(tmp_path: Path) -> None:
    out = tmp_path / "bench.toml"
    out.write_text("mine\n", encoding="utf-8")
    result = learn("socket://127.0.0.1:9", out, answers="n\n")
    assert isinstance(result.exception, AlreadyThereError)
    assert [path.name for path in tmp_path.iterdir()] == ["bench.toml"]
    assert out.read_text(encoding="utf-8") == "mine\n"
    with TcpFeeder(lambda f, i: b"%7.2f N\r\n" % f) as feeder:
        result = learn(feeder.port, out, "--seconds", "3", answers="y\ny\n")
    assert result.exit_code == 0, result.output
    assert load_format(out).terminators == (b"\r\n",)


def test_a_target_that_cannot_be_written_is_refused_before_anybody_squeezes(
    tmp_path: Path,
) -> None:
    nowhere = learn("socket://127.0.0.1:9", tmp_path / "no" / "bench.toml", "--yes")
    assert isinstance(nowhere.exception, CannotWriteError)
    season = tmp_path / "a.season"
    with open_season(season, create=True):
        pass
    before = season.read_bytes()
    result = learn("socket://127.0.0.1:9", season, "--yes")
    assert isinstance(result.exception, AlreadyThereError)
    assert season.read_bytes() == before
    notes = tmp_path / "notes.md"
    notes.write_text("# Gauges\n")
    assert "is no line format" in str(learn("socket://127.0.0.1:9", notes, "--yes").exception)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.season", "notes.md"]


@pytest.mark.slow
def test_polled_over_tcp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A faster gauge, asked more often: the same path in less time.
    for module in (portreader, sweep):
        monkeypatch.setattr(module, "ASK_EVERY_S", 0.012)
    monkeypatch.setattr(sweep, "PROBE_S", 0.3)
    out = tmp_path / "bench.toml"
    with TcpFeeder(lambda f, i: b"%+.4E\r\n" % f, request=b"READ?\r") as feeder:
        result = learn(feeder.port, out, "--yes", "--seconds", "3", "--unit", "N")
    assert result.exit_code == 0, result.output
    fmt = load_format(out)
    assert (fmt.mode, fmt.request, fmt.settings.baudrate, fmt.unit) == (
        "polled",
        b"READ?\r",
        None,
        Unit.N,
    )


def test_not_sure_writes_nothing(tmp_path: Path) -> None:
    out = tmp_path / "bench.toml"
    with TcpFeeder(lambda f, i: b"%7.2f\r\n" % f) as feeder:
        result = learn(feeder.port, out, "--yes", "--seconds", "1", "--json")
    assert isinstance(result.exception, NotSureError)
    assert "--unit" in result.exception.todo
    assert result.stdout == ""
    assert list(tmp_path.iterdir()) == []  # neither a format nor what was received


@pytest.mark.slow
def test_a_unit_that_lines_do_not_say_is_asked_for_after_a_few_lines(tmp_path: Path) -> None:
    out, began = tmp_path / "bench.toml", time.monotonic()
    with TcpFeeder(lambda f, i: b"%7.2f\r\n" % f) as feeder:
        result = learn(feeder.port, out, "--seconds", "60", answers="lbf\ny\n")
    assert result.exit_code == 0, result.output
    assert "the lines do not say their unit" in result.output
    assert load_format(out).unit is Unit.LBF
    assert time.monotonic() - began < 40


def test_a_key_that_sends_a_line_now_and_then_is_stayed_with() -> None:
    # 2.50 N at 9600 baud every 3 s: two lines come in the first look, at the first setting.
    clock_ns, said, settings_tried = [0], [], []

    def receive(settings, seconds, *, request, enough, **_):
        settings_tried.append(settings)
        begin_ns, chunks = clock_ns[0], []
        clock_ns[0] += int(seconds * 1e9)
        for n in range(40):
            at_ns = int((n + 0.3) * 3e9)
            if begin_ns <= at_ns < clock_ns[0]:
                chunks.append(Chunk(at_ns - begin_ns, b"%.2f N\r\n" % (2.5 + 0.37 * n)))
        received = Received(settings=settings, chunks=tuple(chunks), silent_first=True)
        if chunks:
            enough(received)
        return received

    learned = Sweep(receive, seconds=20.0, report=said.append).run()
    assert {settings.baudrate for settings in settings_tried} == {9600}
    assert learned.fmt.mode == "button"
    assert any("press its key" in text for text in said)


@pytest.mark.slow
def test_words_to_the_tech_bear_no_notation_of_programs(tmp_path: Path) -> None:
    out = tmp_path / "bench.toml"
    with TcpFeeder(lambda f, i: b"%+.2f N\r\n" % f, request=b"\nW\r") as feeder:
        result = learn(feeder.port, out, "--yes", "--seconds", "3")
    assert r"answers the request \nW\r" in result.output
    assert "b'" not in result.output


def test_learned_formats_are_plain_data() -> None:
    learned = infer(lines_received(*squeezed(lambda f, i: b"\x02%+8.2f kgf\x03" % f)))
    assert isinstance(learned.fmt, LineFormat)
    assert (learned.fmt.start, learned.fmt.terminators) == (b"\x02", (b"\x03",))
    assert math.isfinite(float(learned.largest_shown))
    assert Bench(gauges(1)[0]).index == 0
