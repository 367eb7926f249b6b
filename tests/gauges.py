"""Gauges of many line formats, seeded: what they send for a given force, and what is true of it.

Nothing here uses firmhand's inference or framing; the bit level of a serial line is in `playback`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from random import Random

from gauge.port.polling import ASK_EVERY_S
from gauge.protocol.lineformat import SerialSettings
from gauge.records import Chunk
from gauge.simulate.playback import received
from gauge.units import NEWTON_PER_FLOAT, Unit

BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
UNIT_TEXTS = {
    Unit.N: ("N",),
    Unit.LBF: ("lbf", "lbF", "LBF", "lb"),
    Unit.KGF: ("kgf", "kgF", "kg"),
    Unit.GF: ("gf", "g"),
    Unit.OZF: ("ozf", "ozF"),
    Unit.MN: ("mN",),
}
DECIMALS = {Unit.N: 2, Unit.LBF: 3, Unit.KGF: 3, Unit.GF: 1, Unit.OZF: 2, Unit.MN: 0}


def squeezes(rng: Random, rate_hz: float, n_presses: int = 2) -> list[float]:
    """Forces in newtons, one a reading: rest, hand-made presses, rest."""
    out: list[float] = []
    noise = lambda: rng.gauss(0, 0.006)  # noqa: E731
    rest = lambda s: [noise() for _ in range(max(4, int(s * rate_hz)))]  # noqa: E731
    out += rest(0.8)
    for _ in range(n_presses):
        peak = rng.uniform(2.0, 19.0)
        rise, fall = rng.uniform(1.0, 2.5), rng.uniform(0.5, 1.0)
        n_up, n_down = max(6, int(rise * rate_hz)), max(4, int(fall * rate_hz))
        out += [peak * (i / n_up) ** 1.3 + noise() for i in range(n_up)]
        out += [peak * math.cos(i / n_down * math.pi / 2) + noise() for i in range(n_down)]
        out += rest(rng.uniform(0.5, 1.2))
    return out


@dataclass
class Gauge:
    """One gauge: `write(force_newton, index)` gives (bytes, true value as a text, unit)."""

    name: str
    write: Callable[[float, int], tuple[bytes, str, Unit]]
    wire: SerialSettings = field(default_factory=SerialSettings)
    mode: str = "streaming"
    request: bytes | None = None
    rate_hz: float = 20.0
    unit_option: Unit | None = None
    any_speed: bool = False
    learnable: bool = True

    def lines(self, forces: list[float]) -> Iterator[tuple[bytes, str, Unit]]:
        """The lines for forces, with their truth."""
        return (self.write(f, i) for i, f in enumerate(forces))


@dataclass(frozen=True)
class Style:
    """How a gauge writes its number, and what it puts around it."""

    unit: Unit = Unit.N
    unit_text: str = "N"
    place: str = "after"  # after, before, joined, none
    decimals: int = 2
    width: int = 0
    zero: bool = False
    plus: str = ""  # "", "+" or " " for numbers that are not negative
    comma: bool = False
    exponent: bool = False
    split_sign: bool = False  # the sign at the left edge of the padding
    prefix: str = ""
    suffix: str = ""
    ends: tuple[bytes, bytes] = (b"", b"\r\n")
    over: str = ""  # the word above 19.5 N


def number_text(style: Style, value: float) -> tuple[str, str]:
    """The number as written, and as it is: with a dot, without padding."""
    digits = f"{abs(value):.{style.decimals}{'E' if style.exponent else 'f'}}"
    minus = value < 0 and float(digits) != 0
    sign = "-" if minus else style.plus
    true = ("-" if minus else "") + digits
    if style.comma:
        digits = digits.replace(".", ",")
    if style.zero:
        return sign + digits.zfill(style.width), true
    if style.split_sign:
        return (sign or " ") + digits.rjust(style.width), true
    return (sign + digits).rjust(style.width), true


def _prefix(kind: str, i: int, rate_hz: float, force: float) -> str:
    if kind == "counter":
        return f"{i % 10000:04d} "
    if kind == "growing":
        return f"{i + 1},"
    if kind == "clock":
        t = 36000 + 41.5 + i / rate_hz
        return f"{int(t // 3600):02d}:{int(t // 60 % 60):02d}:{t % 60:05.2f} "
    if kind == "date":
        t = 36000 + 41.5 + i / rate_hz
        return f"2031-05-17 {int(t // 3600):02d}:{int(t // 60 % 60):02d}:{int(t % 60):02d},"
    if kind == "millis":
        return f"{int(i * 1000 / rate_hz)}\t"
    if kind == "stable":
        return ("ST," if abs(force) < 0.05 else "US,") + "GS,"
    if kind == "letter":
        return "S " if abs(force) < 0.05 else "D "
    return {"label": "F=", "words": "Force: ", "channel": "CH1 ", "id": "A7;"}.get(kind, "")


def _suffix(kind: str, i: int, body: str, force: float) -> str:
    data = body.encode("latin-1")
    mixed = 0
    for byte in data:
        mixed ^= byte
    return {
        "hex": f"*{mixed:02X}",
        "sum": f",{sum(data) % 256:03d}",
        "temp": f" {23.4 + 0.1 * (i % 7 == 3):.1f} C",
        "flag": " M" if abs(force) > 0.05 else "  ",
        "ok": " OK" if force < 5 else " HI",
        "mm": f" {max(0.0, force) * 0.31 + 0.02 * (i % 2):.2f} mm",
        "zero": " 0",
    }.get(kind, "")


def styled(style: Style, rate_hz: float) -> Callable[[float, int], tuple[bytes, str, Unit]]:
    """What writes lines of a style."""

    def write(force_newton: float, i: int) -> tuple[bytes, str, Unit]:
        text, true = number_text(style, force_newton / NEWTON_PER_FLOAT[style.unit])
        if style.over and force_newton > 19.5:
            text, true = style.over.rjust(len(text)), "over"
        prefix = _prefix(style.prefix, i, rate_hz, force_newton)
        if style.place == "before":
            body = f"{prefix}{style.unit_text} {text}"
        elif style.place == "none":
            body = prefix + text
        else:
            body = f"{prefix}{text}{'' if style.place == 'joined' else ' '}{style.unit_text}"
        body += _suffix(style.suffix, i, body, force_newton)
        return style.ends[0] + body.encode("latin-1") + style.ends[1], true, style.unit

    return write


PREFIXES = ("", "", "", "counter", "growing", "clock", "date", "millis", "stable", "letter",
            "label", "words", "channel", "id")  # fmt: skip
SUFFIXES = ("", "", "", "", "hex", "sum", "temp", "flag", "ok", "mm", "zero")
ENDS = (
    (b"", b"\r\n"), (b"", b"\r\n"), (b"", b"\n"), (b"", b"\r"), (b"", b"\n\r"),
    (b"\x02", b"\x03"), (b"\x02", b"\r"), (b"\x02", b"\x03\r\n"), (b"\x02", b"\r\n"),
)  # fmt: skip
FRAMES = ((8, "N", 1), (8, "N", 1), (7, "E", 1), (7, "O", 1), (8, "N", 2), (7, "N", 2))


def random_style(rng: Random, kind: str) -> tuple[Style, float]:
    """A style that does not contradict itself, and a rate at which it can be sent."""
    unit = rng.choice(list(UNIT_TEXTS))
    prefix, suffix = rng.choice(PREFIXES), rng.choice(SUFFIXES)
    if kind == "button":
        prefix = rng.choice(("", "counter", "label", "words"))
        suffix = rng.choice(("", "", "hex", "ok"))
    exponent = rng.random() < 0.1 and suffix != "hex"
    decimals = 4 if exponent else DECIMALS[unit]
    zero = rng.random() < 0.2 and not exponent and decimals > 0
    comma = rng.random() < 0.2 and prefix not in ("growing", "date", "stable") and suffix != "sum"
    place = rng.choice(("after", "after", "joined", "before", "none"))
    if decimals == 0 and place == "none":
        place = "after"
    if suffix in ("hex", "sum", "zero") and place == "none":
        suffix = ""
    if prefix in ("label", "letter") and place == "before":
        prefix = ""
    width = rng.choice((0, 6, 7, 8, 10))
    if zero:
        width = decimals + 1 + rng.choice((3, 4)) + (2 if unit in (Unit.GF,) else 0)
    if suffix == "flag" and not width:
        width = 8
    style = Style(
        unit=unit,
        unit_text=rng.choice(UNIT_TEXTS[unit]),
        place=place,
        decimals=decimals,
        width=width,
        zero=zero,
        plus=rng.choice(("", "+", " ")),
        comma=comma and decimals > 0,
        exponent=exponent,
        split_sign=rng.random() < 0.15 and not zero and not exponent,
        prefix=prefix,
        suffix=suffix,
        ends=rng.choice(ENDS),
        over=rng.choice(("", "", "OL", "OVER")) if suffix not in ("flag", "ok", "mm") else "",
    )
    return style, rng.choice((8.0, 10.0, 20.0, 40.0, 60.0, 100.0))


REQUESTS = (b"READ?\n", b"READ?\r", b"READ?\r\n", b"W\r", b"\nW\r", b"D\r", b"?\r\n")


def gauges(n: int = 240, seed: int = 7) -> list[Gauge]:
    """The first `n` of an endless row of gauges whose formats can be learned in principle."""
    out = []
    for index in range(n):
        rng = Random(f"{seed}/{index}")
        kind = rng.choice(("streaming",) * 6 + ("polled", "polled", "button"))
        style, rate_hz = random_style(rng, kind)
        bytesize, parity, stopbits = rng.choice(FRAMES)
        baud = rng.choice(BAUDS)
        length = len(styled(style, rate_hz)(12.5, 12)[0])
        rate_hz = min(rate_hz, baud / 11 / (length + 2))
        out.append(
            Gauge(
                name=f"{index:03d} {kind}",
                write=styled(style, rate_hz),
                wire=SerialSettings(
                    baudrate=baud, bytesize=bytesize, parity=parity, stopbits=stopbits
                ),
                mode=kind,
                request=rng.choice(REQUESTS) if kind == "polled" else None,
                rate_hz=10.0 if kind == "polled" else rate_hz,
                unit_option=style.unit if style.place == "none" else None,
                any_speed=rng.random() < 0.2,
            )
        )
    return out


class Bench:
    """Plays a gauge to `Sweep`: bit by bit, on a clock of its own."""

    def __init__(self, gauge: Gauge, seed: int = 1) -> None:
        self.gauge, self.rng = gauge, Random(seed)
        self.forces: Iterator[float] = iter(())
        self.index = 0
        self.listened_s = 0.0

    def force(self) -> float:
        """The next force of an endless squeezing."""
        try:
            return next(self.forces)
        except StopIteration:
            self.forces = iter(squeezes(self.rng, self.gauge.rate_hz))
            return next(self.forces)

    def _line(self) -> bytes:
        force = self.rng.uniform(1.0, 19.0) if self.gauge.mode == "button" else self.force()
        data = self.gauge.write(force, self.index)[0]
        self.index += 1
        return data

    def receive(self, settings: SerialSettings, seconds: float, *, request, enough):
        """Receive, as `gauge.learn.sweep.Sweep` wants it."""
        from gauge.learn.received import Received

        gauge = self.gauge
        client = SerialSettings(
            baudrate=settings.baudrate or gauge.wire.baudrate,
            bytesize=settings.bytesize,
            parity=settings.parity,
        )
        sent = gauge.wire
        if gauge.any_speed:
            client = SerialSettings(
                baudrate=sent.baudrate, bytesize=client.bytesize, parity=client.parity
            )
        same_speed = client.baudrate == sent.baudrate
        if gauge.mode == "streaming":
            times = [i / gauge.rate_hz for i in range(int(seconds * gauge.rate_hz))]
        elif gauge.mode == "button":
            # The key is pressed when the user is asked to, every few seconds.
            times, t = [], 1.0 + self.rng.random()
            while self.listened_s > 0 and t < seconds:
                times.append(t)
                t += self.rng.uniform(1.5, 4.0)
        else:
            understood = request == gauge.request and same_speed
            n = int(seconds / ASK_EVERY_S) if understood else 0
            times = [0.02 + i * ASK_EVERY_S for i in range(n)]
        self.listened_s += seconds
        chunks: list[Chunk] = []
        asked = -1.0

        def so_far() -> Received:
            silent = bool(request) or (bool(chunks) and chunks[0].t_ns > 300_000_000)
            return Received(
                settings=settings, chunks=tuple(chunks), request=request, silent_first=silent
            )

        cut = self.rng.randrange(8) if gauge.mode == "streaming" else 0
        for t in times:
            data = self._line()[cut:]
            cut = 0
            data = received(data, sent, client)
            # Bytes arrive in two pieces now and then.
            at = self.rng.randrange(len(data) + 1) if data and self.rng.random() < 0.3 else 0
            for piece in (data[:at], data[at:]):
                if piece:
                    chunks.append(Chunk(int((t + 0.002 * bool(at)) * 1e9), piece))
            if t - asked > 0.5 and chunks:
                asked = t
                if enough(so_far()):
                    break
        return so_far()


# --- what must be refused, or read rightly -----------------------------------------------------


def traps() -> list[Gauge]:
    """Gauges whose lines do not settle one format; learning one wrongly would log wrong forces."""

    def line(make: Callable[[float, int], str]) -> Callable[[float, int], tuple[bytes, str, Unit]]:
        return lambda f, i: (make(f, i).encode() + b"\r\n", f"{f:.2f}", Unit.N)

    def held(f: float, i: int, state: dict[str, float] = {}) -> str:  # noqa: B006
        peak = 0.0 if i == 0 else max(f, state.get("peak", 0.0))
        state["peak"] = peak
        return f"{f:6.2f} {peak:6.2f}"

    made: dict[str, tuple[Callable[[float, int], str], Unit | None]] = {
        "no unit sent": (lambda f, i: f"{f:7.2f}", None),
        "unit in conflict": (lambda f, i: f"{f:7.2f} N", Unit.LBF),
        "unknown unit": (lambda f, i: f"{f / 1000:8.5f} kN", Unit.N),
        "unknown unit cN": (lambda f, i: f"{f * 100:8.1f} cN", None),
        "implied point": (lambda f, i: f"{'-' if f < 0 else '+'}{abs(round(f * 100)):06d} N", None),
        "implied point, no unit": (lambda f, i: f"{round(f * 100)}", Unit.N),
        "thousands": (lambda f, i: f"{round(f * 1000):,d} mN", None),
        "two columns": (lambda f, i: f"{f:6.2f} {f * 0.4 + 0.3 * math.sin(i / 9):6.2f}", Unit.N),
        "two columns, one unit": (lambda f, i: f"{f:6.2f} {f * 0.9:6.2f} N", None),
        "two channels": (lambda f, i: f"{f if i % 2 else f / 3:7.2f} N", None),
        "constant": (lambda f, i: "   0.00 N", None),
        "noise only": (lambda f, i: f"{0.01 * (i % 3):7.2f} N", None),
        "gross letter": (lambda f, i: f"G {f:7.2f}", None),
        "dash before": (lambda f, i: f"A-{abs(f):.2f} N", None),
        "both ways": (lambda f, i: f"{f * (1 if i // 30 % 2 else -1):7.2f} N", None),
        "held peak": (held, Unit.N),
        "millimetres": (lambda f, i: f"{f:7.2f} mm", Unit.N),
        "comma list": (lambda f, i: f"{int(abs(f))},{round(abs(f) * 100) % 100}", Unit.N),
        "unit on both sides": (lambda f, i: f"kgf {f / 9.80665:6.3f} N", None),
        "stuck hex": (
            lambda f, i: (t := f"{f:7.2f}") + f"{sum(t.encode()) % 256:02X}", Unit.N,
        ),
        "stuck sum": (
            lambda f, i: (t := f"{f:7.2f}") + f"{sum(t.encode()) % 100:02d}", Unit.N,
        ),
        "torque": (lambda f, i: f"{f:7.2f} ozf-in", None),
        "stiffness": (lambda f, i: f"{f:7.2f} N/mm", None),
        "live and held in turn": (
            lambda f, i: f"{'PEAK' if i % 2 else 'LIVE'} {held(f, i).split()[i % 2]} N", None,
        ),
        "count down": (lambda f, i: f"{9999 - i % 10000} {f:7.2f} N", None),
        "percent": (lambda f, i: f"{f:7.2f} N {f / 0.2:5.1f} %", None),
        "strange checksum": (lambda f, i: f"{f:7.2f} N {round(f * 100) * 7919 % 997:03d}", None),
        "tension letter": (
            lambda f, i: f"{'C' if f >= 0 else 'T'} {abs(f if i % 90 < 60 else -f):.2f} N", None,
        ),
    }  # fmt: skip
    return [
        Gauge(name=name, write=line(make), unit_option=unit, any_speed=True, learnable=False)
        for name, (make, unit) in made.items()
    ]
