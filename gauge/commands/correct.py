"""`gauge correct`: what was typed wrong, put right with a reason; the change log keeps the old."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import json_option, season_argument
from gauge.commands.goingon import on_terminal
from gauge.errors import InvalidValueError, NotConfirmedError
from gauge.plaintext import plural
from gauge.printed import echo, emit_json, say

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile


@click.command("correct", no_args_is_help=True)
@season_argument
@click.argument("kind", type=click.Choice(["sample", "rater", "berry"]))
@click.argument("name")
@click.option("--name", "new_name", help="The right name; that of another one joins the two.")
@click.option(
    "--set", "settings", metavar="KEY=VALUE", multiple=True,
    help="What is known of a sample, such as selection=R-114 (nothing after = clears it; "
    "hidden=no shows it again); of a rater status=qualified, suspended or 'in training'.",
)  # fmt: skip
@click.option("--new-rater", "new", is_flag=True, help="A rater who has scored nothing yet.")
@click.option("--hide", is_flag=True, help="Leave a sample without berries out of the plan.")
@click.option("--sample", help="The sample that a berry belongs to.")
@click.option("--undo", is_flag=True, help="Part a sample again from the one it was joined to.")
@click.option("--why", required=True, help="The reason; it is kept in the change log.")
@json_option
def command(
    season: Path,
    kind: str,
    name: str,
    new_name: str | None,
    settings: tuple[str, ...],
    new: bool,
    hide: bool,
    sample: str | None,
    undo: bool,
    why: str,
    as_json: bool,
) -> None:
    """Correct a sample, a rater or a berry.

    A rater's name typed wrong is renamed, or joined to the right one; a sample is renamed,
    completed, joined to another (--undo parts them) or hidden; a berry is moved to another sample.
    A berry is named by the id that 'gauge readings' lists. Scores are corrected by 'gauge scores
    --correct'. A rater in training, or suspended, does not count in the panel until qualified.

    \b
    gauge correct 2026.season rater mareck --name marek --why "typed wrong"
    gauge correct 2026.season rater odile --set status=suspended --why "after a cold"
    gauge correct 2026.season sample B26-01 --set selection=R-120 --why "label read wrong"
    gauge correct 2026.season berry 41 --sample B26-02 --why "from the next clamshell"
    """  # noqa: D301
    from gauge.season.file import open_season

    given = {
        "--name": new_name, "--set": settings, "--hide": hide, "--sample": sample, "--undo": undo,
    }  # fmt: skip
    allowed = {
        "sample": ["--name", "--set", "--hide", "--undo"],
        "rater": ["--name", "--set"],
        "berry": ["--sample"],
    }
    if not any(given[option] for option in allowed[kind]):
        raise click.UsageError(f"Say what is right: {' or '.join(allowed[kind])}.")
    for option, value in given.items():
        if value and option not in allowed[kind]:
            raise click.UsageError(f"{option} is not for a {kind}.")
    if undo and (new_name or settings or hide):
        raise click.UsageError("--undo goes alone.")
    with open_season(season) as file:
        if kind == "rater":
            done = _rater(file, name, new_name, settings, new, why)
        elif kind == "berry":
            done = _berry(file, name, str(sample), why)
        elif undo:
            row = file.part_sample(name, why)
            done = {"code": row.sample.code, "berries": row.berries}
        else:
            done = _sample(file, name, new_name, settings, hide, why)
    if as_json:
        emit_json({"kind": kind, **done})
    else:
        echo(f"{kind} {name} {_done(kind, done)}.")


def _done(kind: str, done: dict[str, Any]) -> str:
    """Say what is true of a thing now that it is corrected."""
    if kind == "berry":
        return f"is now berry {done['number']} of sample {done['sample']}"
    if "berries" in done:
        return f"is apart again, with {plural(done['berries'], 'berry')}"
    changes = dict(done)
    name = changes.pop("name", None) or changes.pop("code", None)
    parts = [] if name is None else [f"is now {name}"]
    hidden = {None: [], 0: ["is shown again"], 1: ["is hidden"]}
    parts += hidden[changes.pop("hidden", None)]
    parts += [
        f"has no {key} now" if value is None else f"has {key} {value} now"
        for key, value in changes.items()
    ]
    return ", ".join(parts)


def _rater(
    file: SeasonFile, name: str, new_name: str | None, settings: tuple[str, ...], is_new: bool,
    why: str,
) -> dict[str, Any]:  # fmt: skip
    from gauge.csvsheet import name_key

    known = {name_key(one): one for one in file.every_rater()}
    old = name if name in known.values() else known.get(name_key(name), name)
    done = {}
    for typed in settings:
        key, _, status = (part.strip().casefold() for part in typed.partition("="))
        if key != "status":
            raise click.UsageError(f"--set {typed!r}: a rater has a status, such as suspended.")
        old = file.rater_named(name, new=[name] if is_new else [])
        file.set_rater_status(old, {"training": "in training"}.get(status, status), why)
        done["status"] = status
    if new_name is None:
        return done
    new = " ".join(new_name.split())
    # Another rater by any spelling; but the same one may get another spelling.
    new = known.get(name_key(new), new) if name_key(new) != name_key(old) else new
    file.correct_rater(old, new, why)
    return {**done, "name": new}


def _berry(file: SeasonFile, name: str, sample: str, why: str) -> dict[str, Any]:
    if not name.isdecimal():
        raise click.UsageError(f"'{name}' is no berry id; 'gauge readings' lists them.")
    file.correct_berry(int(name), sample, why)
    berry = file.berry(int(name))
    return {"sample": berry.sample, "number": berry.number}


def _sample(
    file: SeasonFile, name: str, new_name: str | None, settings: tuple[str, ...], hide: bool,
    why: str,
) -> dict[str, Any]:  # fmt: skip
    from gauge.sheets.plan import sample_value

    changes: dict[str, Any] = {}
    for typed in settings:
        key, equals, value = typed.partition("=")
        if not equals:
            raise click.UsageError(f"--set {typed!r} is not KEY=VALUE, such as selection=R-114.")
        key, value = key.strip(), value.strip()
        if key == "hidden" and value in {"yes", "no"}:
            changes[key] = int(value == "yes")
        else:
            changes[key] = sample_value(key, value)
    if crop := changes.get("crop"):
        changes["crop"] = _known_crop(file, crop)
    if new_name is not None:
        changes["code"] = new_name.strip()
    if hide:
        changes["hidden"] = 1
    joined = _joined(file, name, changes.get("code", ""))
    file.correct_sample(name, changes, why)
    if joined:
        say(joined)
    return changes


def _joined(file: SeasonFile, name: str, code: str) -> str | None:
    """Ask whether a sample is to be joined to the one that bears its new code; return what to say.

    Where nobody can be asked it is joined, for one call parts them again.
    """
    from gauge.season.rows import match

    row = file.sample(name, hidden=True)
    others = [one for one in file.samples() if one.sample_id != row.sample_id]
    if (other := match(others, code)) is None:
        return None
    own, there, what = row.sample.code, other.sample.code, plural(row.berries, "berry")
    question = f"Sample {there} is there already. Join the {what} of {own} to it?"
    if on_terminal() and not click.confirm(question, err=True):
        raise NotConfirmedError("Nothing was joined.", todo="Give the sample a code of its own.")
    undo = shlex.join(["gauge", "correct", str(file.path), "sample", own, "--undo"])
    joined = f"Sample {there} was there already: the {what} of {own} joined it."
    return f"{joined} {undo} --why TEXT parts them."


def _known_crop(file: SeasonFile, typed: str) -> str:
    """Return a crop as it is spelled here: one with a scale of its own, or of this season."""
    from gauge.csvsheet import name_key
    from gauge.season.scores import DEFAULT_SCALES

    crops = {*DEFAULT_SCALES, file.crop, *(row.sample.crop for row in file.samples())} - {None}
    known = {name_key(crop): crop for crop in crops if crop}
    if name_key(typed) not in known:
        raise InvalidValueError(
            f"'{typed}' is no crop known here.", todo=f"Known are {', '.join(sorted(known))}."
        )
    return known[name_key(typed)]
