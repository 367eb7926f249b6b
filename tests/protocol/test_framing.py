"""Bytes to readings: every split, every joining point, every mutation; nothing is ever invented.

The oracles of the mutated lines are written by hand in bench/mutated_lines.
"""

from __future__ import annotations

import importlib.util
import math
import tracemalloc
from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gauge.errors import BadFormatError
from gauge.protocol.formatfile import shipped_format
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat, SerialSettings
from gauge.protocol.lineparser import MAX_LINE, LineParser
from gauge.records import Reading, Status
from gauge.units import Unit

PLAIN = shipped_format("number-unit")
STX = LineFormat(
    name="stx",
    pattern=r"(?P<sign>[+-]) *(?P<value>[0-9]+,[0-9]{2})(?P<unit>N|kgf)?(?P<status>[ A-Z]{0,2})",
    terminators=(b"\x03\r\n",),
    start=b"\x02",
    decimal_comma=True,
    overload=("OL", "HI"),
    underload=("LO",),
    unit=Unit.N,
)
SMA = shipped_format("sma-0499")


def feed(fmt: LineFormat, *pieces: bytes) -> tuple[list[Reading], Framer]:
    framer = Framer(fmt)
    return [r for piece in pieces for r in framer.feed(0, piece)], framer


def test_signs_padding_and_digits_as_shown() -> None:
    data = b"x\r\n+2.370 N\r\n-  0.10 lbF\r\n  007.5 g\r\n.5 oz\r\n3. kg\r\n-0.00 mN\r\n"
    readings, framer = feed(PLAIN, data)
    assert [(r.shown, r.value, r.unit) for r in readings] == [
        ("2.370", 2.37, Unit.N),
        ("-0.10", -0.1, Unit.LBF),
        ("007.5", 7.5, Unit.GF),
        (".5", 0.5, Unit.OZF),
        ("3.", 3.0, Unit.KGF),
        ("0.00", 0.0, Unit.MN),
    ]
    assert framer.counts.dropped_bytes == 1
    assert (framer.counts.lines, framer.counts.rejected) == (6, 0)


@pytest.mark.parametrize("unit", Unit)
def test_the_plain_format_reads_every_spelling_of_a_unit(unit: Unit) -> None:
    for spelling in unit.spellings:
        readings, _ = feed(PLAIN, f"\r\n2.37 {spelling}\r\n2.37{spelling} \r\n".encode())
        assert [r.unit for r in readings] == [unit, unit]


@pytest.mark.parametrize(
    "line",
    [b"1.2.3 N", b"1e400 N", b"nan N", b"inf N", b"1_0 N", b"1 2 N", b"+-1 N", b"1.2 kN", b"1.2",
     b"1.2 N x", b"1,2 N", b"1.2 n", b"\xb2.5 N", b"9999999999 N", b"1.2\x00 N", b"--1 N", b"N",
     b"1." + b"0" * MAX_LINE + b" N"],
)  # fmt: skip
def test_never_a_reading(line: bytes) -> None:
    readings, framer = feed(PLAIN, b"\n", line + b"\n")
    assert readings == []
    assert (framer.counts.lines, framer.counts.rejected) == (1, 1)


def test_an_unterminated_line_is_never_a_reading() -> None:
    readings, framer = feed(PLAIN, b"\r\n12.34 N")
    assert readings == []
    framer.gap()
    assert framer.feed(1, b"56 N\r\n") == []
    assert framer.feed(1, b"7.8 N\r\n")[0].shown == "7.8"
    assert framer.counts.dropped_bytes == 7 + 4


def test_words_and_statuses() -> None:
    lines = [b"+ 1,20N", b"+19,99NHI", b"-19,99NLO", b"OL", b"+0,50", b"LO", b"+1.20N", b"+1,20OK"]
    readings, framer = feed(STX, *(b"\x02" + line + b"\x03\r\n" for line in [b"", *lines]))
    assert [(r.shown, r.status.name, r.unit.value) for r in readings] == [
        ("1.20", "OK", "N"),
        ("19.99", "OVERLOAD", "N"),
        ("-19.99", "UNDERLOAD", "N"),
        ("OL", "OVERLOAD", "N"),
        ("0.50", "OK", "N"),
        ("LO", "UNDERLOAD", "N"),
        ("1.20", "OK", "N"),
    ]
    assert math.isnan(readings[3].value)
    assert readings[1].value == 19.99
    assert framer.counts.rejected == 2  # the empty frame, and the decimal point


def test_a_word_without_unit_keeps_the_last_unit() -> None:
    readings, _ = feed(PLAIN, b"\n1.2 lbf\nOL\n3 N\n-OL\n")
    assert [(r.unit, r.status) for r in readings] == [
        (Unit.LBF, Status.OK),
        (Unit.LBF, Status.OVERLOAD),
        (Unit.N, Status.OK),
        (Unit.N, Status.UNDERLOAD),
    ]


