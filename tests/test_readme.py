"""The README's console blocks are run as they stand, and print what the README says they print.

Blocks fenced as `console` are run in order in one shell, in one empty folder; `$ ` begins a command
and what follows, up to the next one, is its output (`...` stands for anything). Blocks fenced as
`bash` are for the reader's own machine (installing, testing) and are not run here.
"""

import doctest
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
MARK = "=-=-= end of command"


def _blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README.read_text("utf-8"), re.M | re.S)


def _steps() -> list[tuple[str, str]]:
    """(command, expected output) of every console block, in order."""
    steps: list[tuple[str, list[str]]] = []
    for block in _blocks("console"):
        for line in block.splitlines():
            if line.startswith("$ "):
                steps.append((line[2:], []))
            elif line.startswith("> ") and not steps[-1][1]:
                steps[-1] = (steps[-1][0] + "\n" + line[2:], [])
            else:
                steps[-1][1].append(line)
    return [(command, "\n".join(output)) for command, output in steps]


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_the_tour_runs_and_prints_what_it_shows(tmp_path: Path) -> None:
    steps = _steps()
    assert steps, "the README has no console block"
    script = "".join(f'{command}\necho "{MARK} $?"\n' for command, _ in steps)
    environment = os.environ | {
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "RUNS": str(ROOT / "sample_runs"),
        "COLUMNS": "80",
        "NO_COLOR": "1",
    }
    done = subprocess.run(
        ["bash"],
        input=script,
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env=environment,
        timeout=260,
        check=False,
    )
    outputs = re.split(rf"^{MARK} (\d+)\n", done.stdout, flags=re.M)
    checker = doctest.OutputChecker()
    flags = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
    for (command, expected), got, status in zip(steps, outputs[::2], outputs[1::2], strict=False):
        assert status == "0", f"$ {command}\n{got}\n{done.stderr[-2000:]}"
        if expected.strip():
            assert checker.check_output(expected + "\n", got + "\n", flags), (
                f"$ {command}\nexpected:\n{expected}\ngot:\n{got}"
            )
    assert len(outputs) == 2 * len(steps) + 1, done.stderr[-2000:]


def test_pictures_of_the_readme_exist() -> None:
    for link in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README.read_text("utf-8")):
        assert (ROOT / link).is_file(), link


def test_the_readme_gives_the_test_command_that_ci_runs() -> None:
    given = "".join(_blocks("bash"))
    assert ".venv/bin/pytest" in given
    assert "\n.venv/bin/pytest\n" in (ROOT / ".ci" / "run").read_text("utf-8")
