"""From the parts of lines to the pattern of a line format: as strict as what was heard allows."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from gauge.learn.skeleton import Part
from gauge.protocol.lineformat import LineFormat
from gauge.units import SPELLINGS, Unit

_NUMBER = re.compile(
    r"(?P<pad> *)(?P<sign>[+-]?)(?P<gap> *)(?P<whole>[0-9]*)(?P<point>[.,]?)(?P<part>[0-9]*)"
    r"(?P<exp>[eE][+-]?[0-9]+)?"
)
# Words of which a gauge shows one or another whatever the number means: hearing one, expect all
# (common practice, no source).
_FAMILIES = (
    frozenset({"OK", "HI", "LO", "GO", "NG"}), frozenset({"ST", "US"}),
    frozenset({"PASS", "FAIL"}), frozenset({"Pass", "Fail"}),
)  # fmt: skip
_UNITS = "(?P<unit>" + "|".join(sorted(SPELLINGS, key=lambda s: (-len(s), s))) + ")"


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What was chosen of the parts; `values` and `units` are those of `lines`."""

    parts: tuple[Part, ...]
    lines: tuple[str, ...]
    values: tuple[Decimal, ...]
    units: tuple[Unit, ...]
    value_at: int
    unit_at: int | None
    sign_at: int | None
    status_at: int | None
    unit: Unit | None
    comma: bool
    odd: tuple[str, ...]
    overload: tuple[str, ...]
    underload: tuple[str, ...]
    compression_sign: int
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class NumberStyle:
    """How the numbers of one part are written."""

    point: bool
    comma_missing: bool
    exponent: bool
    decimals: int | None
    whole: tuple[int, int]
    padded: bool
    always_sign: bool
    always_minus: bool
    spaced: bool


def number_style(part: Part, *, comma: bool) -> NumberStyle:
    """Describe the numbers of a part.

    Examples
    --------
    >>> number_style(Part("N", ("+001.24", "-000.10")), comma=False).padded
    True
    """
    found = [m for text in part.texts if (m := _NUMBER.fullmatch(text))]
    mark = "," if comma else "."
    points = [m["point"] == mark for m in found]
    decimals = {len(m["part"]) for m in found if m["point"]}
    wholes = [len(m["whole"]) for m in found]
    return NumberStyle(
        point=any(points),
        comma_missing=not all(points),
        exponent=any(m["exp"] for m in found),
        decimals=decimals.pop() if len(decimals) == 1 else None,
        whole=(min(wholes), max(wholes)),
        padded=any(len(m["whole"]) > 1 and m["whole"].startswith("0") for m in found),
        always_sign=all(m["sign"] for m in found),
        always_minus=all(m["sign"] == "-" for m in found),
        spaced=any(m["pad"] or m["gap"] for m in found),
    )


def _digits(style: NumberStyle, *, comma: bool) -> str:
    low, high = style.whole
    whole = f"[0-9]{{{low}}}" if style.padded and low == high else "[0-9]+" if low else "[0-9]*"
    mark = "," if comma else r"\."
    fraction = "[0-9]+" if style.decimals is None else f"[0-9]{{{style.decimals}}}"
    if not style.point:
        text = whole
    elif style.comma_missing:
        text = f"{whole}(?:{mark}{fraction})?"
    else:
        text = f"{whole}{mark}{fraction}"
    return text + ("[eE][+-]?[0-9]+" if style.exponent else "")


def _number(part: Part, *, comma: bool, value: bool, unsigned: bool) -> str:
    style = number_style(part, comma=comma)
    pad = " *" if style.spaced else ""
    digits = _digits(style, comma=comma)
    if unsigned:
        sign = ""
    elif style.always_sign:
        sign = "[+-]" + pad
    else:
        sign = "[+-]?" + pad
    if value:
        return f"{_width(part, style, comma=comma)}{pad}(?P<value>{sign}{digits})"
    signed = any(c in text for text in part.texts for c in "+-")
    return pad + (sign if signed else "") + digits


def _width(part: Part, style: NumberStyle, *, comma: bool) -> str:
    """A look ahead at the width of the number, where padding holds it: a lost byte shows."""
    widths = {len(text) for text in part.texts}
    held = len({len(text.replace(" ", "")) for text in part.texts}) > 1
    if len(widths) > 1 or not held or style.padded or style.exponent:
        return ""
    width = widths.pop() - 1
    # Where the largest number fills the field, a larger one may overflow it.
    full = min(len(t) - len(t.replace(" ", "")) for t in part.texts) < 2
    mark = "," if comma else "."
    return f"(?=[ +0-9{mark}-]{{{width}{',' if full else ''}}}[0-9](?![0-9{mark}]))"


def _escape(text: str) -> str:
    return re.escape(text).replace("\\ ", " ")


