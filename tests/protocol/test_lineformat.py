"""The line format as data and as TOML: what it holds, what it refuses, and by which name."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gauge.errors import BadFormatError, UnknownUnitError, UnreadableFileError
from gauge.plaintext import control_in
from gauge.protocol.formatfile import (
    dump_format,
    load_format,
    load_format_text,
    shipped_format,
    shipped_names,
)
from gauge.protocol.lineformat import LineFormat, SerialSettings
from gauge.units import Unit

PATTERN = r"(?P<value>[0-9]+\.[0-9]{2}) (?P<unit>N|lbf)"
MINIMAL = f"name = 'mine'\npattern = '{PATTERN}'\n"


def test_shipped_formats_come_back_from_their_text() -> None:
    assert shipped_names() == ["number-unit", "numeric-response", "sma-0499"]
    for name in shipped_names():
        fmt = shipped_format(name)
        assert fmt.name == name
        assert load_format_text(dump_format(fmt)) == fmt


words = st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=6)


@settings(max_examples=60, deadline=None)
@given(
    st.builds(
        LineFormat,
        name=st.text(min_size=1, max_size=12).filter(
            lambda t: bool(t.strip()) and control_in(t) is None
        ),
        pattern=st.sampled_from((PATTERN, r"'(?P<value>\d)'", 'a"b\\\\(?P<value>\t[0-9])')),
        terminators=st.sampled_from(((b"\r\n",), (b"\r\n", b"\n", b"\r"), (b"\x03",), (b"\xff;",))),
        start=st.sampled_from((None, b"\x02", b"\x01\x02")),
        settings=st.builds(
            SerialSettings,
            baudrate=st.sampled_from((None, 1200, 115200)),
            bytesize=st.sampled_from((7, 8)),
            parity=st.sampled_from("NEO"),
            stopbits=st.sampled_from((1, 1.5, 2)),
        ),
        decimal_comma=st.booleans(),
        overload=st.lists(words, max_size=2, unique=True).map(tuple),
        unit=st.sampled_from((None, Unit.MN)),
        compression_sign=st.sampled_from((1, -1)),
        mode=st.sampled_from(("streaming", "polled", "button")),
        request=st.binary(min_size=1, max_size=6),
    )
)
def test_any_format_comes_back_from_its_text(fmt: LineFormat) -> None:
    assert load_format_text(dump_format(fmt)) == fmt


def test_a_file_and_its_defaults(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(MINIMAL + "[line]\nbaudrate = 'any'\n", "utf-8")
    fmt = load_format(file)
    assert (fmt.terminators, fmt.start, fmt.mode, fmt.settings.baudrate) == (
        (b"\r\n",),
        None,
        "streaming",
        None,
    )
    assert fmt.settings == SerialSettings(baudrate=None)
    assert str(fmt.settings) == "any speed, 8N1"
    assert str(SerialSettings(baudrate=1200, bytesize=7, parity="E")) == "1200 baud, 7E1"
    file.write_bytes(b"\xef\xbb\xbf" + MINIMAL.encode())  # a byte order mark, as editors put it
    assert load_format(str(file)).name == "mine"


def test_the_unit_of_a_shipped_format_is_named() -> None:
    assert load_format("number-unit") == shipped_format("number-unit")
    assert load_format("numeric-response:kgf").unit is Unit.KGF
    with pytest.raises(BadFormatError, match=r"number-unit: unit: the lines bear theirs"):
        load_format("number-unit:N")
    with pytest.raises(UnknownUnitError, match="'stone'"):
        load_format("numeric-response:stone")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name = ", "not TOML"),
        ("name = 'x'", "key 'pattern' is missing"),
        (f"pattern = '{PATTERN}'", "key 'name' is missing"),
        (MINIMAL + "baud = 9600", "unknown key baud"),
        (MINIMAL + "baudrate = 9600", "unknown key baudrate"),
        (MINIMAL + "[line]\nspeed = 9600", "unknown key line.speed"),
        (MINIMAL + "line = 3", "'line' must be a table"),
        (MINIMAL + "[line]\nbaudrate = 'fast'", "'baudrate' must be a whole number, or \"any\""),
        (MINIMAL + "[line]\nbaudrate = true", "'baudrate' must be a whole number"),
        (MINIMAL + "[line]\nbaudrate = 3", "baudrate: 3 is no speed"),
        (MINIMAL + "[line]\nbytesize = 6", "bytesize: must be 7 or 8"),
        (MINIMAL + "[line]\nparity = 'X'", "parity: must be"),
        (MINIMAL + "[line]\nstopbits = 3", "stopbits: must be"),
        (MINIMAL + "mode = 'loud'", "mode: must be one of"),
        (MINIMAL + "mode = 'polled'", "request: is needed"),
        (MINIMAL + "request = ''", "request: is empty"),
        (MINIMAL + "decimal_comma = 1", "'decimal_comma' must be true or false"),
        (MINIMAL + "terminators = '\\r'", "'terminators' must be a list of strings"),
        (MINIMAL + "terminators = []", "terminators: a line needs an end"),
        (MINIMAL + 'terminators = [""]', "terminators: a line needs an end"),
        (MINIMAL + 'terminators = ["\\n", "a\\nb"]', "where a line ends is not clear"),
        (MINIMAL + 'terminators = ["\\u2028"]', "'terminators' holds a character"),
        (MINIMAL + 'start = "N"', "start: must be control bytes"),
        (MINIMAL + 'start = "\\n"', "start: is part of an end"),
        (MINIMAL + "overload = ['OL']\nunderload = ['OL']", "stands for two statuses"),
        (MINIMAL + "overload = [' OL']", "without blanks"),
        (MINIMAL + "overload = [3]", "'overload' must be a list of strings"),
        (MINIMAL + "unit = 'stone'", "key 'unit': 'stone'"),
        (MINIMAL + "compression_sign = 0", "compression_sign: must be 1 or -1"),
        ("name = ' '\npattern = '(?P<value>1)'", "name: is empty"),
        ("name = 'x'\npattern = '[0-9]'", "has no part (?P<value>...)"),
        ("name = 'x'\npattern = '(?P<value>[0-9]'", "is no regular expression"),
        ("name = 'x'\npattern = '(?P<value>[0-9]*)'", "matches an empty line"),
        ("name = 'x'\npattern = '(?P<value>1)(?P<force>2)'", "unknown parts force"),
        ("name = 'x'\npattern = '(?P<value>1)\u2028'", "a character that no single byte is"),
    ],
)
def test_refusals_name_file_and_key(text: str, message: str, tmp_path: Path) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(text, "utf-8")
    with pytest.raises(BadFormatError) as caught:
        load_format(file)
    assert str(caught.value).startswith(str(file))
    assert message in str(caught.value)
    assert caught.value.todo


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFileError, match="number-unit"):
        load_format(tmp_path / "none.toml")
    with pytest.raises(UnreadableFileError, match="cannot be read"):
        load_format(tmp_path)
    with pytest.raises(UnreadableFileError, match="there is no line format 'mine'"):
        shipped_format("mine")
    (tmp_path / "utf16.toml").write_text(MINIMAL, "utf-16")
    with pytest.raises(BadFormatError, match="not UTF-8"):
        load_format(tmp_path / "utf16.toml")


def test_every_field_is_documented() -> None:
    doc = LineFormat.__doc__ or ""
    assert all(f.name in doc for f in fields(LineFormat))
