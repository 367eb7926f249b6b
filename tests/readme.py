"""The tour's console blocks as steps, run in one shell in one empty folder.

`$ ` begins a command, `> ` continues it, and what follows is its output. `python -m tests.readme`
runs them and writes the real outputs back into sample_runs/README.md, and the pictures that it or
README.md shows into sample_runs/pictures.
"""

from __future__ import annotations

import argparse
import contextlib
import doctest
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
TOUR = ROOT / "sample_runs" / "README.md"
PICTURES = ROOT / "sample_runs" / "pictures"
MARK = "=-=-= end of command"
BLOCK = re.compile(r"^```console\n(.*?)^```", re.M | re.S)


@dataclass
class Step:
    """A command and the output that the tour shows below it."""

    command: str
    shown: list[str] = field(default_factory=list)
    printed: str = ""
    status: int | None = None


def blocks(text: str) -> list[list[Step]]:
    """Steps of every console block."""
    found = []
    for body in BLOCK.findall(text):
        steps: list[Step] = []
        for line in body.splitlines():
            if line.startswith("$ "):
                steps.append(Step(line[2:]))
            elif line.startswith("> ") and not steps[-1].shown:
                steps[-1].command += "\n" + line[2:]
            else:
                steps[-1].shown.append(line)
        found.append(steps)
    return found


def run(steps: list[Step], folder: Path, timeout_s: float = 260) -> str:
    """Run all steps in one shell; fill in what they printed, and return the shell's stderr."""
    # A virtual gauge that found no client must not outlive the shell.
    script = "trap 'kill $(jobs -p) 2> /dev/null' EXIT\n"
    script += "".join(f'{step.command}\necho "{MARK} $?"\n' for step in steps)
    environment = os.environ | {
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "RUNS": str(ROOT / "sample_runs"),
        "COLUMNS": "80",
        "NO_COLOR": "1",
        # The last session that this machine remembers is its user's own.
        "FIRMHAND_HOME": str(folder / ".firmhand"),
    }
    with subprocess.Popen(
        ["bash"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        cwd=folder, env=environment, start_new_session=True,
    ) as shell:  # fmt: skip
        try:
            stdout, stderr = shell.communicate(script, timeout_s)
        finally:
            # A shell that is killed runs no trap: end all that it began.
            with contextlib.suppress(ProcessLookupError):
                os.killpg(shell.pid, signal.SIGKILL)
    parts = re.split(rf"^{MARK} (\d+)\n", stdout, flags=re.M)
    for step, printed, status in zip(steps, parts[::2], parts[1::2], strict=False):
        step.printed, step.status = printed, int(status)
    return stderr


def matches(step: Step) -> bool:
    """Return whether a step printed what is shown, `...` standing for anything."""
    flags = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
    shown = "\n".join(step.shown) + "\n"
    return doctest.OutputChecker().check_output(shown, step.printed + "\n", flags)


def _written(step: Step) -> str:
    """Return a step as it stands in the tour, with what it printed where output is shown at all."""
    command = "$ " + step.command.replace("\n", "\n> ")
    if not step.shown:
        return command
    if matches(step):
        # Figures that differ from run to run are written as an ellipsis, by hand.
        return "\n".join([command, *step.shown])
    lines = [line.rstrip() for line in step.printed.splitlines()]
    while lines and not lines[0]:
        lines.pop(0)
    while lines and not lines[-1]:
        lines.pop()
    return "\n".join([command, *lines])


def main() -> None:
    """Write the real outputs into the tour."""
    argparse.ArgumentParser(prog="python -m tests.readme", description=__doc__).parse_args()
    text = TOUR.read_text("utf-8")
    found = blocks(text)
    with tempfile.TemporaryDirectory() as folder:
        stderr = run([step for steps in found for step in steps], Path(folder))
        PICTURES.mkdir(exist_ok=True)
        shown = text + README.read_text("utf-8")
        for picture in Path(folder).glob("*.svg"):
            if f"pictures/{picture.name}" in shown:
                shutil.copy(picture, PICTURES / picture.name)
    for steps in found:
        for step in steps:
            if step.status != 0:
                print(f"$ {step.command}\n{step.printed}\n{stderr[-3000:]}", file=sys.stderr)
                sys.exit(1)
    bodies = iter("\n".join(map(_written, steps)) + "\n" for steps in found)
    TOUR.write_text(BLOCK.sub(lambda _: f"```console\n{next(bodies)}```", text), "utf-8")


if __name__ == "__main__":
    main()
