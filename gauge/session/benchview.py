"""What the bench screen shows, as lines of styled words for a screen of any size.

Pure: no terminal, no colour codes. A style is a hint and says nothing that the words do not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap

from gauge.session.events import FLAG_WORDS, BerryLogged
from gauge.session.precision import Summary, berries_needed
from gauge.session.recorder import DetectorView
from gauge.units import Unit

Span = tuple[str, str]
Line = list[Span]
_SPAN_S = 10.0  # s; shown of the press under way
_BLOCKS, _ASCII = " ▁▂▃▄▅▆▇█", " .:#"
HEIGHT = 5
_FONT = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    ".": (" ", " ", " ", " ", "#"),
    "-": ("   ", "   ", "###", "   ", "   "),
    "?": ("###", "  #", " ##", "   ", " # "),
}
KEYS = (
    ("v", "void last"),
    ("n", "next sample"),
    ("o", "note"),
    ("f", "finger score"),
    ("p", "pause"),
    ("q", "quit"),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchState:
    """All that the screen shows, at one moment."""

    sample: str
    port: str
    line_state: str  # in words, such as "LISTENING"
    line_ok: bool
    number: int  # of the next berry
    planned: int | None
    last: BerryLogged | None
    summary: Summary  # of the sample's berries that are not void
    half_width_newton: float | None  # required; None for a tenth of the mean
    view: DetectorView | None  # None where forces are hidden
    hidden: str = ""  # why the force is hidden
    messages: tuple[str, ...] = ()  # oldest first
    prompt: str = ""  # what is asked; empty for the list of keys
    warning: str = ""
    done: bool = False  # whether all berries required are stored


def draw(state: BenchState, columns: int, rows: int, *, ascii_only: bool = False) -> list[Line]:
    """Lay the screen out: at most `rows` lines of at most `columns` characters.

    Figures, flags and what to do come first; the picture of the press gets what is left.
    """
    rule = [[(("-" if ascii_only else "─") * columns, "dim")]]
    warning: list[Line] = [[(text, "warning")] for text in wrap(state.warning, columns)]
    fixed = [
        *_head(state, columns),
        *(warning or rule),
        [],
        *_figures(state, columns, ascii_only),
        [],
        *_numbers(state, columns, ascii_only),
        [],
    ]
    foot = _foot(state, columns)
    newest, older = _messages(state, columns)
    free = rows - len(fixed) - len(foot)
    picture = _picture(state, columns, min(8, free - len(newest)), ascii_only)
    body = [*fixed, *picture, *newest, *older]
    body += [[]] * (rows - len(foot) - len(body))
    return [_cut(line, columns) for line in [*body[: rows - len(foot)], *foot]]


def _messages(state: BenchState, columns: int) -> tuple[list[Line], list[Line]]:
    """Return the lines of the newest message, and of the two before it."""
    parts = [wrap(message, columns) for message in state.messages[-3:]]
    newest: list[Line] = [[(text, "warning")] for text in parts[-1][:3]] if parts else []
    older: list[Line] = [[(text, "dim")] for part in reversed(parts[:-1]) for text in part]
    return newest, older


def _head(state: BenchState, columns: int) -> list[Line]:
    of = f" of {state.planned}" if state.planned else ""
    left = f"berry {state.number}{of}  sample {state.sample}"
    if state.done:
        left = f"sample {state.sample} is DONE: n for the next sample"
    right = state.line_state
    style = "good" if state.line_ok else "bad"
    if len(left) + len(right) + 2 <= columns:
        return [[(left, "bold"), (" " * (columns - len(left) - len(right)), ""), (right, style)]]
    return [[(left, "bold")], *([[(text, style)] for text in wrap(right, columns)])]


def _figures(state: BenchState, columns: int, ascii_only: bool) -> list[Line]:
    ink = "#" if ascii_only else "█"
    last = state.last
    if state.hidden or last is None:
        shown, caption = "---", [state.hidden or "press the first berry"]
    else:
        press = last.press
        shown = press.peak_shown
        caption = [f"{press.peak_unit}"]
        if press.peak_unit is not Unit.N:
            caption.append(f"= {press.peak_newton:.3f} N")
        caption.append(f"berry {last.number}, stored")
        caption += [f"{mark.rater} {mark.score}" for mark in last.scores]
    large = len(big(shown)[0])
    if large + 12 > columns:
        rows = [[(shown, "bold")]]
    else:
        rows = [[(text, "large")] for text in big(shown, ink)]
    room = columns - large - 4
    words = [text for part in caption for text in wrap(part, max(room, 12))][:HEIGHT]
    if len(rows) == HEIGHT:
        for row, text in zip(rows[-len(words) :], words, strict=True):
            row[0] = (row[0][0].ljust(large + 3), "large")
            row.append((text, "bold"))
    else:
        rows += [[(text, "")] for text in words]
    flags = [] if state.hidden or last is None else [FLAG_WORDS[f] for f in last.press.flags]
    text = "CHECK: " + "; ".join(flags) if flags else ""
    return [*rows, *[[(line, "warning")] for line in wrap(text, columns)[:2]]]


def _numbers(state: BenchState, columns: int, ascii_only: bool) -> list[Line]:
    summary, about = state.summary, "+-" if ascii_only else "±"
    if summary.mean_newton is None:
        return [[("no berries yet", "")]]
    text = f"mean {summary.mean_newton:.2f} N of {summary.n}"
    if summary.sd_newton is None or summary.cv is None or summary.half_width_newton is None:
        return [[(f"{text}; SD and CV from the second berry on", "")]]
    text += f"   SD {summary.sd_newton:.2f} N   CV {100 * summary.cv:.0f} %"
    required = state.half_width_newton or 0.1 * summary.mean_newton
    more = berries_needed(summary.sd_newton, required) - summary.n
    aim = f"{about}{required:.2g} N" + ("" if state.half_width_newton else " (10 %)")
    need = f"{more} more for {aim}" if more > 0 else f"enough for {aim}"
    text2 = f"mean known to {about}{summary.half_width_newton:.2g} N; {need}"
    return [[(line, "")] for line in (text, *wrap(text2, columns)[:2])]


def _picture(state: BenchState, columns: int, rows: int, ascii_only: bool) -> list[Line]:
    view = state.view
    if rows < 2 or view is None or not view.trace:
        return []
    label = {"rest": "at rest", "press": "PRESS", "settling": "waiting for rest"}[view.state]
    now = "" if math.isnan(view.current_newton) else f", now {view.current_newton:.2f} N"
    top = ""
    if view.state == "press" and not math.isnan(view.largest_newton):
        top = f", largest {view.largest_newton:.2f} N"
    highest = max(force for _, force in view.trace)
    # At rest the noise must not look like a press.
    floor = 20 * view.noise_newton if view.noise_newton == view.noise_newton else 0.0
    drawn = bars(
        view.trace,
        columns=min(columns, 72),
        rows=rows - 1,
        top_newton=max(highest, floor),
        ascii_only=ascii_only,
    )
    title: Line = [(f"last {_SPAN_S:.0f} s: {label}{now}{top}", "bold")]
    return [title, *[[(row, "bars")] for row in drawn]]


def _foot(state: BenchState, columns: int) -> list[Line]:
    if state.prompt:
        return [[(text, "prompt")] for text in wrap(state.prompt, columns)]
    rows: list[str] = [""]
    for key, what in KEYS:
        word = f"[{key}] {what}"
        if rows[-1] and len(rows[-1]) + len(word) + 2 > columns:
            rows.append("")
        rows[-1] += ("  " if rows[-1] else "") + word
    return [[(row, "keys")] for row in rows]


def _cut(line: Sequence[Span], columns: int) -> Line:
    out: Line = []
    left = columns
    for text, style in line:
        out.append((text[:left], style))
        left -= len(text[:left])
    return out


def big(text: str, ink: str = "#") -> list[str]:
    """Draw digits, point and minus in large; `ink` is doubled sideways to look upright."""
    glyphs = [_FONT[character] for character in text if character in _FONT]
    gap = " " * 2
    return [
        gap.join(
            "".join(2 * (ink if dot == "#" else " ") for dot in glyph[row]) for glyph in glyphs
        )
        for row in range(HEIGHT)
    ]


def bars(
    trace: Sequence[tuple[float, float]],
    *,
    columns: int,
    rows: int,
    span_s: float = _SPAN_S,
    top_newton: float | None = None,
    ascii_only: bool = False,
) -> list[str]:
    """Draw the last seconds of force, each column the largest force of its slice of time.

    `top_newton` is the force at the upper edge, by default the largest that is shown. The upper
    edge comes first.
    """
    slots = [-math.inf] * columns
    if trace:
        end_s = trace[-1][0]
        for t_s, force_newton in trace:
            slot = columns - 1 - int((end_s - t_s) / span_s * columns)
            if 0 <= slot < columns:
                slots[slot] = max(slots[slot], force_newton)
    # A slow gauge leaves slices without a reading: the force is the one received last.
    for i in range(1, columns):
        if slots[i] == -math.inf:
            slots[i] = slots[i - 1]
    known = [force for force in slots if force > -math.inf]
    top = top_newton if top_newton is not None else max(known, default=0.0)
    ink = _ASCII if ascii_only else _BLOCKS
    steps = len(ink) - 1
    lines = []
    for row in range(rows - 1, -1, -1):
        line = ""
        for force in slots:
            level = 0 if top <= 0 or force <= 0 else round(force / top * rows * steps)
            line += ink[max(0, min(steps, level - row * steps))]
        lines.append(line)
    return lines
