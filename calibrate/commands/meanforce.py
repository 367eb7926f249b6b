"""`calibrate meanforce`: finger counts of clamshells as equivalent mean force."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, options
from calibrate.data.scale import Scale
from gauge.clikit import argument, option
from gauge.errors import BadTableError, CannotCompareError, TooFewScoresError
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.cuts.equivalentforce import Equivalent
    from calibrate.data.clamshell import Clamshell
    from calibrate.stats.estimate import Estimate


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    sheets: Path = argument(metavar="SHEETS")
    season: Path | None = option("Season with the calibration, and with peaks for --cv.")
    calibration: str | None = option("Its name in that season.")
    cuts: Path | None = option("Or what 'calibrate fit --json' wrote.")
    cv: float | None = option(
        "Coefficient of variation of force within a clamshell. Default: of the season.",
        low=0,
        high=2,
    )
    hand_sd: float | None = option(
        "How far the counting hand may differ from the panel, as a share of force. "
        "Default: the calibration's; 0 for the panel itself.",
        low=0,
        high=1,
    )
    by: tuple[str, ...] = option("Also pool clamshells by this column; repeat.")
    scale: Scale | None = options.scale_option("Scale of a CSV, firmest first: 1-5 or firm,soft.")
    level: float = options.level_option()


@answers.command("meanforce", _Asked, no_args_is_help=True)
def command(asked: _Asked) -> None:
    """Finger counts to an equivalent mean force.

    Which mean force would a gauge have shown, in years when there was none?

    \b
    calibrate meanforce sheets_2019.csv --season 2026.season --calibration panel
    calibrate meanforce sheets_2019.csv --cuts cuts.json --cv 0.25 --by selection --json

    SHEETS is a CSV as for 'calibrate tally', or a season file that holds sheets. Within a
    clamshell, force is taken as log-normal with a coefficient of variation: that of the season's
    own clamshells, or the one you state. The interval holds the chance in the counts, the
    calibration's interval, and the hand of the one who counted.

    Where all berries have an end score only one side is known; the other stays open. Fingers
    of another year may have drifted: a hand that was not checked against anchors then is not the
    panel of today.
    """  # noqa: D301
    from functools import cache

    from calibrate.cuts.equivalentforce import equivalent_force

    if asked.calibration is not None and asked.season is None and asked.cuts is None:
        raise click.UsageError("--calibration needs --season FILE.")
    seasons = [asked.season] if asked.season else []
    panel = options.named_calibration(seasons, asked.calibration, asked.cuts)
    if panel is None:
        raise click.UsageError("Give --cuts FILE, or --season FILE with --calibration NAME.")
    clamshells = _clamshells(asked.sheets, asked.scale, panel.scale)
    spread = _spread(asked.season) if asked.cv is None else asked.cv
    spread_from = str(asked.season) if asked.cv is None else "stated"

    @cache
    def equivalent(*counts: tuple[int, ...]) -> Equivalent:
        table = counts if len(counts) > 1 else counts[0]
        return equivalent_force(table, panel, cv=spread, level=asked.level, hand_sd=asked.hand_sd)

    rows = [(one, equivalent(one.counts)) for one in clamshells]
    groups = [
        (dict(zip(asked.by, key, strict=True)), len(members), equivalent(*members))
        for key, members in _groups(clamshells, asked.by).items()
    ]
    found = {
        "cv": spread,
        "cv_from": spread_from,
        "level": asked.level,
        "calibration": answers.document(panel, "source", "fingerprint"),
        "clamshells": [
            {
                "sample": sheet.sample,
                **sheet.levels,
                "counts": dict(zip(panel.scale.labels, sheet.counts, strict=True)),
                **_document(one),
            }
            for sheet, one in rows
        ],
        "groups": [levels | {"clamshells": m} | _document(one) for levels, m, one in groups],
    }
    if answers.emitted(found):
        return
    _show(rows, groups)
    echo(f"Brackets: {asked.level:.0%} interval. Variation within a clamshell: {spread:.0%}")
    echo(f"({spread_from}).")
    odd = [sheet.sample for sheet, one in rows if one.fit_p is not None and one.fit_p < 0.01]
    if odd:
        more = " ..." if len(odd) > 8 else ""
        echo(
            "Counts unlike this calibration (another hand, or mixed fruit?): "
            f"{', '.join(odd[:8])}{more}"
        )


def _clamshells(path: Path, scale: Scale | None, panel: Scale) -> tuple[Clamshell, ...]:
    """Read the sheets; they must be on the panel's scale."""
    from calibrate.tables.source import read_source

    clamshells = read_source(path, scale=scale).clamshells
    if not clamshells:
        raise BadTableError(f"{path} holds no clamshell sheets.")
    labels = clamshells[0].scale.labels
    if labels != panel.labels:
        raise CannotCompareError(
            f"{path} scores {', '.join(labels)}, the calibration {', '.join(panel.labels)}."
        )
    return clamshells


def _spread(season: Path | None) -> float:
    """Take the coefficient of variation within clamshells from the peaks of a season."""
    if season is None:
        raise click.UsageError("State --cv, or give --season FILE with peaks to take it from.")
    from calibrate.cuts.equivalentforce import within_cv
    from calibrate.tables.pooling import pool
    from calibrate.tables.samplingunits import berry_units

    units = berry_units(pool([season]), "clamshell")
    try:
        return within_cv(units.n, units.mean_newton, units.ss_n2)
    except TooFewScoresError as error:
        raise TooFewScoresError(f"{season}: {error.what}.", todo="State --cv.") from None


def _groups(
    clamshells: Sequence[Clamshell], by: Sequence[str]
) -> dict[tuple[str | None, ...], list[tuple[int, ...]]]:
    """Gather the counts of clamshells that have the same levels."""
    from calibrate.tables.samplingunits import ordered

    found: dict[tuple[str | None, ...], list[tuple[int, ...]]] = {}
    for one in clamshells if by else ():
        found.setdefault(tuple(one.levels.get(name) for name in by), []).append(one.counts)
    return {key: found[key] for key in ordered(found)}


def _document(one: Equivalent) -> dict[str, Any]:
    return {
        **answers.document(one, "n", "fit_p"),
        "mean_N": one.mean.to_json(),
        "from_counts_alone_N": one.by_counts.to_json(),
    }


def _show(
    rows: Sequence[tuple[Clamshell, Equivalent]],
    groups: Sequence[tuple[dict[str, str | None], int, Equivalent]],
) -> None:
    answers.print_table(
        ["clamshell", "counts", f"equivalent mean {answers.unit()}", "counts alone"],
        [
            [sheet.sample, "-".join(map(str, sheet.counts)), _cell(one.mean), _cell(one.by_counts)]
            for sheet, one in rows
        ],
    )
    if groups:
        names = list(groups[0][0])
        answers.print_table(
            [*names, "clamshells", "berries", f"equivalent mean {answers.unit()}"],
            [
                [
                    *(text or "-" for text in levels.values()),
                    str(m),
                    f"{one.n:.0f}",
                    _cell(one.mean),
                ]
                for levels, m, one in groups
            ],
            left=range(len(names)),
        )


def _cell(force: Estimate) -> str:
    """Write a force with its interval; where it has no value, the one side known."""
    from calibrate.tables.tabletext import format_force

    if force.value is not None:
        return format_force(force)
    if force.low is not None:
        return f"{answers.format_newton(force.low)} or more"
    return "unknown" if force.high is None else f"{answers.format_newton(force.high)} or less"
