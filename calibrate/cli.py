"""The `calibrate` command: what manager and rater can do. Commands live in calibrate/commands."""

from __future__ import annotations

import os
from typing import NoReturn

import click

from gauge.clikit import CONTEXT, LazyGroup, run
from gauge.package import __version__

COMMANDS = {
    "demo": ("calibrate.commands.demo", "Run the whole job on a sample run."),
    "status": ("calibrate.commands.status", "Say what is done, and what is next."),
    "fit": ("calibrate.commands.fit", "Fit the cut points of finger scores in newtons."),
    "diagnose": ("calibrate.commands.diagnose", "Test whether one scale serves these scores."),
    "limit": ("calibrate.commands.limit", "Ship or not: the sale limit in newtons."),
    "lot": ("calibrate.commands.lot", "Accept a lot or not, by a sample of it."),
    "samplesize": (
        "calibrate.commands.samplesize",
        "Berries and raters needed for a required precision.",
    ),
    "adopt": ("calibrate.commands.adopt", "Adopt a calibration as the season's own."),
    "anchors": ("calibrate.commands.anchors", "Build the season's anchor set and its card."),
    "squeeze": (
        "calibrate.commands.squeeze",
        "Record a squeeze of an anchor; retire a worn one.",
    ),
    "pads": ("calibrate.commands.pads", "Record presses of a durable pad, or list the pads."),
    "tray": ("calibrate.commands.tray", "Plan which lots to pull an anchor tray from."),
    "practice": ("calibrate.commands.practice", "Warm up a rater on anchors."),
    "check": ("calibrate.commands.check", "Check one rater's fingers against force."),
    "agree": ("calibrate.commands.agree", "Agreement of raters without force."),
    "compare": ("calibrate.commands.compare", "Compare the cut points of two seasons."),
    "prior": ("calibrate.commands.prior", "Start a season from last season's calibration."),
    "report": ("calibrate.commands.report", "Put the whole season on one page."),
    "methods": ("calibrate.commands.methods", "Write the methods paragraph."),
    "tally": ("calibrate.commands.tally", "Clamshell sheets to percentages."),
    "table": ("calibrate.commands.table", "Tables and letters per selection."),
    "meanforce": (
        "calibrate.commands.meanforce",
        "Finger counts to an equivalent mean force.",
    ),
    "gauges": ("calibrate.commands.gauges", "Two gauges, or several labs, on the same berries."),
}


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
