"""Noise in all that a stranger or a typist hands in: bytes, captures, formats, sheets, seasons.

`nice -n 15 python -m tests.bench.fuzz [MINUTES] [SEED]`: hypothesis makes examples of each kind in
turn, from seeds never used before unless SEED is given, until the time is up, and shortens what
fails. A fault is a traceback, an example without end, a wrong answer, or a document that is none.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import random
import shlex
import signal
import sqlite3
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from gauge.errors import BadFormatError
from gauge.protocol.capture import load_capture, write_capture
from gauge.protocol.formatfile import load_format_text, shipped_format
from gauge.protocol.framing import Framer
from gauge.protocol.lineformat import LineFormat
from gauge.records import Chunk, Gap
from gauge.season.file import give_digests
from gauge.units import Unit
from tests.answers import Result, call
from tests.durability import SCRATCH
from tests.rot import build

LONGEST_S = 20  # s of the processor, for one example
FORMATS = Path(__file__).resolve().parents[2] / "gauge" / "protocol" / "formats"
TEXTS = [path.read_text("utf-8") for path in sorted(FORMATS.glob("*.toml"))]
PIECES = [
    b"2.37 N", b"-0.31 lbF", b"OL", b"\r", b"\n", b"\r\n", b" ", b"+2.37E+00", b"9.91E37", b"1e400",
    b"\n 0GM  +001.2300kg \r", b"\x00", b"\xff", b"\x02ST,+002,37kgf\x03", b"9" * 70_000,
]  # fmt: skip
ODD = ["", " ", "\u200b", "\xa0", "-", "=1+1", "\x1b[2J", "1_0", "0", "-1", "1e400", "nan", "1,5",
       "1.5", "33", "3.0", "2026-07-01", "2026-02-30", "\u00e9", "e\u0301", "\u202e", "\u0663",
       "9" * 30, "'", '"', "a" * 300, "#N/A", "\ud800"]  # fmt: skip
HEADERS = [
    "sample", "clamshell", "berry", "number", "berry_id", "force_N", "force_lbf", "force", "unit",
    "Peak (kgf)", "peak", "score", "rater", "score_ines", "score_marek_2", "ines", "occasion",
    "squeeze_order", "selection", "harvest_date", "storage_day", "fruit_temp_c", "size_mm",
    "mass_g", "flags", "at", "void", "count", "scored_at", "zero_N", "remark", "firm", "soft",
    "total", "leaky", "label", "season",
]  # fmt: skip
USUAL = ["C01", "C02", "c-01", "1", "2", "3", "4", "5", "7", "1.25", "2.370", "0.8", "N", "lbf",
         "ines", "marek", "INES ", "R-114", "overload", "firm", "soft"]  # fmt: skip
noise = st.lists(st.sampled_from(PIECES) | st.binary(max_size=12), max_size=30)
words = st.sampled_from(USUAL) | st.sampled_from(ODD) | st.text(max_size=6)


Test = Callable[..., None]
KINDS: dict[str, tuple[Test, int, tuple[st.SearchStrategy[Any], ...]]] = {}


def kind(examples: int, *drawn: st.SearchStrategy[Any]) -> Callable[[Test], Test]:
    """Register a kind of noise: so many examples in turn, made of what is drawn."""

    def register(test: Test) -> Test:
        KINDS[test.__name__] = test, examples, drawn
        return test

    return register


def limit(seconds: float = LONGEST_S) -> None:
    """Begin to count the time of an example; 0 ends it."""
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)


@st.composite
def mutated(draw: st.DrawFn, texts: list[str]) -> str:
    """Draw one of these texts with up to four spans replaced by characters or by its own spans."""
    text = draw(st.sampled_from(texts))
    for _ in range(draw(st.integers(0, 4))):
        at, upto, start = (draw(st.integers(0, len(text))) for _ in range(3))
        own = text[start : start + draw(st.integers(0, 20))]
        new = draw(st.just(own) | st.text("()[]{}*+?|\\^$.<>P=\"'\n0123456789azAZ-,", max_size=8))
        text = text[:at] + new + text[upto if draw(st.booleans()) else at :]
    return text


def read_in_pieces(fmt: LineFormat, parts: list[bytes]) -> None:
    """Hold the readings of pieces against those of the same bytes at once."""
    framers = Framer(fmt), Framer(fmt)
    apart = [reading for part in parts for reading in framers[0].feed(1, part)]
    at_once = framers[1].feed(1, b"".join(parts))
    assert repr(apart) == repr(at_once), (apart, at_once)
    counts = framers[0].counts
    assert counts == framers[1].counts
    assert counts.lines == counts.readings + counts.rejected
    json.dumps([reading.shown for reading in apart])


@kind(800, noise, st.sampled_from(["number-unit", "sma-0499", "numeric-response"]))
def framing(parts: list[bytes], name: str) -> None:
    limit()
    fmt = shipped_format(name)
    read_in_pieces(fmt.with_unit(Unit.LBF) if name == "numeric-response" else fmt, parts)


@kind(400, mutated(TEXTS), noise)
def formats(text: str, parts: list[bytes]) -> None:
    limit()
    try:
        fmt = load_format_text(text)
        read_in_pieces(fmt, parts)
    except BadFormatError:
        return


@kind(
    200,
    st.lists(st.tuples(st.integers(0, 10**9), noise.map(b"".join), st.text(max_size=5))),
    st.text(max_size=30),
    st.floats(0, 1),
)
def captures(parts: list[tuple[int, bytes, str]], scrap: str, where: float) -> None:
    limit()
    t_ns, items = 0, []
    for step, data, reason in parts:
        t_ns += step
        surrogate = any("\ud800" <= char <= "\udfff" for char in reason)
        items.append(Gap(t_ns, t_ns + step, "" if surrogate else reason) if reason
                     else Chunk(t_ns, data))  # fmt: skip
        t_ns += step if reason else 0
    text = "".join(f"{line}\n" for line in write_capture(items))
    with tempfile.TemporaryDirectory(dir=SCRATCH) as folder:
        path = Path(folder, "a.txt")
        path.write_text(text, "utf-8")
        if any(isinstance(item, Chunk) for item in items):
            assert list(load_capture(path)) == items
        at = int(where * len(text))
        path.write_bytes((text[:at] + scrap + text[at:]).encode("utf-8", "surrogatepass"))
        result = call(f"gauge replay {path} --format number-unit --json")
        assert result.status in {0, 12, 14, 33}, result
        [json.loads(line) for line in result.out.splitlines()]


def checked(line: str) -> Result:
    """Call a command that may refuse, but not fall."""
    result = call(line)
    assert type(result.status) is int, (line, result)
    if result.status == 0 and line.endswith("--json"):
        json.loads(result.out)
    return result


def bytes_of(path: Path) -> bytes | None:
    return path.read_bytes() if path.exists() else None


@kind(100, st.data())
def sheets(data: st.DataObject) -> None:
    """Sheets of usual and odd cells; what is refused changes nothing, and is listed."""
    limit()
    header = data.draw(st.lists(st.sampled_from(HEADERS) | words, min_size=1, max_size=9))
    row = st.lists(words, min_size=len(header), max_size=len(header))
    rows = data.draw(st.lists(row, max_size=8))
    sign, bare = data.draw(st.sampled_from(",;\t")), data.draw(st.booleans())
    encoding = data.draw(st.sampled_from(["utf-8", "utf-16", "cp1252"]))
    lines = [sign.join(c if bare else f'"{c}"' for c in cells) for cells in [header, *rows]]
    options = data.draw(st.sampled_from(["", "--unit lbf", "--check", "--rater ines"]))
    with tempfile.TemporaryDirectory(dir=SCRATCH) as folder:
        path, season = Path(folder, "a.csv"), Path(folder, "a.season")
        path.write_bytes("\n".join(lines).encode(encoding, "replace"))
        for command in ("import", "import", "scores"):
            before = bytes_of(season)
            result = checked(f"gauge {command} {season} {path} {options} --json")
            if result.status != 2:
                found = json.loads(result.out)
                assert {"rows", "berries", "problems"} <= found.keys(), result
                assert bool(found["problems"]) == bool(result.status), result
            assert not result.status or bytes_of(season) == before, result
        if season.exists():
            assert checked(f"gauge audit {season} --json").status == 0
        for command in ("fit", "table", "agree", "tally", "anchors", "diagnose"):
            checked(f"calibrate {command} {path} --json")


with tempfile.TemporaryDirectory(dir=SCRATCH) as _folder:
    SOUND = build(Path(_folder) / "a.season", berries=60).read_bytes()


@contextlib.contextmanager
def a_season() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=SCRATCH) as folder:
        path = Path(folder, "a.season")
        path.write_bytes(SOUND)
        yield path


def answers(path: Path) -> list[str | None]:
    """What two commands say of a season; None where they refuse."""
    results = [checked(f"{line} {path} --json") for line in ("gauge readings", "calibrate fit")]
    return [result.out if result.status == 0 else None for result in results]


@functools.cache
def sound() -> list[str | None]:
    """What they say of the season as it was built."""
    with a_season() as path:
        return answers(path)


def change_cell(path: Path, data: st.DataObject, forged: bool) -> None:
    """Put another value into a cell, as another program would, perhaps with new digests."""
    json_like = st.sampled_from(["{}", "[]", "[1]", '["x"]', '{"a": 1}', "null", "1", "[[1]]"])
    odd = (
        words
        | json_like
        | st.integers(-(2**63), 2**63 - 1)
        | st.floats()
        | st.none()
        | st.binary(max_size=9)
    )
    refused = (sqlite3.Error, UnicodeEncodeError, OverflowError)
    with contextlib.closing(sqlite3.connect(path)) as db, contextlib.suppress(*refused):
        names = db.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")
        table = data.draw(st.sampled_from([name for (name,) in names]))
        columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
        values = (data.draw(odd), data.draw(st.integers(1, 5)))
        column = data.draw(st.sampled_from(columns))
        db.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", values)
        if forged:
            give_digests(db)
        db.commit()


@kind(50, st.data(), st.booleans(), st.booleans())
def seasons(data: st.DataObject, raw: bool, forged: bool) -> None:
    """Bytes and cells that another hand changed: as before, or refused, unless forged."""
    limit()
    with a_season() as path:
        if raw:
            found = bytearray(SOUND)
            for _ in range(data.draw(st.integers(1, 4))):
                at = data.draw(st.integers(0, len(found) - 1))
                patch = data.draw(st.binary(min_size=1, max_size=64))
                found[at : at + len(patch)] = patch
            path.write_bytes(found[: data.draw(st.integers(0, len(found)))] if forged else found)
        else:
            change_cell(path, data, forged)
        for before, after in zip(sound(), answers(path), strict=True):
            assert forged or after in (before, None), after
        for line in (
            "gauge audit {} --json", "gauge plan {}", "gauge capture {} 1 --out {}.txt",
            "calibrate status {} --json", "calibrate table {} --json",
            "gauge correct {} rater ines --name x --why y",
        ):  # fmt: skip
            checked(line.replace("{}", str(path)))


COMMANDS = """\
gauge correct SEASON sample CODE --name WORD --why w
gauge correct SEASON sample CODE --name c02 --why w
gauge correct SEASON sample CODE --set KEY --why w
gauge correct SEASON sample CODE --hide --why WORD
gauge correct SEASON rater RATER --name WORD --why w
gauge correct SEASON berry BERRY --sample CODE --why w
gauge void SEASON BERRY --why WORD
gauge void SEASON BERRY --undo --why w
calibrate adopt SEASON WORD
gauge convert WORD N lbf --json
calibrate check SEASON --rater WORD --json
calibrate anchors SEASON --json
gauge readings SEASON --json""".splitlines()
KEYS = ["selection", "crop", "fruit_temp_c", "harvest_date", "storage_day", "blind_code", "hidden",
        "berries_planned", "lot", "x"]  # fmt: skip


@kind(50, st.data())
def commands(data: st.DataObject) -> None:
    """Whatever is typed, the season stays one that an audit finds in order."""
    limit()
    with a_season() as path:
        typed = {
            "SEASON": st.just(str(path)), "CODE": st.sampled_from(["C01", "C02", "c01 ", "X"]),
            "RATER": st.sampled_from(["ines", "Marek", "odile", "x"]),
            "KEY": st.builds("{}={}".format, st.sampled_from(KEYS), words.map(argument)),
            "BERRY": st.integers(0, 62).map(str), "WORD": words.map(argument),
        }  # fmt: skip
        for line in data.draw(st.lists(st.sampled_from(COMMANDS), min_size=1, max_size=6)):
            parts = [data.draw(typed[part]) if part in typed else part for part in line.split()]
            checked(shlex.join(parts))
        assert checked(f"gauge audit {path} --json").status == 0
        for command in ("gauge readings", "gauge plan", "calibrate status"):
            result = checked(f"{command} {path} --json")
            assert result.status == 0, result


def argument(text: str) -> str:
    """What Python makes of an argument that is perhaps no UTF-8."""
    return os.fsdecode(text.replace("\0", "").encode("utf-8", "surrogatepass"))


def _too_long(*_: object) -> None:
    raise TimeoutError(f"more than {LONGEST_S} s of the processor")


def described(error: Exception) -> str:
    """Say where and how an example failed, and which it was."""
    where = "".join(traceback.format_tb(error.__traceback__)[-2:])
    notes = "\n".join(getattr(error, "__notes__", ()))
    return f"{where}{type(error).__name__}: {str(error)[:2000]}\n{notes}"


def fault(name: str, number: int) -> str | None:
    """Run one kind of noise from a seed; return what failed, with the shortest example."""
    test, examples, drawn = KINDS[name]
    signal.signal(signal.SIGVTALRM, _too_long)
    how = settings(
        max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck)
    )
    try:
        seed(number)(how(given(*drawn)(test)))()
    except Exception as error:
        return "\n".join(map(described, getattr(error, "exceptions", [error])))
    finally:
        limit(0)
    return None


def main() -> int:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    own = int(sys.argv[2]) if len(sys.argv) > 2 else None
    until = time.monotonic() + 60 * minutes
    rounds: Counter[str] = Counter()
    faults = 0
    while time.monotonic() < until:
        for name, (_, examples, _) in KINDS.items():
            number = random.SystemRandom().randrange(2**32) if own is None else own
            found = fault(name, number)
            rounds[name] += examples
            if found is not None:
                faults += 1
                print(f"--- {name}, seed {number}\n{found}", flush=True)
    print(f"{dict(rounds)} examples in {minutes:g} min; {faults} faults")
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
