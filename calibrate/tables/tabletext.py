"""A report in words and cells: the blocks that the terminal and the page show.

Texts only, at most 80 columns where the levels are short; printing and drawing are elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from calibrate.data.labels import format_newton
from calibrate.stats.estimate import Estimate
from calibrate.tables.report import Report
from calibrate.tables.tablerows import Row

SHORT_NAMES = {"storage_day": "day", "storage_temp_c": "°C", "harvest_date": "harvest"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Block:
    """One small table of texts; the first `left` columns are names."""

    title: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    left: int


def blocks(report: Report) -> list[Block]:
    """All blocks that have something to show, in reading order.

    Examples
    --------
    >>> import numpy as np
    >>> from calibrate.tables.poolpart import Part
    >>> from calibrate.tables.pooling import join
    >>> from calibrate.tables.report import build_report
    >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.2]), levels={"selection": ["R-1"] * 2})
    >>> block, = blocks(build_report(join([part])))
    >>> block.header, list(block.rows[0])
    (['selection', 'n', 'berries', 'mean N', 'SD', 'SE'], ['R-1', '2', '2', '1.10', '0.14', '0.1'])
    """
    made = [_force(report), _shares(report), _storage(report), _seasons(report), _cues(report)]
    made += [_seen(report), _predicted(report)]
    return [_thin(block) for block in made if block is not None]


def _thin(block: Block) -> Block:
    """Leave out columns in which nothing is told."""
    kept = [
        at
        for at in range(len(block.header))
        if at < block.left or any(row[at] not in ("", "-") for row in block.rows)
    ]
    return Block(
        title=block.title,
        header=[block.header[at] for at in kept],
        rows=[[row[at] for at in kept] for row in block.rows],
        left=block.left,
    )


def _heads(by: Sequence[str]) -> list[str]:
    return [SHORT_NAMES.get(name, name) for name in by] or [""]


def _levels(levels: Mapping[str, str | None]) -> list[str]:
    return [text or "-" for text in levels.values()] or ["all"]


def _force(report: Report) -> Block | None:
    table = report.table
    if not any(row.n for row in table.rows):
        return None
    unit = {"clamshell": "clamshells", "replicate": "replicates", "berry": "berries"}[table.unit]
    return Block(
        title="Peak force of berries; SE with the " + table.unit + " as the unit",
        header=[*_heads(table.by), "n", unit, "mean N", "SD", "SE", "letters"],
        rows=[
            [
                *_levels(row.levels),
                str(row.n),
                str(row.units),
                format_newton(row.force.value, missing="-"),
                format_newton(row.sd_newton, missing="-"),
                format_newton(row.se_newton, missing="-"),
                row.letters.get("force", "-"),
            ]
            for row in table.rows
        ],
        left=max(1, len(table.by)),
    )


def _seen(report: Report) -> Block | None:
    table = report.table
    if table.scale is None or not any(row.scores for row in table.rows):
        return None
    none = ["-"] * len(table.scale.labels)
    return Block(
        title="Finger scores seen, % of berries",
        header=[*_heads(table.by), "n", *table.scale.labels, "mean score", "letters"],
        rows=[
            [
                *_levels(row.levels),
                f"{row.n_scored:.0f}",
                *(none if row.scores is None else [f"{100 * p:.0f}" for p in row.scores]),
                "-" if row.mean_score.value is None else f"{row.mean_score.value:.2f}",
                row.letters.get("score", "-"),
            ]
            for row in table.rows
        ],
        left=max(1, len(table.by)),
    )


def _shares(report: Report) -> Block | None:
    table = report.table
    if not any(row.shares for row in table.rows):
        return None
    return Block(
        title=f"% of berries ({report.level:.0%} interval) letters",
        header=[*_heads(table.by), "soft", "", "leaky", "", "decayed", "", "market"],
        rows=[[*_levels(row.levels), *_share_cells(row)] for row in table.rows],
        left=max(1, len(table.by)),
    )


def _share_cells(row: Row) -> list[str]:
    shares = row.shares
    if shares is None:
        return ["-"] * 7
    cells = []
    for name in ("soft", "leaky", "decayed"):
        cells += [percent(getattr(shares, name)), row.letters.get(name, "")]
    return [*cells, percent(shares.marketable)]


def _predicted(report: Report) -> Block | None:
    table = report.table
    if table.scale is None or not any(row.predicted for row in table.rows):
        return None
    none = ["-"] * len(table.scale.labels)
    return Block(
        title="Finger scores predicted from force, % of berries",
        header=[*_heads(table.by), *table.scale.labels, "soft"],
        rows=[
            [
                *_levels(row.levels),
                *(none if row.predicted is None else [f"{100 * p:.0f}" for p in row.predicted]),
                percent(row.predicted_soft),
            ]
            for row in table.rows
        ],
        left=max(1, len(table.by)),
    )


def _storage(report: Report) -> Block | None:
    if not report.softening:
        return None
    by = [name for name in report.table.by if name != "storage_day"]
    return Block(
        title="Storage: N lost a day; day with half the berries soft",
        header=[*_heads(by), "units", "N a day", "half soft on day", "from"],
        rows=[
            [
                *_levels(levels),
                str(one.clamshells),
                estimate(one.loss_n_day, 3),
                estimate(one.half_soft_day, 1),
                one.half_from or "-",
            ]
            for levels, one in report.softening
        ],
        left=max(1, len(by)),
    )


def _seasons(report: Report) -> Block | None:
    ranks = report.ranks
    if ranks is None:
        return None
    return Block(
        title=f"Seasons: {ranks.rule}; N (rank, chance to be kept)",
        header=["selection", *ranks.seasons, "decision"],
        rows=[
            [
                row.selection,
                *(
                    f"{v:.2f} ({r}, {'-' if p is None else f'{p:.0%}'})"
                    for v, r, p in zip(row.values, row.ranks, row.sure, strict=True)
                ),
                ("keep" if row.kept[0] else "drop") if row.holds else "seasons differ",
            ]
            for row in ranks.rows
        ],
        left=1,
    )


def _cues(report: Report) -> Block | None:
    rows = [
        [
            name if cue.reference is None else f"{cue.cue}: {name}, not {cue.reference}",
            estimate(one, 3),
            f"{cue.units} {cue.unit}s",
        ]
        for cue in report.cues
        for name, one in cue.effects
    ]
    if not rows:
        return None
    return Block(
        title="Cues: change of mean force", header=["cue", "N", "as the unit"], rows=rows, left=1
    )


def percent(one: Estimate | None) -> str:
    """A share as a whole percentage with its interval.

    Examples
    --------
    >>> percent(Estimate(value=0.25, low=0.112, high=0.469))
    '25 (11-47)'
    """
    if one is None or one.value is None:
        return "-"
    if one.low is None or one.high is None:
        return f"{100 * one.value:.0f}"
    return f"{100 * one.value:.0f} ({100 * one.low:.0f}-{100 * one.high:.0f})"


def estimate(one: Estimate, digits: int) -> str:
    """An estimate with its interval, an open side named; the reason where there is no value.

    Examples
    --------
    >>> estimate(Estimate(value=7.31, low=5.2), 1)
    '7.3 (5.2, open)'
    """
    if one.value is None:
        return one.why or "-"
    if one.value == 0 and one.high == 0:
        return "before day 0"
    low = "open" if one.low is None else f"{one.low:.{digits}f}"
    high = "open" if one.high is None else f"{one.high:.{digits}f}"
    return f"{one.value:.{digits}f} ({low}, {high})"
