"""`calibrate samplesize`: berries and raters for a precision, and which forces to pick next."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit, with_unit
from calibrate.data.scale import BLACKBERRY, Scale
from gauge.clikit import argument, option
from gauge.plaintext import plural
from gauge.printed import echo

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from calibrate.cuts.calibration import Calibration


def _numbers(text: str) -> tuple[float, ...]:
    """Read a list of forces."""
    try:
        numbers = tuple(float(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if not numbers or not all(0 < number < math.inf for number in numbers):
        raise click.BadParameter(f"'{text}' is not a list of forces such as 4.5,3.2,2.1.")
    return numbers


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(options.CalibrationOptions):
    source: Path | None = argument(required=False)
    half_width: float = option(
        "Required half-width of every cut's interval, N.", above=0, default=0.25
    )
    raters: int | None = option("Raters who will score.", low=1)
    hand_sd: float | None = option(
        "How far hands differ, share of force. Default: all that the calibration says of it.", low=0
    )
    berry_sd: float = option(
        "How far berries of one force differ to the fingers, share of force.", low=0, default=0.08
    )
    cuts: tuple[float, ...] | None = option(
        "Without a source: guessed cut points in N, firmest first, 4.5,3.2,2.1.", read=_numbers
    )
    spread: float | None = option("Guessed spread, N.", above=0)
    forces: tuple[float, ...] | None = option(
        "Without a source: lowest and highest force to pick, N: 0.5,5.5.", read=_numbers
    )
    lots: tuple[float, ...] | None = option(
        "Forces (N) that can be picked next, for example lot means: 1.2,3.4.", read=_numbers
    )
    assurance: float = option(
        "Share of panels that shall reach the half-width at every cut.",
        type=options.SHARE,
        default=0.8,
    )
    fits: int = option("Simulated panels that confirm the answer.", low=20, default=400)


@answers.command("samplesize", _Asked)
def command(asked: _Asked) -> None:
    """Berries and raters needed for a required precision.

    How many berries must be scored until every cut point is known to 0.25 N in four panels of five,
    and which forces are worth picking next? From the season so far, or from a stated guess; the
    answer is confirmed by fits of simulated panels, which takes up to a minute on two free cores.

    \b
    calibrate samplesize 2026.season --half-width 0.4 --raters 6
    calibrate samplesize --cuts 4.5,3.2,2.1,1.2 --spread 0.35 --forces 0.5,5.5 --raters 6
    """  # noqa: D301
    import numpy as np

    from calibrate.cuts.samplesize import PlannedPanel, next_forces, sample_size

    if asked.source is None:
        calibration, picked = _guess(asked.cuts, asked.spread, asked.forces)
        raters, so_far = asked.raters or 1, None
    else:
        pairs = asked.pairs(asked.source)
        calibration = asked.calibration(asked.source, asked.calibration_name, pairs)
        picked = pairs.force_newton
        raters = asked.raters or max(len(pairs.raters), 1)
        so_far = len(np.unique(pairs.berry)) if pairs.berries else pairs.n // raters
    known = calibration.hand_sds or (calibration.hand_sd or 0.0,)
    panel = PlannedPanel(
        raters=raters, hand_sds=known if asked.hand_sd is None else (asked.hand_sd,),
        berry_sd=asked.berry_sd if raters > 1 else 0.0,
    )  # fmt: skip
    with click.progressbar(length=4 * asked.fits, label="simulated panels", file=sys.stderr) as bar:

        def progress(done: int, expected: int) -> None:
            bar.length = expected
            bar.update(done - bar.pos)

        found = sample_size(
            calibration, picked, panel, asked.half_width,
            assurance=asked.assurance, level=asked.level, fits=asked.fits, progress=progress,
        )  # fmt: skip
    choices = asked.lots or tuple(np.linspace(picked.min(), picked.max(), 41).round(2))
    document = {
        "half_width_N": asked.half_width,
        "raters": raters,
        "assurance": asked.assurance,
        "hand_sd": float(np.median(panel.hand_sds)),
        "berry_sd": panel.berry_sd,
        "berries": found.berries,
        "reached": found.reached,
        "reached_with_fewer": found.reached_with_fewer,
        "berries_so_far": so_far,
        "cuts": _cuts(calibration, found.berries_at, measured=so_far is not None),
        "pick_next_N": [
            answers.document(force) for force in next_forces(calibration, picked, choices)
        ],
    }
    if not answers.emitted(document):
        _show(document)


def _cuts(
    calibration: Calibration, berries_at: tuple[int | None, ...], *, measured: bool
) -> list[dict[str, Any]]:
    """Say of each cut how many berries it needs, and how well it is known where it was measured."""
    return [
        {
            "between": answers.between(pair),
            "force_N": cut.value,
            "berries": n,
            "half_width_now_N": (cut.high - cut.low) / 2
            if measured and cut.low is not None and cut.high is not None
            else None,
        }
        for pair, cut, n in zip(
            calibration.scale.boundaries, calibration.cuts, berries_at, strict=True
        )
    ]


def _show(document: dict[str, Any]) -> None:
    needed = f"berries for {with_unit(document['half_width_N'], short=True)}"
    answers.print_rows(
        [
            {
                "boundary": "/".join(map(str, cut["between"])),
                f"cut {unit()}": format_newton(cut["force_N"]),
                f"half-width now {unit()}": format_newton(cut["half_width_now_N"], missing="-"),
                needed: "-" if cut["berries"] is None else str(cut["berries"]),
            }
            for cut in document["cuts"]
        ]
    )
    raters, hand_sd = document["raters"], document["hand_sd"]
    hands = f"{plural(raters, 'rater')}, hands differing by {hand_sd:.0%}"
    echo(
        f"{document['berries']} berries scored by {hands}: {document['reached']:.0%} of simulated "
        f"panels reach it at every cut ({document['assurance']:.0%} are asked for)."
    )
    near = dict.fromkeys(f"{with_unit(force['force_N'])}" for force in document["pick_next_N"])
    echo(f"Pick next near {', then '.join(near)}.")
    if raters > 1 and hand_sd == 0:
        answers.say("Hands are taken to be equal; give --hand-sd if they are not.")


def _guess(
    cuts: tuple[float, ...] | None, spread: float | None, forces: tuple[float, ...] | None
) -> tuple[Calibration, NDArray[np.float64]]:
    """Make a calibration of stated figures, and forces spread evenly between the stated two."""
    import numpy as np

    from calibrate.cuts.calibration import Calibration, as_cuts

    if cuts is None or spread is None or forces is None:
        raise click.UsageError("Give a SOURCE, or --cuts, --spread and --forces.")
    labels = tuple(str(k) for k in range(1, len(cuts) + 2))
    calibration = Calibration(
        scale=BLACKBERRY if labels == BLACKBERRY.labels else Scale(labels=labels),
        force_scale="linear", cuts=as_cuts(cuts), spread=spread,
    )  # fmt: skip
    return calibration, np.linspace(min(forces), max(forces), 101)