def test_reserved_numbers_of_numeric_responses() -> None:
    # IEEE 488.2 numeric response data; SCPI-1999 volume 1, 7.2 for the reserved numbers.
    fmt = shipped_format("numeric-response").with_unit(Unit.N)
    data = b"\n12\n-3.5\n.5\n+2.3700E+00\n9.91E37\n9.910E+37\n9.9E37\n-9.900E+37\n1E+400\n1E+30\r\n"
    readings, framer = feed(fmt, data)
    assert [(r.shown, r.status) for r in readings] == [
        ("12", Status.OK),
        ("-3.5", Status.OK),
        (".5", Status.OK),
        ("2.3700E+00", Status.OK),
        ("9.91E37", Status.NOT_A_NUMBER),
        ("9.910E+37", Status.NOT_A_NUMBER),
        ("9.9E37", Status.OVERLOAD),
        ("-9.900E+37", Status.UNDERLOAD),
    ]
    assert all(math.isnan(r.value) for r in readings[4:])
    assert framer.counts.rejected == 2


def test_a_zero_in_steps_that_no_force_has_is_no_reading() -> None:
    fmt = shipped_format("numeric-response").with_unit(Unit.N)
    data = b"\n0E+300\n-0E+99999999999999999999\n-0E-99999999999999999999\n2.37E-001\n0E+00\n"
    readings, framer = feed(fmt, data)
    assert [reading.value for reading in readings] == [0.237, 0.0]
    assert framer.counts.rejected == 3


def test_scale_protocol_replies() -> None:
    # Reply layout from restatements of SMA SCP-0499: LF s r n m f weight(10) unit(3) CR.
    def reply(head: bytes, weight: bytes, unit: bytes = b"lb ") -> bytes:
        return b"\n" + head + weight.rjust(10) + unit + b"\r"

    data = reply(b" 1G  ", b"2.370") + reply(b"Z1N  ", b"-0.020", b"kg ")
    data += reply(b"O1GM ", b"99.999") + reply(b"E1G  ", b"----------") + reply(b" 1T  ", b"1.0")
    readings, framer = feed(SMA, data)
    # No reply is stranded: the last one ends with CR alone, and the first is whole by its LF.
    assert [(r.shown, r.unit, r.status) for r in readings] == [
        ("2.370", Unit.LBF, Status.OK),
        ("-0.020", Unit.KGF, Status.OK),
        ("99.999", Unit.LBF, Status.OVERLOAD),
    ]
    assert framer.counts.rejected == 2


def test_compression_shown_as_negative() -> None:
    fmt = replace(PLAIN, compression_sign=-1)
    readings, _ = feed(fmt, b"\n-2.37 N\n0.10 N\n0.00 N\n")
    assert [(r.shown, r.value) for r in readings] == [
        ("2.37", 2.37),
        ("-0.10", -0.1),
        ("0.00", 0.0),
    ]


def test_a_format_without_any_unit_is_refused() -> None:
    with pytest.raises(BadFormatError, match="does not say in which unit"):
        Framer(shipped_format("numeric-response"))


def test_idle_before_the_first_byte_begins_a_line_where_the_gauge_is_else_silent() -> None:
    line = b"2.37 N\r\n"
    button, late = replace(PLAIN, mode="button"), 400_000_000
    assert len(Framer(button).feed(late, line)) == 1
    assert Framer(button).feed(0, line) == []
    assert Framer(PLAIN).feed(late, line) == []
    framer = Framer(button)
    framer.feed(0, b"\n")
    framer.gap()
    assert framer.feed(late, line) == []
    framer.gap(late)
    assert framer.feed(3 * late, line[:3]) == []
    assert len(framer.feed(4 * late, line[3:])) == 1


