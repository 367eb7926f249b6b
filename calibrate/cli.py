"""The `calibrate` command: what manager and rater can do. Commands live in calibrate/commands."""

from __future__ import annotations

import os
from typing import NoReturn

import click

from gauge.clikit import CONTEXT, LazyGroup, run
from gauge.package import __version__

_HELP = {
    "demo": "Run the whole job on a sample run.",
    "status": "Say what is done, and what is next.",
    "fit": "Fit the cut points of finger scores in newtons.",
    "diagnose": "Test whether one scale serves these scores.",
    "limit": "Ship or not: the sale limit in newtons.",
    "lot": "Accept a lot or not, by a sample of it.",
    "samplesize": "Berries and raters needed for a required precision.",
    "adopt": "Adopt a calibration as the season's own.",
    "anchors": "Build the season's anchor set and its card.",
    "squeeze": "Record a squeeze of an anchor; retire a worn one.",
    "pads": "Record presses of a durable pad, or list the pads.",
    "tray": "Plan which lots to pull an anchor tray from.",
    "practice": "Warm up a rater on anchors.",
    "check": "Check one rater's fingers against force.",
    "agree": "Agreement of raters without force.",
    "compare": "Compare the cut points of two seasons.",
    "prior": "Start a season from last season's calibration.",
    "report": "Put the whole season on one page.",
    "methods": "Write the methods paragraph.",
    "tally": "Clamshell sheets to percentages.",
    "table": "Tables and letters per selection.",
    "meanforce": "Finger counts to an equivalent mean force.",
    "gauges": "Two gauges, or several labs, on the same berries.",
}
COMMANDS = {name: (f"calibrate.commands.{name}", line) for name, line in _HELP.items()}


# Names of the version before this one.
RENAMED = {
    "store": "adopt", "plan": "samplesize", "press": "squeeze", "carry": "prior",
    "counts": "meanforce",
}  # fmt: skip


@click.group(cls=LazyGroup, lazy=COMMANDS, renamed=RENAMED, context_settings=CONTEXT)
@click.version_option(__version__, prog_name="firmhand")
def group() -> None:
    """Turn peaks and finger scores into cut points, anchors and verdicts on hands and fruit."""


def main() -> NoReturn:
    """Run the `calibrate` command."""
    # The matrices are small: threads for them cost more time in waiting than they save.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    run(group, "calibrate")
