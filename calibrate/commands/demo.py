"""`calibrate demo`: the whole job on the sample run, each command shown and really run."""

from __future__ import annotations

import contextlib
import csv
import importlib
import io
import shlex
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from gauge.errors import (
    AlreadyThereError,
    CannotWriteError,
    DemoFailedError,
    FirmhandError,
    UnreadableFileError,
)
from gauge.printed import echo, say

_MARK = "# Made by calibrate demo; this folder is made anew by the next run.\n"


@dataclass(frozen=True, kw_only=True, slots=True)
class Step:
    """A command as it would be typed.

    `keep` names a file for what it prints; `quiet` shows only the last line of it, and `message`
    only its last message (on stderr); `status` is the exit status that belongs to the story.
    """

    words: tuple[str, ...]
    keep: Path | None = None
    quiet: bool = False
    message: bool = False
    status: int = 0

    @property
    def typed(self) -> str:
        """The command line."""
        line = shlex.join(self.words)
        return line if self.keep is None else f"{line} > {shlex.quote(str(self.keep))}"


@click.command("demo")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--force",
    is_flag=True,
    help="Empty the folder of an earlier demo even where it holds other files.",
)
def command(folder: Path, force: bool) -> None:
    """Run the whole job on a sample run.

    From captures of an invented farm's bench to peaks, cut points, an anchor card, verdicts on
    hands, tables and the report. Every command is printed before it is run, and works when typed.
    DIR is made; a DIR that an earlier demo made is made anew, unless there are files in it that no
    demo made. Any other that is not empty is refused.

    \b
    calibrate demo my-demo
    """  # noqa: D301
    runs = sample_runs()
    _prepare(folder, force=force)
    script = folder / "commands.sh"
    with script.open("w", encoding="utf-8") as log:
        log.write(_MARK)
        for part, steps in _story(runs, folder):
            echo(f"\n=== {part}")
            log.write(f"\n# {part}\n")
            for step in steps:
                echo(f"\n$ {step.typed}")
                log.write(f"{step.typed}\n")
                log.flush()
                _run(step)
    echo(f"\nDone. What was made is in {folder}:")
    for path in sorted(p for p in folder.iterdir() if p.is_file()):
        echo(f"  {path.name}")


def sample_runs() -> Path:
    """Find the sample runs: beside the package when installed, in the repository otherwise."""
    package = Path(__file__).resolve().parents[1]
    for place in (package / "sample_runs", package.parent / "sample_runs"):
        if (place / "README.md").is_file():
            here = Path.cwd()
            return place.relative_to(here) if place.is_relative_to(here) else place
    raise UnreadableFileError(
        "the sample runs are missing from this installation.", todo="Install firmhand again."
    )


def _prepare(folder: Path, *, force: bool) -> None:
    """Make the folder, or empty one that an earlier demo made."""
    try:
        if folder.is_dir() and any(folder.iterdir()):
            script = folder / "commands.sh"
            written = script.read_text("utf-8", "replace") if script.is_file() else ""
            if not written.startswith(_MARK):
                raise AlreadyThereError(
                    f"{folder} is not empty and was not made by a demo.",
                    todo="Name another folder; nothing in it was touched.",
                )
            names = sorted(path.name for path in folder.iterdir() if path.is_file())
            made = {script.name, *(Path(word).name for word in written.replace("'", " ").split())}
            yours = [name for name in names if name.replace("_columns.", ".") not in made]
            if yours and not force:
                raise AlreadyThereError(
                    f"{folder} holds files that no demo made: {', '.join(yours)}.",
                    todo="Name another folder; --force removes them. Nothing in it was touched.",
                )
            say(f"{folder} was made by an earlier demo, and is made anew.")
            for path in folder.iterdir():
                if path.is_file():
                    path.unlink()
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CannotWriteError(
            f"cannot make {folder}: {error.strerror or error}.", todo="Name another folder."
        ) from None


def _run(step: Step) -> None:
    """Run a command as its console script would, in this process."""
    group = importlib.import_module(f"{step.words[0]}.cli").group
    out, err = io.StringIO(), io.StringIO()
    status = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            result = group.main(list(step.words[1:]), step.words[0], standalone_mode=False)
            status = result if isinstance(result, int) else 0
        except FirmhandError as error:
            status = error.exit_code
            say(f"{step.words[0]}: {error}")
        except click.ClickException as error:
            status = error.exit_code
            error.show()
    if step.keep is not None:
        step.keep.write_text(out.getvalue(), encoding="utf-8")
    else:
        source = err if step.message or (step.quiet and not out.getvalue()) else out
        lines = source.getvalue().splitlines()
        for line in lines[-1:] if step.quiet or step.message else lines:
            echo(line)
    if status != step.status:
        say(err.getvalue().rstrip())
        raise DemoFailedError(
            f"'{step.typed}' ended with status {status}.",
            todo="This is a fault of firmhand or of this installation, not yours.",
        )


