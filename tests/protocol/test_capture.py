"""Capture text against the written rules of its format, and round trips of arbitrary bytes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gauge.errors import BadCaptureError, InvalidValueError, UnreadableFileError
from gauge.protocol.capture import escape, load_capture, read_capture, unescape, write_capture
from gauge.records import Chunk, Gap

TIMES = st.integers(0, 10**17)


@given(st.binary())
def test_bytes_round_trip_as_printable_ascii(data: bytes) -> None:
    text = escape(data)
    assert text.isascii()
    assert text == "" or text.isprintable()
    assert unescape(text) == data


def test_escapes_are_those_of_the_format() -> None:
    # Written out by hand from the rule: \r \n \t \\ and \xNN, all else printable ASCII.
    assert escape(b"\x02+2.37 N\\\t\r\n\xff\x7f") == "\\x02+2.37 N\\\\\\t\\r\\n\\xff\\x7f"
    assert unescape("\\xFF\\xff") == b"\xff\xff"


@given(
    st.lists(
        st.one_of(
            st.tuples(TIMES, st.binary()).map(lambda x: Chunk(*x)),
            st.tuples(TIMES, TIMES, st.text(st.characters(exclude_categories=["Cs"]))).map(
                lambda x: Gap(min(x[:2]), max(x[:2]), x[2])
            ),
        )
    )
)
def test_capture_round_trips(items: list[Chunk | Gap]) -> None:
    items.sort(key=lambda item: item[0])
    assert list(read_capture(write_capture(items))) == items
    # One physical line an item, whatever the bytes or the reason hold.
    assert all("\n" not in line and "\r" not in line for line in write_capture(items))


def test_comments_blank_lines_and_line_ends_are_passed_over() -> None:
    lines = ["# made by hand\r\n", "\n", "# gap between two fields\n", "3\t1.2\\n\r\n", "3\t\n"]
    assert list(read_capture(lines)) == [Chunk(3, b"1.2\n"), Chunk(3, b"")]


@pytest.mark.parametrize(
    ("lines", "where"),
    [
        (["1\ta", "no tab"], "x.txt, line 2: no tab"),
        (["1.5\ta"], "line 1: '1.5'"),
        (["-1\ta"], "line 1: '-1'"),
        (["\ta"], "line 1: ''"),
        (["7\ta", "", "6\tb"], "line 3: time 6 ns comes after 7 ns"),
        (["7\ta\\x4"], "line 1: character 2"),
        (["7\ta\\"], "line 1: character 2"),
        (["7\t\\q"], "line 1: character 1"),
        (["7\tpréss"], "line 1: character 3"),
        (["7\ta\tb"], "line 1: character 2"),
        (["# gap 9 3 why"], "line 1: a gap ends"),
        (["# gap 3 9 \\xff"], "line 1: the reason"),
        (["7\ta", "12"], "line 2: no tab"),  # a last line cut short
    ],
)
def test_a_broken_line_is_named(lines: list[str], where: str) -> None:
    with pytest.raises(BadCaptureError, match=where.replace("\\", "\\\\")):
        list(read_capture(lines, "x.txt"))


def test_unescape_names_the_character() -> None:
    with pytest.raises(InvalidValueError, match="character 3"):
        unescape("ab\x00")


def test_files_that_are_no_capture(tmp_path) -> None:
    empty, foreign, wide = (tmp_path / name for name in ("empty", "foreign", "wide"))
    empty.write_bytes(b"")
    foreign.write_bytes(b"1\ta\n2\t\xb0\n")
    wide.write_bytes("1\ta\n".encode("utf-16"))
    with pytest.raises(BadCaptureError, match="holds no capture"):
        list(load_capture(empty))
    with pytest.raises(BadCaptureError, match="line 2: this is not UTF-8"):
        list(load_capture(foreign))
    with pytest.raises(BadCaptureError, match="line 1"):
        list(load_capture(wide))
    with pytest.raises(UnreadableFileError):
        list(load_capture(tmp_path / "missing"))
    with pytest.raises(UnreadableFileError):
        list(load_capture(tmp_path))
    good = tmp_path / "good"
    good.write_bytes(b"\xef\xbb\xbf1\ta\n")
    assert list(load_capture(good)) == [Chunk(1, b"a")]
