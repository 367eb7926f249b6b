"""What the README and the tour of the sample runs show is true.

The tour's console blocks are run as they stand, and print what the tour says they print.

Blocks fenced as `bash` are for the reader's own machine (installing, testing) and are not run here.
"""

import re
import shlex
from pathlib import Path

import click
import pytest

from calibrate.cli import group as calibrate_group
from gauge.cli import group as gauge_group
from tests.readme import PICTURES, README, ROOT, TOUR, Step, blocks, matches, run

GROUPS = {"gauge": gauge_group, "calibrate": calibrate_group}


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_the_tour_runs_and_prints_what_it_shows(tmp_path: Path) -> None:
    steps = [step for block in blocks(TOUR.read_text("utf-8")) for step in block]
    assert steps, "the tour has no console block"
    stderr = run(steps, tmp_path)
    for step in steps:
        assert step.status == 0, f"$ {step.command}\n{step.printed}\n{stderr[-2000:]}"
        if step.shown:
            shown = "\n".join(step.shown)
            assert matches(step), f"$ {step.command}\nexpected:\n{shown}\ngot:\n{step.printed}"


def test_the_tour_leaves_alone_what_the_machine_remembers(tmp_path: Path) -> None:
    step = Step('echo "$FIRMHAND_HOME"')
    run([step], tmp_path)
    assert Path(step.printed.strip()).is_relative_to(tmp_path)


def test_the_picture_of_the_readme_shows_the_cuts_of_its_notebook() -> None:
    [cuts] = re.findall(r"^array\(\[(.+)\]\)", README.read_text("utf-8"), re.M)
    shown = (PICTURES / "cuts.svg").read_text("utf-8")
    assert [cut for cut in cuts.split(",") if f"<!-- {float(cut):.2f} -->" not in shown] == []


@pytest.mark.parametrize("page", [README, TOUR], ids=["README", "tour"])
def test_pictures_and_links_lead_somewhere(page: Path) -> None:
    for link in re.findall(r"\[[^\]]+\]\(([^)]+)\)", page.read_text("utf-8")):
        assert (page.parent / link).is_file(), link


def commands_of_the_readme() -> list[str]:
    """Return the commands of the day in the README's bash blocks, less their comments."""
    given = re.findall(r"^```bash\n(.*?)^```", README.read_text("utf-8"), re.M | re.S)
    lines = [line for block in given for line in block.splitlines()]
    return [line for line in lines if line.split(" ")[0] in GROUPS]


@pytest.mark.parametrize("line", commands_of_the_readme())
def test_commands_of_the_readme_can_be_typed(line: str) -> None:
    script, name, *words = shlex.split(line, comments=True)
    command = GROUPS[script].get_command(click.Context(GROUPS[script]), name)
    assert command is not None, name
    context = click.Context(command)
    options, arguments, _ = command.make_parser(context).parse_args(words)
    needed = {p.name for p in command.params if p.required}
    assert needed <= {name for name, value in options.items() if value is not None}, arguments


def test_the_readme_gives_the_test_command_that_ci_runs() -> None:
    given = re.findall(r"^```bash\n(.*?)^```", README.read_text("utf-8"), re.M | re.S)
    [command] = [block for block in given if block.startswith(".venv/bin/pytest")]
    assert f"\n{command}" in (ROOT / ".ci" / "run").read_text("utf-8")


def test_files_that_the_developers_page_names_exist() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    named = re.findall(r"`((?:gauge|calibrate|tests)/[\w/]+(?:\.\w+|/)?)`", page)
    assert len(named) > 20
    assert [name for name in named if not (ROOT / name).exists()] == []