def test_parity_bits_that_arrive_with_the_bytes() -> None:
    sent = b"2.37 N\r\n" * 3
    even = bytes(b | 0x80 * (b.bit_count() & 1) for b in sent)
    fmt = replace(PLAIN, settings=SerialSettings(bytesize=7, parity="E"))
    assert len(feed(fmt, sent)[0]) == 2  # a driver set to seven bits hands over clean bytes
    assert len(feed(fmt, even)[0]) == 2
    for at in range(len(even) // 3, len(even)):
        for bit in range(8):
            hurt = bytearray(even)
            hurt[at] ^= 1 << bit
            readings, _ = feed(fmt, bytes(hurt))
            assert all(r.shown == "2.37" and r.unit is Unit.N for r in readings)
    assert feed(fmt, b"\xff" + b"\n2.37 N\n2.\xff7 N\n")[1].counts.rejected == 1


# --- splits, joins, bounds ------------------------------------------------------------------------


def stream(seed: int, n: int, fmt: LineFormat) -> bytes:
    rng, start, end = Random(seed), fmt.start or b"", fmt.terminators[0]
    sep, unit = (b",", b"N") if fmt.decimal_comma else (b".", b" lbf")

    def line() -> bytes:
        if rng.random() < 0.1:
            return rng.choice((b"OL", b"?", b"", b"\x00\xff", b"1.2.3", b"x" * 300))
        return (
            rng.choice((b"+", b"-"))
            + b"%d%s%02d" % (rng.randrange(99), sep, rng.randrange(99))
            + unit
        )

    return b"".join(start + line() + end for _ in range(n))


@pytest.mark.parametrize(
    "fmt",
    [PLAIN, STX, replace(STX, settings=SerialSettings(bytesize=7, parity="O"))],
    ids=lambda f: f.name,
)
def test_every_split_of_a_thousand_lines(fmt: LineFormat) -> None:
    # Each line is fed in two pieces at each of its inner places, amid its neighbours.
    data = stream(3, 1000, fmt)
    whole, framer = feed(fmt, data)
    counts = framer.counts
    assert counts.lines == counts.readings + counts.rejected
    assert counts.readings > 800
    lines = data.split(fmt.terminators[0])[:-1]
    for line in sorted(set(lines)):
        block = line + fmt.terminators[0]
        expected, one = feed(fmt, fmt.terminators[0] + block + block)
        for at in range(len(block)):
            found, two = feed(fmt, fmt.terminators[0] + block[:at], block[at:] + block)
            assert len(found) == len(expected)
            assert [r[1:] for r in found if r.value == r.value] == [
                r[1:] for r in expected if r.value == r.value
            ]
            assert two.counts == one.counts
    byte_by_byte, other = feed(fmt, *(data[i : i + 1] for i in range(len(data))))
    assert other.counts == counts
    assert [str(r) for r in byte_by_byte] == [str(r) for r in whole]


@given(
    st.binary(max_size=120),
    st.lists(st.integers(0, 120), max_size=8),
    st.sampled_from((PLAIN, STX, SMA)),
)
@settings(max_examples=200, deadline=None)
def test_any_bytes_in_any_pieces(data: bytes, cuts: list[int], fmt: LineFormat) -> None:
    at = sorted({0, len(data), *(c for c in cuts if c < len(data))})
    pieces = [data[a:b] for a, b in pairwise(at)]
    whole, one = feed(fmt, data)
    split, two = feed(fmt, *pieces)
    assert [str(r) for r in whole] == [str(r) for r in split]
    assert one.counts == two.counts


@pytest.mark.parametrize("fmt", [PLAIN, STX, SMA], ids=lambda f: f.name)
def test_joining_at_every_offset(fmt: LineFormat) -> None:
    if fmt is SMA:
        data = b"".join(b"\n 1G  %10.3fkg \r" % (i / 7) for i in range(60))
    else:
        data = stream(5, 80, fmt)
    whole, _ = feed(fmt, fmt.terminators[0] + data)
    texts = [str(r._replace(unit=Unit.N)) for r in whole]
    for offset in range(1, len(data)):
        joined, _ = feed(fmt, data[offset:])
        # What is read after joining is the tail of what was sent, and nothing else.
        assert [str(r._replace(unit=Unit.N)) for r in joined] == texts[len(texts) - len(joined) :]


def held_bytes(framer: Framer, pieces: Iterable[bytes]) -> int:
    """Bytes of memory that a framer holds after it was fed."""
    tracemalloc.start()
    for piece in pieces:
        framer.feed(0, piece)
    held, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return held


def test_memory_is_bounded_on_any_stream() -> None:
    framer = Framer(PLAIN)
    framer.feed(0, b"\n")
    assert held_bytes(framer, (b"12345 N " * 1000 for _ in range(200))) < 8000 + 2 * MAX_LINE
    assert framer.feed(0, b"\n1.5 N\n")[0].shown == "1.5"
    assert framer.counts.lines == 2
    # Lines that differ: what is kept of 15,000 is little more than of 6,000.
    few = held_bytes(Framer(PLAIN), (b"%d N\n" % i for i in range(6_000)))
    assert held_bytes(Framer(PLAIN), (b"%d N\n" % i for i in range(15_000))) < 1.5 * few


def test_mutated_lines_against_oracles() -> None:
    path = Path(__file__).parents[1] / "bench" / "mutated_lines.py"
    spec = importlib.util.spec_from_file_location("mutated_lines", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    found = module.run(30_000, seed=11)
    assert (found["invented"], found["missed"], found["wrong"]) == (0, 0, 0)
    assert found["readings"] > 3000
    assert found["rejected"] > 10_000


def test_a_parser_is_a_function_of_the_line_alone() -> None:
    parse = LineParser(PLAIN)
    assert parse(b"2.37 N") == parse(b"2.37 N")
    assert parse(b"") is None
