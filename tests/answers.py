"""Every command on the sample runs and on small tables: the calls, and how they are run.

Only the two command lines are imported, so what is recorded outlives any move of modules. A call
is the line that a user would type in a folder that holds `runs`, the sample runs. Left to tests of
their own: a line that is alive (`gauge log`, `learn`, `simulate`, `verify --port`), `gauge ports`,
which depends on the machine, and `calibrate demo`, which only calls others.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import shlex
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

from calibrate.cli import main as calibrate
from gauge.cli import main as gauge
from tests.answer_calls import ANSWERS, MISTAKES, SCREENS
from tests.answer_tables import write_tables
from tests.recorded import shortened

SAMPLE_RUNS = Path(__file__).resolve().parents[1] / "sample_runs"
SEASONS = {"b26": "2026-blackberry", "b25": "2025-blackberry", "p26": "2026-raspberry"}
WEIGHTS = "--mass 200g --mass 500g --mass 200g --latitude 35.5 --elevation 250"

FAILED = "the call failed"
_TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:\d\d)?")
_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


@dataclass(frozen=True, kw_only=True)
class Result:
    """What a command left: its exit status (or how it crashed), and what it wrote."""

    status: object
    out: str
    err: str


def call(line: str, typed: str = "") -> Result:
    """Run a command line in this process, as its console script would, with no terminal."""
    words = shlex.split(line)
    pipes = [io.TextIOWrapper(io.BytesIO(), "utf-8", newline="") for _ in range(3)]
    stdin, stdout, stderr = pipes
    stderr.reconfigure(errors="backslashreplace")  # as Python's own
    stdin.write(typed)
    stdin.seek(0)
    status: object = 0
    with (
        mock.patch.multiple(sys, argv=words, stdin=stdin, stdout=stdout, stderr=stderr),
        mock.patch.dict(os.environ, {"COLUMNS": "80", "NO_COLOR": "1"}),
    ):
        try:
            {"gauge": gauge, "calibrate": calibrate}[words[0]]()
        except SystemExit as left:
            status = left.code or 0
        except Exception as error:  # a fault of firmhand, to be named beside the call
            status = f"{type(error).__name__}: {error}"
    for pipe in (stdout, stderr):
        pipe.seek(0)
    return Result(status=status, out=stdout.read(), err=stderr.read())


def collect(folder: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """Build the seasons in an empty folder and make every call: the answers, and the screens."""
    with contextlib.chdir(folder):
        shutil.copytree(SAMPLE_RUNS, "runs", ignore=shutil.ignore_patterns("pictures"))
        shutil.copy("runs/2026-blackberry/captures/B26-01.txt", "b1.txt")
        write_tables()
        answers = dict(_build())
        Path("cuts.json").write_text(call("calibrate fit b26.season --json").out, "utf-8")
        for name in _lines(ANSWERS):
            answers[name] = _answer(name)
        screens: dict[str, Any] = {}
        for name in _lines(SCREENS):
            result = _run(name)
            screens[name] = _failed(result) if result.status else _screen(result.out)
        for name in _lines(MISTAKES):
            result = _run(name)
            answers[f"{name} (status)"] = result.status
            screens[name] = _screen(result.out + result.err)
    return answers, screens


def _lines(text: str) -> list[str]:
    return text.strip().splitlines()


def _run(name: str, more: str = "") -> Result:
    line, _, typed = name.partition(" < ")
    return call(line.partition(" > ")[0] + more, "".join(f"{word}\n" for word in typed.split()))


def _answer(name: str) -> Any:
    """The JSON that a call prints; of several lines a list; of a CSV that it writes the rows."""
    result = _run(name, " --json")
    if result.status:
        return _failed(result)
    _, _, file = name.partition(" > ")
    if file:
        lines = Path(file).read_text("utf-8").splitlines()
        rows = csv.DictReader(lines, delimiter=max("\t;,", key=lines[0].count))
        return shortened(_masked(list(rows)))
    documents = [json.loads(line) for line in result.out.splitlines()]
    several = name.startswith("gauge replay") or len(documents) != 1
    return shortened(_masked(documents if several else documents[0]))


def _failed(result: Result) -> str:
    return f"{FAILED} with {result.status}: {result.err.strip()}"


def _build() -> Iterator[tuple[str, Any]]:
    """Make the seasons of the sample runs, and yield the answers on the way."""
    for capture in sorted(Path("runs/2026-blackberry/weights").glob("*.txt")):
        at = f"--capture {capture.as_posix()} --at {capture.stem}"
        line = f"gauge verify {at} --format runs/gauge.toml --season b26.season {WEIGHTS}"
        result = call(f"{line} --json")
        yield line, _masked([result.status, json.loads(result.out)])
    for season, run in SEASONS.items():
        crop = run.partition("-")[2]
        line = f"gauge plan {season}.season --import runs/{run}/plan.csv --order file --no-blind"
        line += f" --seed 1 --crop {crop}"
        yield line, _answer(line)
        for capture in sorted(Path("runs", run, "captures").glob("*.txt")):
            line = f"gauge replay {capture.as_posix()} --format runs/gauge.toml"
            line += f" --season {season}.season --sample {capture.stem}"
            yield line, _answer(line)
        if season == "p26":
            shutil.copy("p26.season", "extra.season")
        line = f"gauge scores {season}.season runs/{run}/scores.csv"
        yield line, _answer(line)
    for line in _lines(Path("runs/pads.csv").read_text("utf-8"))[1:]:
        pad, at, force = line.split(",")
        name = f"calibrate pads b{at[2:4]}.season {pad} --force {force} --as-of {at}"
        yield name, _answer(name)


def _masked(value: Any) -> Any:
    """The value without what differs from run to run: times of day, ids of sessions, versions."""
    if isinstance(value, dict):
        return {k: "<version>" if k == "version" else _masked(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_masked(one) for one in value]
    if isinstance(value, str):
        return _UUID.sub("<id>", _TIME.sub("<time>", value))
    return value


def _screen(text: str) -> list[str]:
    return [_masked(line.rstrip()) for line in text.splitlines()]
