"""The measured berries of a season file that may become anchors."""

from __future__ import annotations

from collections.abc import Collection

from calibrate.anchors.choice import Candidate
from gauge.season.file import SeasonFile


def measured_candidates(season: SeasonFile, without: Collection[str]) -> list[Candidate]:
    """Berries with a peak that are neither void nor flagged, labelled sample-number.

    Parameters
    ----------
    season : SeasonFile
    without : collection of str
        Labels to leave out: retired anchors, or those in use.
    """
    found = [
        Candidate(
            label=f"{berry.sample}-{berry.number}",
            force_newton=berry.peak_newton,
            berry_id=berry.berry_id,
        )
        for berry in season.berries()
        if berry.peak_newton is not None and berry.void is None and not berry.flags
    ]
    return [candidate for candidate in found if candidate.label not in without]
