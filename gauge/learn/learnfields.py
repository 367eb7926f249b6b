"""Which number of a line is the force: the one that rises and falls with the squeeze.

Counters, clocks and held peaks only rise; checksums jump; temperatures stay. Pure; where two
numbers could be the force, both are handed back and the caller refuses.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal, InvalidOperation
from itertools import pairwise

from gauge.learn.skeleton import Part
from gauge.units import NEWTON_PER_FLOAT, SPELLINGS, Unit

# Words beside a number that say it is no force, and forces in units that firmhand does not know.
NO_FORCE = frozenset(
    {"mm", "cm", "in", "um", "s", "S", "sec", "ms", "min", "C", "F", "K", "V", "mV", "Hz", "Pa",
     "kPa", "psi", "bar", "MPa", "Nm", "Ncm", "hPa"}
)  # fmt: skip
FOREIGN_UNITS = frozenset(
    {"kN", "KN", "MN", "cN", "daN", "uN", "t", "tf", "kp", "dyn", "pdl", "mg", "klbf", "kip"}
)


# Words that tell a held value from the live one.
HELD = frozenset({"PK", "Pk", "PEAK", "Peak", "peak", "MAX", "Max", "max", "MIN", "Min", "min"})
# Words that say which way the force goes: the second of each pair is no compression.
DIRECTIONS = (
    ("C", "T"), ("COMP", "TENS"), ("Comp", "Tens"), ("COMPRESSION", "TENSION"), ("PUSH", "PULL"),
    ("Push", "Pull"), ("CMP", "TNS"), ("P", "N"), ("POS", "NEG"), ("c", "t"), ("comp", "tens"),
)  # fmt: skip


def pulls(part: Part) -> set[str]:
    """Words of a part that say tension, where others of it say compression.

    Examples
    --------
    >>> pulls(Part("W", ("C", "T", "C")))
    {'T'}
    """
    words = {text.strip() for text in part.texts}
    return {pull for push, pull in DIRECTIONS if push in words and pull in words}


def number(text: str, *, comma: bool = False) -> Decimal | None:
    """The value of a number part; None if it is none.

    Examples
    --------
    >>> number("- 1,24", comma=True), number("--")
    (Decimal('-1.24'), None)
    """
    bare = text.replace(" ", "")
    try:
        return Decimal(bare.replace(",", ".") if comma else bare)
    except InvalidOperation:
        return None


def values(part: Part, *, comma: bool) -> list[Decimal]:
    """The values of a number part, line by line.

    Examples
    --------
    >>> values(Part("N", ("0.0", "1.5")), comma=False)
    [Decimal('0.0'), Decimal('1.5')]
    """
    found = [number(text, comma=comma) for text in part.texts]
    return [v for v in found if v is not None]


def roughness(v: Sequence[Decimal]) -> float:
    """Mean squared step over the variance: near 0 for a smooth course, 2 for pure chance.

    J. von Neumann, Ann. Math. Stat. 12 (1941) 367-395, the ratio of the mean square successive
    difference to the variance.

    Examples
    --------
    >>> roughness([Decimal(x) for x in (0, 1, 2, 3, 2, 1, 0)]) < 1
    True
    """
    x = [float(one) for one in v]
    mean = sum(x) / len(x)
    spread = sum((one - mean) ** 2 for one in x)
    return sum((b - a) ** 2 for a, b in pairwise(x)) / spread if spread else 0.0


def interleaved(v: Sequence[Decimal]) -> bool:
    """Whether every second, third or fourth value belongs together: several channels in turn.

    Then values so far apart differ less than neighbours, which no single course does.

    Examples
    --------
    >>> interleaved([Decimal(x) for x in (0, 9, 1, 9, 2, 9, 1, 9)])
    True
    """
    x = [float(one) for one in v]

    def step(lag: int) -> float:
        pairs = list(zip(x, x[lag:], strict=False))
        return sum((b - a) ** 2 for a, b in pairs) / max(1, len(pairs))

    return any(step(lag) < 0.7 * step(1) for lag in (2, 3, 4))


def only_rises(v: Sequence[Decimal]) -> bool:
    """Whether all falls are restarts from far up to the bottom: a counter, a clock, a held peak.

    Examples
    --------
    >>> only_rises([Decimal(x) for x in (7, 8, 9, 0, 1, 2)])
    True
    """
    low, high = min(v), max(v)
    span = high - low
    falls = [(a, b) for a, b in pairwise(v) if b < a]
    restarts = [(a, b) for a, b in falls if b - low <= span / 10 and a - b >= span / 2]
    return len(falls) == len(restarts)


def returns_to_rest(v: Sequence[Decimal]) -> bool:
    """Whether it comes near zero, as a force does when the head is free.

    Examples
    --------
    >>> returns_to_rest([Decimal(x) for x in (0, 3, 1)])
    True
    """
    return min(map(abs, v)) <= max(map(abs, v)) / 5


def is_checksum(part: Part, lines: Sequence[str]) -> bool:
    """Whether the part is computed from the text before it, by one of the plain sums.

    Sum or exclusive or of the bytes, or their two's complement, in two hexadecimal digits or in
    two or three decimal ones (common practice, no source).

    Parameters
    ----------
    part : Part
        Digits, one text a line.
    lines : sequence of str
        The whole lines.

    Examples
    --------
    >>> lines = [f"{x} {sum(f'{x} '.encode()) % 256:02X}" for x in ("1.0", "1.5", "2.0", "2.6")]
    >>> is_checksum(Part("N", tuple(line[-2:] for line in lines)), lines)
    True
    """
    texts = [text.strip() for text in part.texts]
    if len(set(texts)) < 4 or len({len(text) for text in texts}) > 1:
        return False
    heads = [line[: line.rindex(text)] for line, text in zip(lines, texts, strict=True)]
    for trim in ("", "*,; \x03"):
        for first in (0, 1):
            cut = [(h.rstrip(trim) if trim else h)[first:].encode("latin-1") for h in heads]
            if any(
                all(t.upper() == w for t, w in zip(texts, written, strict=True))
                for written in zip(*(_sums(c) for c in cut), strict=True)
            ):
                return True
    return False


def _sums(data: bytes) -> list[str]:
    total, mixed = sum(data), 0
    for byte in data:
        mixed ^= byte
    eight = [total % 256, mixed, -total % 256, total % 256 ^ 0xFF]
    return [
        *(f"{n:02X}" for n in eight), *(f"{n:03d}" for n in eight),
        f"{total % 100:02d}", f"{total % 1000:03d}", f"{total % 10}", f"{mixed % 100:02d}",
    ]  # fmt: skip


def beside(parts: Sequence[Part], at: int, step: int) -> int | None:
    """Index of the word next to a number, over blanks and one of ``:=,;``; None without one.

    Parameters
    ----------
    parts : sequence of Part
    at : int
        Index of the number.
    step : int
        1 for what follows it, -1 for what stands before.

    Examples
    --------
    >>> beside([Part("N", ("1.2",)), Part("B", (" ",)), Part("W", ("N",))], 0, 1)
    2
    """
    i = at + step
    for kinds in ("B", "P", "B"):
        if 0 <= i < len(parts) and parts[i].kind == kinds:
            if kinds == "P" and parts[i].texts[0] not in ":=,;":
                return None
            i += step
    return i if 0 <= i < len(parts) and parts[i].kind == "W" else None


def is_unit(part: Part) -> bool:
    """Whether a word is a known unit in every line.

    Examples
    --------
    >>> is_unit(Part("W", ("lbf", "N"))), is_unit(Part("W", ("ST", "US")))
    (True, False)
    """
    return all(text in SPELLINGS for text in part.texts)


def is_compound(parts: Sequence[Part], at: int) -> bool:
    """Whether a unit goes on to a length (ozf-in, N/mm): a torque, a stiffness, a pressure.

    Examples
    --------
    >>> is_compound([Part("W", ("ozf",)), Part("P", ("-",)), Part("W", ("in",))], 0)
    True
    """
    rest = [part.texts[0] for part in parts[at + 1 : at + 3]]
    lengths = {"m", "cm", "mm", "in", "ft", "dm", "inch"}
    return len(rest) == 2 and rest[0] in "-/.*" and rest[1].lower() in lengths


def same_force(
    a: Sequence[Decimal], ua: Sequence[Unit], b: Sequence[Decimal], ub: Sequence[Unit]
) -> bool:
    """Whether two columns show one force in two units, each to its last digit.

    Examples
    --------
    >>> from decimal import Decimal as D
    >>> same_force([D("1.24")], [Unit.N], [D("0.279")], [Unit.LBF])
    True
    """

    def half_newton(value: Decimal, unit: Unit) -> float:
        return 0.51 * 10.0 ** int(value.as_tuple().exponent) * NEWTON_PER_FLOAT[unit]

    for x, ux, y, uy in zip(a, ua, b, ub, strict=True):
        off_newton = abs(float(x) * NEWTON_PER_FLOAT[ux] - float(y) * NEWTON_PER_FLOAT[uy])
        if off_newton > half_newton(x, ux) + half_newton(y, uy):
            return False
    return True
