"""What the bench screen says at one moment: a big word, a figure, and lines by their importance.

Pure: no terminal, no colour codes. A style is a hint and says nothing that the words do not.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from textwrap import wrap

from gauge.screens.benchactions import key_list
from gauge.screens.bigtext import HEIGHT, big
from gauge.screens.questions import Message
from gauge.session.events import FLAG_WORDS, BerryLogged

Line = tuple[str, str]  # text, style
_LEVEL = 0.95  # of the interval of the mean
_MOST = 100_000  # berries; the search ends there


@dataclass(frozen=True, kw_only=True, slots=True)
class Summary:
    """Mean and spread of peaks in N; what needs two berries is None before."""

    n: int
    mean_newton: float | None
    sd_newton: float | None
    half_width_newton: float | None

    @property
    def cv(self) -> float | None:
        """Coefficient of variation, a share of the mean."""
        if self.sd_newton is None or not self.mean_newton:
            return None
        return self.sd_newton / self.mean_newton


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchState:
    """All that the screen shows, at one moment."""

    word: str  # the state, such as "PRESS", in which the screen draws it large
    about: str  # what it means, in a few words
    figure: str  # the peak just stored, or the force now; nothing where forces are hidden
    sample: str
    progress: str
    last: BerryLogged | None
    summary: Summary  # of the sample's berries that are not void
    half_width_newton: float | None = None  # required; None for a tenth of the mean
    messages: tuple[Message, ...] = ()  # oldest first
    prompt: str = ""  # what is asked; empty for the list of keys
    warning: str = ""


def _cut(lines: list[Line], columns: int) -> list[Line]:
    """Mark words that were left out at the end."""
    last = [(f"{wrap(text, columns - 4)[0]} ...", style) for text, style in lines[-1:]]
    return [*lines[:-1], *last]


@dataclass(slots=True)
class _Blocks:
    """Blocks of lines in the order of the screen, each with its rank: 0 stays longest."""

    columns: int
    blocks: list[tuple[int, list[Line]]] = field(default_factory=list)

    def add(self, rank: int, text: str, style: str = "", most: int = 3) -> None:
        wrapped = [line for part in text.split("\n") for line in wrap(part, self.columns)]
        lines: list[Line] = [(line, style) for line in wrapped]
        most = max(most, text.count("\n") + 1)
        if len(lines) > most:
            lines = _cut(lines[:most], self.columns)
        if lines:
            self.blocks.append((rank, lines))

    def fitting(self, rows: int) -> list[Line]:
        left, kept = rows, {}
        for place in sorted(range(len(self.blocks)), key=lambda i: self.blocks[i][0]):
            rank, lines = self.blocks[place]
            if len(lines) <= left or rank <= 0:  # what matters most is cut, and never left out
                cut = len(lines) > left and lines[0][1] in ("message", "prompt")  # not a big word
                kept[place] = _cut(lines[:left], self.columns) if cut else lines[:left]
                left -= len(kept[place])
        return [line for place in sorted(kept) for line in kept[place]]


def draw(
    state: BenchState, columns: int, rows: int, ink: str = "█"
) -> tuple[list[Line], list[Line]]:
    """Lay the screen out, as lines of its upper part and of its foot; a picture may part them.

    The word, the figure and the newest message stay whatever the size.
    """
    foot = _Blocks(columns)
    small = rows <= 20 or columns < 78
    texts = [one.short if small else one.text for one in reversed(state.messages)]
    for text in texts[1:]:
        foot.add(6, f"  {text}", "dim", 1)
    if texts:
        foot.add(0, f"> {texts[0]}", "message", 4)
    if state.prompt:
        foot.add(-1, state.prompt, "prompt", 4)
    else:
        foot.add(3, "[?] keys" if rows < 20 else key_list(), "keys")
    large = 2 * HEIGHT + 1 if state.figure or " " in state.word else HEIGHT
    above = 0 if state.prompt and texts else 1  # row of the sample; by a question a message's
    below = foot.fitting(max(2, min(rows // 3, rows - large - above)))
    room = rows - len(below)
    head = _Blocks(columns)
    head.add(2, f"{state.sample}  {state.progress}", "head", 2)
    tall = max(1, (room - 1 - above) // 2 if state.figure else room - above)
    share = (5 if state.figure else 7) * rows // 12
    word = big(state.word, columns, min(tall, max(large, share)), ink)
    head.blocks.append((0, [(line, state.word) for line in word]))
    head.add(4, state.about, "about", 2)
    if state.figure:
        most = min(room - 1 - above - len(word), max(HEIGHT, rows // 4))
        blank: list[Line] = [("", "")] if rows >= 20 else []
        figure = big(state.figure, columns, most, ink)
        head.blocks.append((0, [*blank, *((line, "figure") for line in figure)]))
    for rank, text, style in _facts(state):
        head.add(rank, text, style)
    return head.fitting(room), below


def _facts(state: BenchState) -> list[tuple[int, str, str]]:
    """Return the smaller lines with rank and style: the last berry, doubts, the mean, warnings."""
    facts = []
    if (last := state.last) is not None:
        flags = "; ".join(FLAG_WORDS[flag] for flag in last.press.flags)
        facts.append((3, f"last: {last.line()}".split(" (")[0], ""))
        if flags:
            facts.append((1, f"CHECK: {flags}", "warning"))
    facts += [(5, _mean(state), "")] if state.summary.n else []
    if state.warning:
        facts.append((4, state.warning, "warning"))
    return facts


def _mean(state: BenchState) -> str:
    summary = state.summary
    text = f"mean {summary.mean_newton:.2f} N of {summary.n}"
    if summary.sd_newton is None or summary.cv is None or summary.half_width_newton is None:
        return text
    required = state.half_width_newton or 0.1 * (summary.mean_newton or 0)
    more = berries_needed(summary.sd_newton, required) - summary.n
    aim = f"±{required:.2g} N" + ("" if state.half_width_newton else " (10 %)")
    need = f"{more} more for {aim}" if more > 0 else f"enough for {aim}"
    return (
        f"{text}   SD {summary.sd_newton:.2f} N   CV {100 * summary.cv:.0f} %   "
        f"mean known to ±{summary.half_width_newton:.2g} N; {need}"
    )


def summarise(peaks_newton: Sequence[float]) -> Summary:
    """Return mean, standard deviation (n - 1) and half-width of the mean's interval.

    The interval is Student's: mean +- t(n - 1) s / sqrt(n) (NIST/SEMATECH e-Handbook of
    Statistical Methods, 1.3.5.2).
    """
    n = len(peaks_newton)
    mean = statistics.fmean(peaks_newton) if n else None
    if n < 2:
        return Summary(n=n, mean_newton=mean, sd_newton=None, half_width_newton=None)
    sd = statistics.stdev(peaks_newton)
    return Summary(n=n, mean_newton=mean, sd_newton=sd, half_width_newton=_half_width(sd, n))


def berries_needed(sd_newton: float, half_width_newton: float) -> int:
    """Return the smallest number of berries whose mean is known within a half-width."""
    # Student's t is never below the normal quantile, so the search begins just under its answer.
    n = max(2, min(_MOST, math.floor((1.9 * sd_newton / half_width_newton) ** 2)))
    while n > 2 and _half_width(sd_newton, n - 1) <= half_width_newton:
        n -= 1
    while n < _MOST and _half_width(sd_newton, n) > half_width_newton:
        n += 1
    return n


def _half_width(sd_newton: float, n: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(n - 1, 0.5 + _LEVEL / 2)) * sd_newton / math.sqrt(n)


def time_left(intervals_s: Sequence[float], n_left: int) -> str:
    """Say how long so many berries will take at the pace of the last ones; "" if not known.

    Examples
    --------
    >>> time_left([9.0, 10.0, 11.0], 150)
    'about 25 min left'
    """
    if len(intervals_s) < 3 or n_left <= 0:
        return ""
    pace_s = sorted(intervals_s)[len(intervals_s) // 2]
    minutes = pace_s * n_left / 60
    if minutes >= 90:
        return f"about {minutes / 60:.0f} h left"
    return f"about {max(1, round(minutes))} min left"
