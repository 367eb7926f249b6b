"""A million mutated lines: ``python tests/bench/mutated_lines.py [N] [SEED]``.

Every reading must come from a line that an oracle, written by hand without regular expressions and
without firmhand, reads to the same number, unit and status; and no exception may come out at all.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from gauge.protocol.formatfile import shipped_format
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.protocol.lineparser import MAX_LINE
from gauge.records import Status
from gauge.units import SPELLINGS, Unit

Decoded = tuple[str, Unit, Status]
DIGITS = b"0123456789"


class Text:
    """A cursor over bytes."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, allowed: bytes, most: int = 10**6) -> bytes:
        """The next bytes, as far as they are allowed."""
        end = self.at
        while end < len(self.data) and self.data[end] in allowed and end - self.at < most:
            end += 1
        found, self.at = self.data[self.at : end], end
        return found

    @property
    def done(self) -> bool:
        return self.at == len(self.data)


def _plain_number(text: Text) -> str | None:
    whole = text.take(DIGITS)
    point = text.take(b".", 1)
    part = text.take(DIGITS) if point else b""
    if not whole and not part:
        return None
    return (whole + point + part).decode()


def _finite(shown: str, unit: Unit) -> Decoded | None:
    return (shown, unit, Status.OK) if abs(Decimal(shown)) < Decimal("1e9") else None


def oracle_number_unit(line: bytes) -> Decoded | None:
    """Blanks, sign, blanks, digits with a point, blanks, a known unit, blanks; or a word."""
    word = line.strip(b" ")
    if word in (b"OL", b"+OL"):
        return "nan", Unit.N, Status.OVERLOAD
    if word == b"-OL":
        return "nan", Unit.N, Status.UNDERLOAD
    text = Text(line)
    text.take(b" ")
    sign = text.take(b"+-", 1)
    text.take(b" ")
    number = _plain_number(text)
    if number is None:
        return None
    text.take(b" ")
    letters = text.take(bytes(range(65, 91)) + bytes(range(97, 123)))
    text.take(b" ")
    unit = SPELLINGS.get(letters.decode())
    if unit is None or not text.done or len(line) > MAX_LINE:
        return None
    return _finite(("-" if sign == b"-" else "") + number, unit)


def oracle_frame(line: bytes) -> Decoded | None:
    """STX, two letters and a comma, sign, five digits and a comma-point digit, kgf."""
    if len(line) != 14 or line[:1] != b"\x02" or line[1:4] not in (b"ST,", b"US,"):
        return None
    body = line[4:11]
    if body[:1] not in (b"+", b"-") or body[4:5] != b"," or line[11:] != b"kgf":
        return None
    if any(c not in DIGITS for c in body[1:4] + body[5:]):
        return None
    minus = "-" if body[:1] == b"-" else ""
    return _finite(minus + body[1:].decode().replace(",", "."), Unit.KGF)


def oracle_response(line: bytes) -> Decoded | None:
    """Numeric response data of IEEE 488.2 with its three reserved numbers."""
    text = Text(line)
    text.take(b" ")
    sign = text.take(b"+-", 1)
    number = _plain_number(text)
    if number is None:
        return None
    if text.take(b"eE", 1):
        exponent_sign = text.take(b"+-", 1)
        exponent = text.take(DIGITS, 3)
        if not exponent or (exponent_sign != b"-" and len(exponent.lstrip(b"0")) > 2):
            return None
        number += "E" + (exponent_sign + exponent).decode()
    text.take(b" ")
    text.take(b"\r", 1)
    if not text.done or len(line) > MAX_LINE:
        return None
    value = Decimal(number) * (-1 if sign == b"-" else 1)
    for reserved, status in (
        ("9.9E37", Status.OVERLOAD), ("-9.9E37", Status.UNDERLOAD), ("9.91E37", Status.NOT_A_NUMBER)
    ):  # fmt: skip
        if float(value) == float(reserved):
            return "nan", Unit.LBF, status
    return _finite(("-" if sign == b"-" else "") + number, Unit.LBF)


