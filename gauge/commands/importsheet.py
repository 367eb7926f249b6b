"""`gauge import`: berries with forces, and scores where there are any, from a sheet."""

from __future__ import annotations

import shlex
import sys
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gauge.clikit import FILE, json_option, option, receives, season_argument
from gauge.commands.options import CROP, NEW_RATER, begun_season, read_crop
from gauge.errors import BadTableError, FirmhandError, NoSuchRaterError
from gauge.plaintext import plural
from gauge.printed import emit_json, say

if TYPE_CHECKING:
    from gauge.csvsheet import CsvSheet, Problem
    from gauge.season.file import SeasonFile
    from gauge.season.rows import Found


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetOptions:
    """How a sheet is read, as it was typed."""

    maps: tuple[str, ...] = option(
        "Which column is which, such as --map force='Peak (lbf)'; - for one that is not read. "
        "Remembered in the season.",
        "--map",
        metavar="NAME=HEADER",
    )
    page: str | None = option("Which sheet of a workbook; the first if not given.", "--sheet")
    rater: str | None = option("Who scored the sheet, where it names no rater.")
    new_raters: tuple[str, ...] = option(NEW_RATER, "--new-rater")
    correct: bool = option("Put other scores in place of those stored; needs --why.")
    why: str | None = option("Reason of the corrections; it is kept in the change log.")
    check: bool = option("Say what is wrong, and store nothing.")
    unit: str | None = None
    crop: str | None = None

    @property
    def names(self) -> dict[str, str]:
        """Our names of columns by what the header says."""
        from gauge.csvsheet import column_name
        from gauge.units import parse_unit

        found = {}
        for typed in self.maps:
            name, equals, header = typed.partition("=")
            if not equals or not name.strip() or not header.strip():
                raise click.UsageError(f"--map {typed!r} is not NAME=HEADER, such as sample=Box.")
            if header.strip() == "-":
                raise click.UsageError(
                    f"--map {typed!r}: a column that is not read is -={name.strip()}."
                )
            found[header.strip()] = "" if name.strip() == "-" else column_name(name)
            if self.unit and found[header.strip()] == "force":
                found[header.strip()] = f"force_{parse_unit(self.unit)}"
        return found


@dataclass(frozen=True, kw_only=True, slots=True)
class _ForceSheet(SheetOptions):
    unit: str | None = option("Unit of the forces, where the sheet names none.")
    crop: str | None = option(CROP, read=read_crop)


@click.command("import", no_args_is_help=True)
@season_argument
@click.argument("file", type=FILE)
@receives(_ForceSheet)
@json_option
def command(how: _ForceSheet, season: Path, file: Path, as_json: bool) -> None:
    """Import berries and their scores from a sheet.

    The sheet is a CSV as any program writes it, or an .xlsx workbook: one row a berry, or one a
    score. It needs a force (force_N, force_lbf, force_kgf, or force and unit) and a sample; berry
    numbers are counted if there are none. Scores stand in a column score beside rater, or in a
    column a rater. Name other headers by --map. What describes a sample (selection, harvest_date,
    storage_day ...) is read too, and so are squeeze_order (1 of the score of who squeezed
    a berry first, 2 of the second ...; squeeze_order_ines beside a column score_ines) and
    press_only (yes of a berry that was pressed without a squeeze).

    All problems are listed by row and column, and nothing is stored until there are none. A longer
    sheet adds what is new. A season file that does not exist is begun.

    \b
    gauge import 2025.season last-year.xlsx --map force="Peak (lbf)" --map sample=Box --check
    gauge import 2025.season last-year.csv --unit lbf
    """  # noqa: D301
    found = store_sheet(season, file, how, as_json, force=True)
    if not as_json:
        samples = plural(len({berry.sample for berry in found.berries}), "sample")
        what = f"{plural(len(found.berries), 'berry')} of {samples}"
        report(file, found, how, f"{what} and {plural(len(found.scores), 'score')}")


def store_sheet(
    season: Path, path: Path, how: SheetOptions, as_json: bool, *, force: bool
) -> Found:
    """Read a sheet, say what is wrong with it, and store it if nothing is."""
    from gauge.season.rows import Found

    if how.correct and not (how.why or "").strip():
        raise click.UsageError("--correct needs --why TEXT.")
    found = Found(rows=0)
    problems: list[Problem] = []
    try:
        _store(found, problems, season, path, how, force=force)
    except FirmhandError as error:
        if as_json:
            listed = [problem._asdict() for problem in sorted(set(problems))]
            row = 1 if isinstance(error, BadTableError) else None
            one = {"row": row, "column": None, "what": error.what}
            emit_json(_document(found, listed or [one], stored=False))
        if how.maps:  # they are remembered only with what was stored by them
            error.todo = f"{error.todo}\nTo repeat it: {_repeated(season, path, how)}"
        raise
    if as_json:
        emit_json(_document(found, [], stored=not how.check))
    return found


