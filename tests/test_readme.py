"""The README's console blocks are run as they stand, and print what the README says they print.

Blocks fenced as `bash` are for the reader's own machine (installing, testing) and are not run here.
"""

import re
from pathlib import Path

import pytest

from tests.readme import README, ROOT, blocks, matches, run


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_the_tour_runs_and_prints_what_it_shows(tmp_path: Path) -> None:
    steps = [step for block in blocks(README.read_text("utf-8")) for step in block]
    assert steps, "the README has no console block"
    stderr = run(steps, tmp_path)
    for step in steps:
        assert step.status == 0, f"$ {step.command}\n{step.printed}\n{stderr[-2000:]}"
        if step.shown:
            shown = "\n".join(step.shown)
            assert matches(step), f"$ {step.command}\nexpected:\n{shown}\ngot:\n{step.printed}"


def test_pictures_of_the_readme_exist() -> None:
    for link in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README.read_text("utf-8")):
        assert (ROOT / link).is_file(), link


def test_the_readme_gives_the_test_command_that_ci_runs() -> None:
    given = re.findall(r"^```bash\n(.*?)^```", README.read_text("utf-8"), re.M | re.S)
    assert any("\n.venv/bin/pytest\n" in f"\n{block}" for block in given)
    assert "\n.venv/bin/pytest\n" in (ROOT / ".ci" / "run").read_text("utf-8")
