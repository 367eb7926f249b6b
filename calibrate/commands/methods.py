"""`calibrate methods`: the methods paragraph of a paper, from what was recorded."""

from __future__ import annotations

import textwrap
from pathlib import Path

import gauge
from calibrate.commands import answers
from gauge.clikit import season_argument
from gauge.printed import echo


@answers.command("methods")
@season_argument
def command(season: Path) -> None:
    """Write the methods paragraph.

    Fruit, gauge, checks, how berries were pressed, raters and scale, calibration and software, in
    sentences for a paper or another lab: from what the season holds, and "not recorded" where it
    does not. Complete the season rather than the text: 'gauge protocol', 'gauge correct'.

    \b
    calibrate methods 2026.season
    """  # noqa: D301
    from calibrate.report.methods import methods

    with gauge.open_season(season, read_only=True) as file:
        found = methods(file)
    if not answers.emitted({"text": found.text, "not_recorded": found.not_recorded}):
        echo(textwrap.fill(found.text, 79))
