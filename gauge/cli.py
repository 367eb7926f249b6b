"""The `gauge` command: the list of what the tech can do. Each command lives in gauge/commands."""

from __future__ import annotations

from typing import NoReturn

import click

from gauge.clikit import CONTEXT, LazyGroup, run
from gauge.package import __version__

COMMANDS = {
    "start": ("gauge.commands.start", "Set up a first day, in one conversation."),
    "ports": ("gauge.commands.ports", "List the serial ports."),
    "learn": ("gauge.commands.learn", "Listen to a gauge and write its line format."),
    "verify": ("gauge.commands.verify", "Check the gauge against check weights."),
    "plan": ("gauge.commands.plan", "Import and show the plan of samples."),
    "sheet": ("gauge.commands.sheet", "Print the plan as sheets to write on."),
    "protocol": ("gauge.commands.protocol", "Show or set how berries are pressed."),
    "log": ("gauge.commands.log", "Log one peak per berry."),
    "readings": ("gauge.commands.readings", "Show or export every berry."),
    "import": ("gauge.commands.importsheet", "Import berries and their scores from a sheet."),
    "scores": ("gauge.commands.scores", "Import finger scores from a sheet, or type them."),
    "void": ("gauge.commands.void", "Void berries, or take their voids back, with a reason."),
    "correct": ("gauge.commands.correct", "Correct a sample, a rater or a berry."),
    "capture": ("gauge.commands.capture", "Write a session's capture as text."),
    "audit": ("gauge.commands.audit", "Compare a season with its digests and bytes."),
    "backup": ("gauge.commands.backup", "Write a checked copy of a season."),
    "replay": ("gauge.commands.replay", "Find the peaks in a capture again."),
    "convert": ("gauge.commands.convert", "Convert a force between units."),
    "simulate": ("gauge.commands.simulate", "Run a virtual gauge."),
}


@click.group(cls=LazyGroup, lazy=COMMANDS, context_settings=CONTEXT)
@click.version_option(__version__, prog_name="firmhand")
def group() -> None:
    """Log one trustworthy peak force per berry, from any gauge on a serial port."""


def main() -> NoReturn:
    """Run the `gauge` command."""
    run(group, "gauge")
