"""A pattern of a stranger's format cannot hang a command."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gauge.errors import BadFormatError
from gauge.protocol.lineformat import LineFormat
from gauge.protocol.lineparser import MAX_LINE
from gauge.protocol.parsedpattern import why_unbounded


@pytest.mark.parametrize(
    "pattern",
    [
        "(?:a+)+b", "(?:a|ab)*c", "(?:a*)*", ".*.*.*.*x", r"(?:\d+ ?)+x", r"(a)\1", r"(?:a?){99}b",
        "(?:a|b|ab){30}", "(?:(?:a*b?)c?)*", "a*a*a*a*b",
    ],
)  # fmt: skip
def test_a_pattern_that_takes_without_end_is_refused(pattern: str) -> None:
    with pytest.raises(BadFormatError, match="without end"):
        LineFormat(name="mine", pattern=f"(?P<value>[0-9]){pattern}")


@pytest.mark.timeout(60)
@given(
    st.lists(
        st.sampled_from(
            ["a*", "a+", "b", "[ab]*", ".*", "(?:a*b?)", "(?:a|b)", "a{0,99}", "(?=a*b)", "a?"]
        ),
        min_size=1,
        max_size=7,
    ),
)
@settings(max_examples=60, deadline=None)
def test_what_is_allowed_comes_to_an_end(parts: list[str]) -> None:
    pattern = "".join(parts).encode() + b"x"
    if why_unbounded(pattern) is not None:
        return
    for line in (b"a" * MAX_LINE, b"ab" * (MAX_LINE // 2), b"a" * (MAX_LINE - 1) + b"b"):
        re.compile(pattern).fullmatch(line)  # returns at all
