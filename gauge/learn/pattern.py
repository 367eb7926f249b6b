"""From the parts of lines to the pattern of a line format: as strict as the lines allow."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from itertools import product

from gauge.errors import NotSureError
from gauge.learn.choice import LINES_LEAST, Choice
from gauge.learn.lineparts import Part
from gauge.learn.received import Lines
from gauge.learn.vocabulary import FAMILIES
from gauge.protocol.lineformat import LineFormat
from gauge.units import SPELLINGS

_UNITS = "(?P<unit>" + "|".join(sorted(SPELLINGS, key=lambda s: (-len(s), s))) + ")"


def build_format(choice: Choice, lines: Lines, *, mode: str, request: bytes | None) -> LineFormat:
    """Write the line format of a choice."""
    table = choice.table
    patterns = [_part_pattern(choice, i) for i in range(len(table.parts))]
    over = _words_in_place(choice, patterns, choice.overload)
    under = _words_in_place(choice, patterns, choice.underload)
    inside = [word for word in over + under if word not in choice.overload + choice.underload]
    if inside:
        body = patterns[choice.at].partition("(?P<value>")[2]
        either = "|".join([body[:-1], *map(_escape, dict.fromkeys(inside))])
        patterns[choice.at] = f" *(?P<value>{either}) *"
    pattern = "".join(patterns)
    if any(line.endswith(" ") for line in table.lines) and table.parts[-1].kind not in "MB":
        pattern += " *"
    return LineFormat(
        name="learned",
        pattern=pattern,
        terminators=(lines.terminator,),
        start=lines.start,
        settings=lines.settings,
        decimal_comma=choice.comma,
        overload=tuple(dict.fromkeys(over)),
        underload=tuple(word for word in dict.fromkeys(under) if word not in over),
        unit=choice.units[0] if choice.unit_at is None else None,
        compression_sign=choice.compression_sign,
        mode=mode,
        request=request,
    )


def _words_in_place(choice: Choice, patterns: Sequence[str], texts: Iterable[str]) -> list[str]:
    """Return each text, or the word in it that stands where other lines have their number."""
    head, tail = "".join(patterns[: choice.at]), "".join(patterns[choice.at + 1 :])
    word = re.compile(f"{head} *(?P<word>[^0-9 ](?:[^0-9]*[^0-9 ])?) *{tail} *")
    found = []
    for text in texts:
        line = next((line for line in choice.table.odd if line.strip(" ") == text), "")
        match = word.fullmatch(line)
        found.append(match["word"] if match else text)
    return found


def _escape(text: str) -> str:
    return re.escape(text).replace("\\ ", " ")


def _part_pattern(choice: Choice, at: int) -> str:
    """Write the pattern of one part."""
    parts = choice.table.parts
    part, before = parts[at], parts[at - 1] if at else None
    if at == choice.at:
        return _value_pattern(choice)
    if at == choice.unit_at:
        return _UNITS
    if at == choice.sign_at:
        return "(?P<sign>[+-])"
    if part.kind == "X":
        return r"\*[0-9A-Fa-f]{2}"
    if part.kind == "N":
        if part.constant and before and before.kind == "W" and part.texts[0][0] != " ":
            return _escape(part.texts[0])  # the 1 of CH1
        signed = any(c in text for text in part.texts for c in "+-")
        comma = any("," in text for text in part.texts)
        signs = ("[+-]", "[+-]?") if signed else ("",)
        return "".join(_number_pattern(part, comma=comma, signs=signs))
    if part.kind == "M" and part.is_hex:
        return f"[0-9A-Fa-f]{{{len(part.texts[0])}}}"
    if part.kind == "B" and not part.constant:
        return " *" if "" in part.texts else " +"
    words = set(part.texts)
    for family in FAMILIES:
        if part.kind == "W" and words <= family:
            words = set(family)
    seen = sorted(words, key=lambda text: (-len(text), text))
    body = _escape(seen[0]) if len(seen) == 1 else f"(?:{'|'.join(map(_escape, seen))})"
    return f"(?P<status>{body})" if at == choice.status_at else body


def _number_pattern(part: Part, *, comma: bool, signs: Sequence[str]) -> tuple[str, str]:
    """Return the strictest pattern that all numbers of a part match: its pad, and the rest."""
    texts = sorted(set(part.texts))
    mark = "," if comma else r"\."
    # A few lines of a gauge with a key may all have filled the field.
    few = len(part.texts) < LINES_LEAST
    spaced = " *" if few or any(" " in text for text in texts) else ""
    digits = [re.sub("[eE].*|[ +-]", "", text) for text in texts]
    whole, *fraction = re.split(mark, max(digits, key=len))
    padded = any(re.match("0[0-9]", text) for text in digits)
    wholes = [f"[0-9]{{{len(whole)}}}"] * padded + ["[0-9]+", "[0-9]*"]
    fractions = [f"{mark}[0-9]{{{len(decimals)}}}" for decimals in fraction] + [f"{mark}[0-9]+"]
    fractions = ["", *fractions, *(f"(?:{one})?" for one in fractions)]
    for sign, one, other, exponent in product(signs, wholes, fractions, ("", "[eE][+-]?[0-9]+")):
        rest = f"{sign}{spaced if sign else ''}{one}{other}{exponent}"
        regex = re.compile(spaced + rest)
        if all(map(regex.fullmatch, texts)):
            return spaced, rest
    raise NotSureError(f"'{texts[0].strip()}' and '{texts[-1].strip()}' are written differently.")


def _value_pattern(choice: Choice) -> str:
    """Write the pattern of the force."""
    part = choice.table.parts[choice.at]
    signs = ("[+-]", "[+-]?") if choice.sign_at is None else ("",)
    pad, rest = _number_pattern(part, comma=choice.comma, signs=signs)
    return f"{_width_pattern(part, comma=choice.comma)}{pad}(?P<value>{rest})"


def _width_pattern(part: Part, *, comma: bool) -> str:
    """Look ahead at the width of the number, where padding keeps it: a lost byte shows."""
    bare = [text.replace(" ", "") for text in part.texts]
    widths = {len(text) for text in part.texts}
    padded = any(re.match("[+-]?0[0-9]", text) for text in bare)
    exponent = any(re.search("[eE]", text) for text in bare)
    if len(widths) > 1 or len(set(map(len, bare))) == 1 or padded or exponent:
        return ""
    (width,) = widths
    # A larger number may overflow a field that is nearly full: beside one digit, the places of the
    # sign and of a blank before the field may still be free.
    more = "," if max(map(len, bare)) > width - 3 else ""
    mark = "," if comma else "."
    return f"(?=[ +0-9{mark}-]{{{width - 1}{more}}}[0-9](?![0-9{mark}]))"