def _season(runs: Path, name: str, season: Path, crop: str) -> Iterator[Step]:
    """From plan, captures and score sheet of one sample season to its season file."""
    source, form = runs / name, str(runs / "gauge.toml")
    yield _step("gauge plan", season, "--import", source / "plan.csv", "--order", "file",
                "--no-blind", "--crop", crop, quiet=True)  # fmt: skip
    yield _step("gauge protocol", season, "--set", "head_mm=8", "--set", "head_shape=flat", "--set",
                "speed=hand", quiet=True)  # fmt: skip
    for capture in sorted((source / "captures").glob("*.txt")):
        yield _step("gauge replay", capture, "--format", form, "--season", season, "--sample",
                    capture.stem, message=True)  # fmt: skip
    yield _step("gauge scores", season, source / "scores.csv")


def _step(words: str, *more: object, **how: Any) -> Step:
    return Step(words=(*words.split(), *map(str, more)), **how)


def _weights(runs: Path, season: Path) -> Iterator[Step]:
    """Weekly check weights; the gauge fails once, as the sample run has it."""
    for capture in sorted((runs / "2026-blackberry" / "weights").glob("*.txt")):
        yield _step("gauge verify", "--capture", capture, "--at", capture.stem, "--format",
                    runs / "gauge.toml", "--season", season, "--mass", "200g", "--mass", "500g",
                    "--mass", "200g", "--latitude", "35.5", "--elevation", "250",
                    quiet=True, status=40 if capture.stem == "2026-07-06" else 0)  # fmt: skip


def _pads(runs: Path, season: Path, year: str) -> Iterator[Step]:
    """Presses of the durable pads that link the seasons."""
    with (runs / "pads.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["at"].startswith(year):
                yield _step("calibrate pads", season, row["pad"], "--force", row["force_N"],
                            "--as-of", row["at"], quiet=True)  # fmt: skip


def _story(runs: Path, out: Path) -> Iterator[tuple[str, Iterable[Step]]]:
    """The parts of the job, in the order in which a lab meets them."""
    now, before, raspberry = (
        out / f"{name}.season" for name in ("2026-blackberry", "2025-blackberry", "2026-raspberry")
    )
    sheets = runs / "2026-blackberry" / "clamshells.csv"
    yield "Is the gauge right? Check weights over the season", [
        *_weights(runs, now), _step("gauge verify --season", now, "--chart", out / "weights.png"),
    ]  # fmt: skip
    yield "Peaks from what the gauge sent, and the finger scores", [
        *_season(runs, "2026-blackberry", now, "blackberry"),
        _step("gauge readings", now, "--csv", out / "berries.csv", quiet=True),
    ]  # fmt: skip
    yield (
        "At which force does one score turn into the next?",
        [
            _step("calibrate fit", now, "--plot", out / "cuts.png"),
            _step("calibrate fit", now, "--json", keep=out / "cuts.json"),
            _step("calibrate adopt", now, "2026", "--yes", message=True),
            _step("calibrate diagnose", now),
        ],
    )
    yield "Ship or not, and the season's anchors", [
        _step("calibrate limit", now, "--calibration", "2026", "--plot", out / "limit.png"),
        *_pads(runs, now, "2026"),
        _step("calibrate anchors", now, "--calibration", "2026", "--as-of", "2026-06-12",
              "--valid-days", "4", "--keep", "--card", out / "anchors.pdf"),
    ]  # fmt: skip
    yield (
        "How far has each hand drifted?",
        [_step("calibrate check", now, "--rater", rater) for rater in ("ines", "marek", "odile")],
    )
    yield (
        "Last season",
        [
            *_season(runs, "2025-blackberry", before, "blackberry"),
            *_pads(runs, before, "2025"),
            _step("calibrate compare", before, now, "--plot", out / "seasons.png"),
        ],
    )
    yield (
        "Raspberries, firm or soft",
        [
            *_season(runs, "2026-raspberry", raspberry, "raspberry"),
            _step("calibrate fit", raspberry, "--plot", out / "raspberry.png"),
        ],
    )
    yield "Tables for breeders and growers", [
        _step("calibrate tally", sheets, keep=out / "clamshells.txt"),
        _step("calibrate table", sheets, "--endpoint", "leaky", "--at", "20",
              keep=out / "shelf-life.txt"),
        _step("calibrate table", before, now, "--by", "selection", "--by", "season",
              keep=out / "years.txt"),
        _step("calibrate table", now, "--calibration", "2026",
              "--plot", out / "table.png", "--pdf", out / "table.pdf"),
        _step("calibrate methods", now, keep=out / "methods.txt"),
    ]  # fmt: skip
    yield "The season on one page", [
        _step("calibrate report", now, "--earlier", before, "--out", out / "report.html",
              message=True),
    ]  # fmt: skip