FRAME = LineFormat(
    name="frame",
    pattern=r"(?:ST|US),(?P<sign>[+-])(?P<value>[0-9]{3},[0-9]{2})(?P<unit>kgf)",
    terminators=(b"\x03",),
    start=b"\x02",
    decimal_comma=True,
)
CASES: list[tuple[LineFormat, Callable[[bytes], Decoded | None], list[bytes]]] = [
    (
        shipped_format("number-unit"),
        oracle_number_unit,
        [b"   2.37 N", b"-  0.31 lbF", b"12.500 kg", b"+OL", b"1e400 N", b"nan N", b"1.2.3 N"],
    ),
    (FRAME, oracle_frame, [b"\x02ST,+002,37kgf", b"\x02US,-012,50kgf"]),
    (
        shipped_format("numeric-response").with_unit(Unit.LBF),
        oracle_response,
        [b"+2.3700E+00", b"9.91E37", b"-9.9E+37", b"9.91E+37", b"1E+400", b"12\r", b".5", b"1_0"],
    ),
]
ALPHABET = b"0123456789+-.,eE NnlbfFkgzOL\x00\x02\x03\r\t\x7f\x80\xb1\xff_"


def mutate(rng: Random, line: bytes) -> bytes:
    """One to four changes: another byte, one more, one less, two swapped, a run repeated."""
    data = bytearray(line)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4))):
        at = rng.randrange(len(data) + 1)
        kind = rng.randrange(5)
        if kind == 0:
            data.insert(at, rng.choice(ALPHABET))
        elif at < len(data):
            if kind == 1:
                data[at] = rng.choice(ALPHABET)
            elif kind == 2:
                del data[at]
            elif kind == 3:
                data[at] ^= 1 << rng.randrange(8)
            else:
                data[at:at] = data[at : at + rng.randint(1, 3)] * rng.choice((1, 1, 1, 120))
    return bytes(data)


def run(n: int, seed: int) -> dict[str, int]:
    """Feed `n` mutated lines in random pieces; count readings, rejections and disagreements."""
    rng = Random(seed)
    found = {"lines": 0, "readings": 0, "rejected": 0, "invented": 0, "missed": 0, "wrong": 0}
    for fmt, oracle, samples in CASES:
        end = fmt.terminators[0]
        framer = Framer(fmt)
        framer.feed(0, end)
        for _ in range(n // len(CASES)):
            line = mutate(rng, rng.choice(samples))
            if any(e in line for e in fmt.terminators) or not line:
                line = line.replace(end, b"").replace(b"\r", b"").replace(b"\n", b"") or b"?"
            data = line + end
            cut = rng.randrange(len(data))
            readings = [*framer.feed(1, data[:cut]), *framer.feed(1, data[cut:])]
            true = oracle(line)
            found["lines"] += 1
            found["readings"] += len(readings)
            found["rejected"] += not readings
            if len(readings) > (true is not None):
                found["invented"] += 1
            elif true is not None and not readings:
                found["missed"] += 1
            elif true is not None:
                shown, unit, status = true
                got = readings[0]
                same = got.status is status
                if status is Status.OK:
                    same = same and got.unit is unit and float(got.shown) == got.value
                    same = same and Decimal(got.shown) == Decimal(shown)
                found["wrong"] += not same
        counts = framer.counts
        if counts.lines != counts.readings + counts.rejected or counts.lines != n // len(CASES):
            found["wrong"] += 1
    return found


def main() -> int:
    """Print the counts."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    began = time.perf_counter()
    found = run(n, int(sys.argv[2]) if len(sys.argv) > 2 else 5)
    print(found, f"{time.perf_counter() - began:.0f} s, 0 exceptions")
    return int(bool(found["invented"] or found["missed"] or found["wrong"]))


if __name__ == "__main__":
    sys.exit(main())
