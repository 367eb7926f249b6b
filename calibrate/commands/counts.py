"""`calibrate counts`: finger counts of clamshells as equivalent mean force."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import emit_json, print_table
from calibrate.commands.options import FILE, json_option, level_option
from gauge.clikit import echo
from gauge.errors import BadTableError, CannotCompareError, TooFewScoresError

if TYPE_CHECKING:
    from calibrate.cuts.calibration import Calibration
    from calibrate.cuts.equivalentforce import Equivalent
    from calibrate.data.clamshell import Clamshell


@click.command("counts", no_args_is_help=True)
@click.argument("sheets", metavar="SHEETS", type=FILE)
@click.option("--season", type=FILE, help="Season with the calibration, and with peaks for --cv.")
@click.option("--calibration", help="Its name in that season.")
@click.option("--cuts", type=FILE, help="Or what 'calibrate fit --json' wrote.")
@click.option(
    "--cv",
    type=click.FloatRange(0, 2),
    help="Coefficient of variation of force within a clamshell. Default: of the season.",
)
@click.option(
    "--hand-sd",
    type=click.FloatRange(0, 1),
    help="How far the counting hand may differ from the panel, as a share of force. "
    "Default: the calibration's; 0 for the panel itself.",
)
@click.option("--by", multiple=True, help="Also pool clamshells by this column; repeat.")
@click.option("--scores", help="Scale of a CSV, firmest first: 1-5 or firm,soft.")
@level_option
@json_option
def command(
    sheets: Path,
    season: Path | None,
    calibration: str | None,
    cuts: Path | None,
    cv: float | None,
    hand_sd: float | None,
    by: tuple[str, ...],
    scores: str | None,
    level: float,
    as_json: bool,
) -> None:
    """Finger counts to an equivalent mean force.

    Which mean force would a gauge have shown, in years when there was none?

    \b
    calibrate counts sheets_2019.csv --season 2026.season --calibration panel
    calibrate counts sheets_2019.csv --cuts cuts.json --cv 0.25 --by selection --json

    SHEETS is a CSV as for 'calibrate tally', or a season file that holds sheets. Within a
    clamshell, force is taken as log-normal with a coefficient of variation: that of the season's
    own clamshells, or the one you state. The interval holds the chance in the counts, the
    calibration's interval, and the hand of the one who counted.

    Where all berries have an end score only one side can be told; the other stays open. Fingers
    of another year may have drifted: a hand that was not checked against anchors then is not the
    panel of today.
    """  # noqa: D301
    from calibrate.cuts.equivalentforce import equivalent_force
    from calibrate.cuts.loading import load_calibration
    from calibrate.data.scale import parse_scale
    from calibrate.tables.source import read_source

    if (cuts is None) == (calibration is None):
        raise click.UsageError("Give --cuts FILE, or --season FILE with --calibration NAME.")
    if calibration is not None and season is None:
        raise click.UsageError("--calibration needs --season FILE.")
    if cuts is not None:
        panel = load_calibration(cuts)
    else:
        assert season is not None
        assert calibration is not None
        panel = load_calibration(season, name=calibration)
    told = read_source(sheets, scale=None if scores is None else parse_scale(scores)).clamshells
    if not told:
        raise BadTableError(f"{sheets} holds no clamshell sheets.")
    if told[0].scale.labels != panel.scale.labels:
        raise CannotCompareError(
            f"{sheets} scores {', '.join(told[0].scale.labels)}, the calibration "
            f"{', '.join(panel.scale.labels)}."
        )
    spread, spread_from = _spread(cv, season)
    known: dict[tuple[int, ...], Equivalent] = {}
    for one in told:
        if one.counts not in known:
            known[one.counts] = equivalent_force(
                one.counts, panel, cv=spread, level=level, hand_sd=hand_sd
            )
    groups = []
    for levels, members in _groups(told, by):
        table = [one.counts for one in members]
        pooled = equivalent_force(table, panel, cv=spread, level=level, hand_sd=hand_sd)
        groups.append((levels, len(members), pooled))
    rows = [(one, known[one.counts]) for one in told]
    if as_json:
        emit_json(_document(rows, groups, panel, spread, spread_from, level))
    else:
        _show(rows, groups, spread, spread_from, level)


def _spread(cv: float | None, season: Path | None) -> tuple[float, str]:
    if cv is not None:
        return cv, "stated"
    if season is None:
        raise click.UsageError("State --cv, or give --season FILE with peaks to take it from.")
    from calibrate.cuts.equivalentforce import within_cv
    from calibrate.tables.pooling import pool
    from calibrate.tables.samplingunits import berry_units

    units = berry_units(pool([season]), "clamshell")
    try:
        return within_cv(units.n, units.mean_newton, units.ss_n2), str(season)
    except TooFewScoresError as error:
        raise TooFewScoresError(f"{season}: {error.what}.", todo="State --cv.") from None


def _groups(
    told: Sequence[Clamshell], by: Sequence[str]
) -> list[tuple[dict[str, str | None], list[Clamshell]]]:
    from calibrate.tables.samplingunits import sort_key

    if not by:
        return []
    found: dict[tuple[str | None, ...], list[Clamshell]] = {}
    for one in told:
        found.setdefault(tuple(one.levels.get(name) for name in by), []).append(one)
    return [
        (dict(zip(by, key, strict=True)), found[key])
        for key in sorted(found, key=lambda key: tuple(sort_key(text) for text in key))
    ]


def _told(one: Equivalent) -> dict[str, Any]:
    return {
        "n": one.n,
        "mean_N": one.mean.to_json(),
        "from_counts_alone_N": one.by_counts.to_json(),
        "fit_p": one.fit_p,
    }


def _document(
    rows: Sequence[tuple[Clamshell, Equivalent]],
    groups: Sequence[tuple[dict[str, str | None], int, Equivalent]],
    panel: Calibration,
    spread: float,
    spread_from: str,
    level: float,
) -> dict[str, Any]:
    return {
        "cv": spread,
        "cv_from": spread_from,
        "level": level,
        "calibration": {"source": panel.source, "fingerprint": panel.fingerprint},
        "clamshells": [
            {
                "sample": sheet.sample,
                **dict(sheet.levels),
                "counts": dict(zip(sheet.scale.labels, sheet.counts, strict=True)),
                **_told(one),
            }
            for sheet, one in rows
        ],
        "groups": [levels | {"clamshells": m} | _told(one) for levels, m, one in groups],
    }


def _show(
    rows: Sequence[tuple[Clamshell, Equivalent]],
    groups: Sequence[tuple[dict[str, str | None], int, Equivalent]],
    spread: float,
    spread_from: str,
    level: float,
) -> None:
    from calibrate.tables.tabletext import format_estimate

    print_table(
        ["clamshell", "counts", "equivalent mean N", "counts alone"],
        [
            [
                sheet.sample,
                "-".join(map(str, sheet.counts)),
                _open(one.mean.low, one.mean.high)
                if one.mean.value is None
                else format_estimate(one.mean, 2),
                _open(one.by_counts.low, one.by_counts.high)
                if one.mean.value is None
                else format_estimate(one.by_counts, 2),
            ]
            for sheet, one in rows
        ],
    )
    if groups:
        names = list(groups[0][0])
        print_table(
            [*names, "clamshells", "berries", "equivalent mean N"],
            [
                [
                    *(text or "-" for text in levels.values()),
                    str(m),
                    f"{one.n:.0f}",
                    _open(one.mean.low, one.mean.high)
                    if one.mean.value is None
                    else format_estimate(one.mean, 2),
                ]
                for levels, m, one in groups
            ],
            left=range(len(names)),
        )
    echo(f"Brackets: {level:.0%} interval. Variation within a clamshell: {spread:.0%}")
    echo(f"({spread_from}).")
    odd = [sheet.sample for sheet, one in rows if one.fit_p is not None and one.fit_p < 0.01]
    if odd:
        echo(
            f"Counts unlike this calibration (another hand, or mixed fruit?): {', '.join(odd[:8])}"
            + (" ..." if len(odd) > 8 else "")
        )


def _open(low: float | None, high: float | None) -> str:
    if low is not None:
        return f"{low:.2f} or more"
    return "unknown" if high is None else f"{high:.2f} or less"
