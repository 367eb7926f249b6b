"""Every command has help that says what it does, and stands in the README or its tour."""

import importlib
from pathlib import Path

import click
import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner

from calibrate import cli as calibrate_cli
from gauge import cli as gauge_cli

ROOT = Path(__file__).resolve().parents[2]
PAGES = "".join((ROOT / page).read_text("utf-8") for page in ("README.md", "sample_runs/README.md"))
COMMANDS = [
    (script, name, module, line)
    for script, table in (("gauge", gauge_cli.COMMANDS), ("calibrate", calibrate_cli.COMMANDS))
    for name, (module, line) in table.items()
]


@pytest.mark.parametrize(("script", "name", "module", "line"), COMMANDS)
def test_command_is_documented(script: str, name: str, module: str, line: str) -> None:
    command: click.Command = importlib.import_module(module).command
    assert command.name == name
    assert command.help is not None
    assert " ".join(command.help.split()).startswith(line), f"{script} {name}: help is not '{line}'"
    assert f"{script} {name}" in PAGES
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{script} {name} {parameter.opts[0]} has no help"


@pytest.mark.parametrize(("script", "name", "module", "line"), COMMANDS)
def test_help_can_be_asked(script: str, name: str, module: str, line: str) -> None:
    group = gauge_cli.group if script == "gauge" else calibrate_cli.group
    result = CliRunner().invoke(group, [name, "--help"])
    assert result.exit_code == 0
    assert line in " ".join(result.output.split())


@pytest.mark.parametrize(
    ("group", "slip", "meant"),
    [(gauge_cli.group, "lgo", "log"), (calibrate_cli.group, "fti", "fit")],
)
def test_an_unknown_command_is_refused(group: click.Group, slip: str, meant: str) -> None:
    result = CliRunner().invoke(group, ["nonsense"])
    assert result.exit_code == 2
    assert "No such command" in result.output
    assert "nearest" not in result.output
    result = CliRunner().invoke(group, [slip])
    assert f"No such command '{slip}'. The nearest is '{meant}'." in result.output


@pytest.mark.parametrize(("script", "start"), [("gauge", "rea"), ("calibrate", "anch")])
def test_the_shell_completes_commands(script: str, start: str) -> None:
    group = gauge_cli.group if script == "gauge" else calibrate_cli.group
    completer = ShellComplete(group, {}, script, f"_{script.upper()}_COMPLETE")
    found = [item.value for item in completer.get_completions([], start)]
    assert found == [{"gauge": "readings", "calibrate": "anchors"}[script]]
    options = [item.value for item in completer.get_completions([found[0]], "--")]
    assert "--json" in options