def _repeated(season: Path, path: Path, how: SheetOptions) -> str:
    """Write an import as it was typed."""
    typed: dict[str, tuple[str | None, ...]] = {
        "--map": how.maps, "--new-rater": how.new_raters, "--sheet": (how.page,),
        "--rater": (how.rater,), "--unit": (how.unit,), "--crop": (how.crop,), "--why": (how.why,),
    }  # fmt: skip
    words = [w for flag, texts in typed.items() for text in texts if text for w in (flag, text)]
    words += ["--correct"] * how.correct + ["--check"] * how.check
    command = click.get_current_context().info_name or "import"
    return shlex.join(["gauge", command, str(season), str(path), *words])


def _store(
    found: Found,
    problems: list[Problem],
    season: Path,
    path: Path,
    how: SheetOptions,
    *,
    force: bool,
) -> None:
    """Read a sheet and store it; what it says and what is wrong is put into the first two."""
    from gauge.season.file import open_season
    from gauge.sheets.berrysheet import BerrySheet
    from gauge.sheets.known import Known
    from gauge.units import parse_unit

    with ExitStack() as stack:
        file = None
        if season.exists() or not force:
            file = stack.enter_context(open_season(season, read_only=how.check))
        remembered = (file and file.setting("columns")) or {}
        # In what 'gauge readings' exports the force as shown is called peak.
        sheet = _sheet(path, how, {"peak": "force"} | remembered, problems)
        reader = BerrySheet(
            sheet=sheet,
            known=Known.of(file, how.crop),
            rater=how.rater,
            new_raters=how.new_raters,
            ask=_ask if sys.stdin.isatty() else None,
            correct=how.correct,
            force=force,
            unit=None if how.unit is None else parse_unit(how.unit),
        )
        found.rows = len(sheet)
        reader.read(found)
        reader.refuse()
        if how.check:
            return
        if file is None:
            file = stack.enter_context(begun_season(season, crop=how.crop))
        file.import_sheet(path.name, found, how.why)
        if given := how.names:
            file.set_setting("columns", remembered | given, kind="columns")


def _sheet(
    path: Path, how: SheetOptions, remembered: dict[str, str], problems: list[Problem]
) -> CsvSheet:
    """Open a sheet, with the names of columns that are stated or remembered."""
    from gauge.csvsheet import CsvSheet, name_key

    given = how.names
    names = {h: name for h, name in remembered.items() if not name or name not in given.values()}
    wants = "the columns sample, number and force or score, one row a berry"
    sheet = CsvSheet(path, wants, names=names | given, page=how.page, problems=problems)
    there = set(map(name_key, sheet.typed.values()))
    for header in given:
        if name_key(header) not in there:
            sheet.lacks(header)
    return sheet


def rater_of(season: SeasonFile, how: SheetOptions) -> str:
    """Return --rater as the season spells it; refuse, or ask about, one that it does not know."""
    typed = how.rater or ""
    try:
        return season.rater_named(typed, new=how.new_raters)
    except NoSuchRaterError:
        if not (sys.stdin.isatty() and _ask(typed, "")):
            raise
    return " ".join(typed.split())


def _ask(name: str, like: str) -> bool:
    return click.confirm(f"'{name}' has scored nothing in this season{like}. A new rater", err=True)


def _document(found: Found, problems: list[dict[str, Any]], *, stored: bool) -> dict[str, Any]:
    return {
        "rows": found.rows,
        "berries": len(found.berries),
        "scores": len(found.scores),
        "stored": len(found.scores) if stored else 0,
        "corrected": len(found.corrected),
        "already": found.already,
        "void": found.void,
        "raters": list(found.raters),
        "undated": found.undated,
        "alike": [list(pair) for pair in found.alike],
        "unread": list(found.unread),
        "problems": problems,
    }


def report(path: Path, found: Found, how: SheetOptions, what: str) -> None:
    """Say what was stored, or would be."""
    done = "no problem, and nothing stored yet" if how.check else "stored"
    if not (found.berries or found.scores or found.corrected):
        what, done = "nothing new", "no problem" if how.check else "nothing stored"
    by = f" by {', '.join(found.raters)}" if found.raters else ""
    corrected = f", {len(found.corrected)} corrected" if found.corrected else ""
    say(f"{path.name}: {what}{by}{corrected}; {done}.")
    if found.already:
        say(f"{found.already} berries and scores were in the season already, just so.")
    if found.void:
        say(f"{found.void} row{'s' * (found.void > 1)} of void berries left out.")
    if found.undated:
        say(
            f"{plural(found.undated, 'berry')} without a date of pressing: of unknown age, so no "
            "fresh anchors. The columns harvest_date and storage_day, or at, would tell it."
        )
    for one, other in found.alike:
        say(f"Is {one} the same rater as {other}? 'gauge correct SEASON rater' joins two names.")
    if found.unread:
        say(f"Not read: {', '.join(found.unread)}.")
