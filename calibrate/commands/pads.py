"""`calibrate pads`: presses of durable pads, which show whether gauge and newton stay the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any

import click

import gauge
from calibrate.commands import answers, options
from calibrate.commands.answers import format_newton, unit, with_unit
from gauge.clikit import DAY, argument, option, past_day
from gauge.errors import InvalidValueError, TooFewScoresError
from gauge.plaintext import plural
from gauge.printed import echo
from gauge.units import MOST_NEWTON, newtons, parse_unit

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile


# A press that differs from the others of its pad by more than this factor is of another pad, in
# another unit, or lost its decimal point: common practice, no source.
_MOST_CHANGE = 2.0
# One that differs by more than this factor is shown: pads age, but not so much in a season.
_SHOWN_CHANGE = 1.2


@dataclass(frozen=True, kw_only=True, slots=True)
class ShownForces:
    """Forces as the gauge showed them."""

    forces: tuple[str, ...] = option(
        "What the gauge showed; repeat for further presses.", "--force"
    )
    unit: str | None = option("Unit of --force; without it, that in which the season shows forces.")

    def newtons(self, file: SeasonFile) -> list[float]:
        """Return them in newtons; refuse what no berry has."""
        unit = parse_unit(self.unit or file.setting("unit") or "N")
        found = [newtons(force.replace(",", "."), unit) for force in self.forces]
        for newton, force in zip(found, self.forces, strict=True):
            if not 0 < newton <= MOST_NEWTON:
                what = "no force of compression" if newton <= 0 else "a force that no berry has"
                raise InvalidValueError(
                    f"{force} {unit} is {what}.", todo="Give what the gauge showed."
                )
        return found


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked(ShownForces):
    season: Path = argument()
    pad: str | None = argument(required=False)
    batch: str | None = option("Of the pad; remembered.")
    made: str | None = option(
        "Day on which the pad was made; remembered.",
        type=DAY,
        metavar="YYYY-MM-DD",
        read=past_day,
    )
    temp_c: float | None = option("Temperature of the pad, C.", low=-30, high=60)
    undo: bool = option("Take back the press of PAD that was typed last; needs --why.")
    why: str | None = option("Why a press is taken back.")
    as_of: date = options.as_of_option()


@answers.command("pads", _Asked, unit="of season")
def command(asked: _Asked) -> None:
    """Record presses of a durable pad, or list the pads.

    Does the gauge repeat, and is a newton still a newton? A pad keeps its force: it is an anchor at
    any age, links seasons ('calibrate compare'), and several presses of it on a day show how far
    the gauge differs from itself. A pad of another batch is another pad. --undo takes back a press
    that was typed wrong.

    \b
    calibrate pads 2026.season PAD-A --force 3.02 --force 3.05 --force 3.01 --batch 7 --temp-c 21
    calibrate pads 2026.season PAD-A --undo --why "3.01 was that of PAD-B"
    calibrate pads 2026.season
    """  # noqa: D301
    if asked.pad is None and (asked.forces or asked.undo):
        raise click.UsageError("Name the pad: calibrate pads SEASON PAD-A --force 3.02.")
    with gauge.open_season(asked.season, read_only=asked.pad is None) as file:
        if asked.pad is None:
            _list(file, asked.as_of)
            return
        pad = _named(file, asked.pad)
        if asked.undo:
            if asked.why is None or asked.forces:
                raise click.UsageError("--undo goes with --why TEXT, and with no --force.")
            _undo(file, pad, asked.why)
        elif not asked.forces:
            raise click.UsageError("A pad's press needs --force.")
        else:
            about = {"batch": asked.batch, "made_on": asked.made, "temp_c": asked.temp_c}
            _press(file, pad, asked.newtons(file), about, asked.as_of)


def _named(file: SeasonFile, typed: str) -> str:
    """Return the name of a pad, known or new; refuse none, and the label of a berry."""
    from gauge.season.rows import as_known

    known = [row.pad for row in file.pad_presses()]
    pad = as_known(typed, known)
    if pad in known:
        return pad
    if not pad:
        raise InvalidValueError("a pad needs a name.", todo="Write it on the pad, such as PAD-A.")
    berries = [f"{berry.sample}-{berry.number}" for berry in file.berries()]
    if (label := as_known(pad, berries)) in berries:
        raise InvalidValueError(
            f"{label} is a berry of {file.path}, and no pad.",
            todo="'calibrate squeeze' records a press of an anchor.",
        )
    return pad


def _press(
    file: SeasonFile, label: str, forces_newton: list[float], about: dict[str, Any], as_of: date
) -> None:
    """Store presses of a pad; batch and day of making are those of its last press, if not said."""
    from gauge.season.rows import PadPressRow

    before = [row for row in file.pad_presses() if row.pad == label]
    if before:
        known = {"batch": before[-1].batch, "made_on": before[-1].made_on}
        if about["batch"] in {None, known["batch"]}:
            about = about | {name: about[name] or known[name] for name in known}
    same = [row.force_newton for row in before if row.batch == about["batch"]]
    usual = median(same or forces_newton)
    _refuse_changed(label, usual, forces_newton)
    for newton in forces_newton:
        row = PadPressRow(pad=label, at=options.moment(as_of), force_newton=newton, **about)
        file.add_pad_press(row)
    mean = sum(forces_newton) / len(forces_newton)
    found = {"pad": label, "force_N": mean, "presses": len(forces_newton), **about}
    if not answers.emitted(found):
        shown = ", ".join(map(with_unit, forces_newton))
        answers.say(f"pad {label}: {shown} kept")
    if any(not usual / _SHOWN_CHANGE <= one <= usual * _SHOWN_CHANGE for one in forces_newton):
        what = f"pad {label} usually shows {with_unit(usual)}: was it this pad?"
        answers.warn([f"{what} --undo takes its last press back."])


def _undo(file: SeasonFile, label: str, why: str) -> None:
    """Take back the last press of a pad, and say what is left of it."""
    newton = file.take_back_pad_press(label, why).force_newton
    left = sum(row.pad == label for row in file.pad_presses())
    if not answers.emitted({"pad": label, "force_N": newton, "presses": left}):
        answers.say(f"pad {label}: {with_unit(newton)} is taken back; presses left: {left}")


def _refuse_changed(label: str, usual_newton: float, forces_newton: Sequence[float]) -> None:
    """Refuse forces that a pad cannot have, which keeps its force."""
    for newton in forces_newton:
        if not usual_newton / _MOST_CHANGE <= newton <= usual_newton * _MOST_CHANGE:
            raise InvalidValueError(
                f"{with_unit(newton)} is a force that pad {label} cannot have: it usually shows "
                f"{with_unit(usual_newton)}.",
                todo="Look at the decimal point, the --unit and the name of the pad; where earlier "
                "presses are wrong, go on under another name or --batch.",
            )


def _list(file: SeasonFile, as_of: date) -> None:
    """List the pads, and how the gauge repeats on them."""
    from calibrate.anchors.candidates import pads_of, repeated_presses
    from calibrate.stats.measurement import repeatability

    rows = file.pad_presses()
    pads = pads_of(rows)
    try:
        found = repeatability(repeated_presses(rows))
    except TooFewScoresError:
        found = None
    names = ("name", "batch", "temp_c", "presses", "force_newton", "sd_newton")
    listed = [
        answers.document(pad, *names)
        | {"made_on": pad.made_on and str(pad.made_on), "pressed_on": str(pad.pressed_on)}
        for pad in pads
    ]
    if answers.emitted({"pads": listed, "repeatability": found and found.to_json()}):
        return
    answers.print_table(
        ["pad", "batch", "age", "C", "pressed on", "presses", f"force {unit()}", f"SD {unit()}"],
        [
            [
                pad.name,
                pad.batch or "-",
                "-" if pad.made_on is None else f"{(as_of - pad.made_on).days} d",
                "-" if pad.temp_c is None else f"{pad.temp_c:g}",
                str(pad.pressed_on or "-"),
                str(pad.presses),
                format_newton(pad.force_newton),
                format_newton(pad.sd_newton, missing="-"),
            ]
            for pad in pads
        ],
        left=(0, 1),
    )
    if found is None:
        echo("Press a pad several times a day to learn how the gauge repeats (--force, repeated).")
        return
    echo(
        f"The gauge repeats on pads with a standard deviation of {with_unit(found.sd)} "
        f"({plural(found.df, 'degree')} of freedom).\nA fit takes that error out of the cut "
        f"points by --gauge-sd {found.sd:.3g} (N), if fruit is pressed in the same way."
    )
