"""What the two command lines share: a lazy group, JSON out, errors to stderr and exit codes.

A command's module is imported only when that command runs, so that `--help` costs no more than
click itself. Nothing here knows any single command.
"""

from __future__ import annotations

import importlib
import json
import os
import sys
from collections.abc import Mapping
from typing import Any, NoReturn

import click

from gauge.errors import FirmhandError


class LazyGroup(click.Group):
    """A click group whose commands are imported when they are first needed.

    Parameters
    ----------
    lazy : mapping of str to (str, str)
        Command name to (module that holds `command`, one-line help for the list).
    """

    def __init__(self, *args: Any, lazy: Mapping[str, tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lazy = dict(lazy)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the table, which is the order of a working day."""
        return list(self.lazy)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return the command, or None for an unknown name."""
        if cmd_name not in self.lazy:
            return None
        module = importlib.import_module(self.lazy[cmd_name][0])
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the table alone, importing none of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry[1]) for name, entry in self.lazy.items()])


def emit_json(document: object) -> None:
    """Write one JSON document as one line on stdout and flush it.

    Raises
    ------
    ValueError
        If the document holds a NaN or an infinity: JSON has neither.

    Examples
    --------
    >>> emit_json({"peak_N": 1.24})
    {"peak_N": 1.24}
    """
    click.echo(json.dumps(document, allow_nan=False, ensure_ascii=False))
    sys.stdout.flush()


def say(message: str) -> None:
    """Write a message for a person on stderr.

    Examples
    --------
    >>> from contextlib import redirect_stderr
    >>> with redirect_stderr(sys.stdout):
    ...     say("nothing heard yet")
    nothing heard yet
    """
    click.echo(message, err=True)


def run(group: click.Group, prog_name: str) -> NoReturn:
    """Run a command line; turn our own errors into one line on stderr and an exit code."""
    try:
        group.main(prog_name=prog_name, standalone_mode=True)
    except FirmhandError as error:
        click.echo(f"{prog_name}: {error}", err=True)
        sys.exit(error.exit_code)
    except BrokenPipeError:
        # The reader of our output went away (`| head`); keep Python's exit from complaining.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    sys.exit(0)