def _part(choice: Choice, at: int) -> str:
    part = choice.parts[at]
    if at == choice.value_at:
        return _number(part, comma=choice.comma, value=True, unsigned=choice.sign_at is not None)
    if at == choice.unit_at:
        return _UNITS
    if at == choice.sign_at:
        return "(?P<sign>[+-])"
    if part.kind == "N":
        if part.constant and at and choice.parts[at - 1].kind == "W" and part.texts[0][0] != " ":
            return _escape(part.texts[0])  # the 1 of CH1
        if at and choice.parts[at - 1].texts[0] == "*" and all(t.isdigit() for t in part.texts):
            return "[0-9A-Fa-f]+"  # a checksum after an asterisk: letters may come
        comma = any("," in text for text in part.texts)
        return _number(part, comma=comma, value=False, unsigned=False)
    if part.kind == "M" and all(c in "0123456789ABCDEFabcdef" for t in part.texts for c in t):
        return f"[0-9A-Fa-f]{{{len(part.texts[0])}}}"
    if part.kind == "B" and not part.constant:
        return " *" if "" in part.texts else " +"
    words = set(part.texts)
    for family in _FAMILIES:
        if part.kind == "W" and words <= family:
            words = set(family)
    seen = sorted(words, key=lambda t: (-len(t), t))
    body = _escape(seen[0]) if len(seen) == 1 else "(?:" + "|".join(map(_escape, seen)) + ")"
    return f"(?P<status>{body})" if at == choice.status_at else body


def _word_in_place(choice: Choice, patterns: Sequence[str], line: str) -> str | None:
    """The word that stands in a line where others have their number."""
    head, tail = "".join(patterns[: choice.value_at]), "".join(patterns[choice.value_at + 1 :])
    match = re.fullmatch(f"{head} *(?P<word>[^0-9 ](?:[^0-9]*[^0-9 ])?) *{tail} *", line)
    return match["word"] if match else None


def build(
    choice: Choice,
    *,
    name: str,
    terminator: bytes,
    start: bytes | None,
    baudrate: int | None,
    bytesize: int,
    parity: str,
    stopbits: float,
    mode: str,
    request: bytes | None,
) -> LineFormat:
    r"""Write the line format of a choice.

    Parameters
    ----------
    choice : Choice
    name : str
    terminator : bytes
    start : bytes or None
        What ends and begins each line.
    baudrate, bytesize, parity, stopbits, mode, request
        As in `LineFormat`.

    Raises
    ------
    BadFormatError
        If the choice makes no valid format.

    Examples
    --------
    >>> from gauge.learn.learnchoice import Chooser
    >>> lines = [f"{x / 100:.2f} N" for x in [0, 0, 2, 40, 90, 124, 80, 12, 0, 0] * 2]
    >>> choice = Chooser(lines, comma=False, unit=None, mode="streaming", least=8).choose()
    >>> fmt = build(choice, name="mine", terminator=b"\r\n", start=None, baudrate=9600, bytesize=8,
    ...             parity="N", stopbits=1, mode="streaming", request=None)
    >>> fmt.regex.fullmatch(b"1.24 N")["value"], fmt.regex.fullmatch(b"1.2 N")
    (b'1.24', None)
    """
    patterns = [_part(choice, i) for i in range(len(choice.parts))]
    words: dict[str, list[str]] = {"overload": [], "underload": []}
    for key, texts in (("overload", choice.overload), ("underload", choice.underload)):
        for text in texts:
            line = next((o for o in choice.odd if o.strip(" ") == text), None)
            word = None if line is None else _word_in_place(choice, patterns, line)
            words[key].append(word or text)
    both = list(dict.fromkeys(words["overload"] + words["underload"]))
    inside = [w for w in both if w not in (*choice.overload, *choice.underload)]
    if inside:
        value = patterns[choice.value_at]
        body = value[value.index("(?P<value>") + len("(?P<value>") : -1]
        either = "|".join([body, *map(_escape, inside)])
        patterns[choice.value_at] = f" *(?P<value>{either}) *"
    pattern = "".join(patterns)
    if any(line.endswith(" ") for line in choice.lines) and choice.parts[-1].kind not in "MB":
        pattern += " *"
    underload = [w for w in dict.fromkeys(words["underload"]) if w not in words["overload"]]
    return LineFormat(
        name=name,
        pattern=pattern,
        terminators=(terminator,),
        start=start,
        baudrate=baudrate,
        bytesize=bytesize,
        parity=parity,
        stopbits=stopbits,
        decimal_comma=choice.comma,
        overload=tuple(dict.fromkeys(words["overload"])),
        underload=tuple(underload),
        unit=choice.unit,
        compression_sign=choice.compression_sign,
        mode=mode,
        request=request,
    )
