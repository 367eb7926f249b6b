"""A report in words and cells: the blocks and lines that the terminal and the page show.

At most 80 columns where the levels are short.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from calibrate.data.labels import format_newton
from calibrate.stats.estimate import Estimate
from calibrate.tables.report import Report
from calibrate.tables.rows import Row

_SHORT_NAMES = {"storage_day": "day", "storage_temp_c": "°C", "harvest_date": "harvest"}
Levels = Mapping[str, str | None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Block:
    """One small table of texts; the first `left` columns are names."""

    title: str
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    left: int


def blocks(report: Report) -> list[Block]:
    """Make all blocks that have something to show, in reading order, without empty columns."""
    makers = (_force, _shares, _storage, _seasons, _cues, _seen, _predicted)
    made = [make(report) for make in makers]
    return [_thin(block) for block in made if block is not None]


def _thin(block: Block) -> Block:
    """Drop empty columns."""
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


def _block(
    title: str,
    by: Sequence[str],
    header: Sequence[str],
    rows: Iterable[tuple[Levels, Sequence[str]]],
) -> Block:
    """Put the levels of each row before its cells."""
    return Block(
        title=title,
        header=[*([_SHORT_NAMES.get(name, name) for name in by] or [""]), *header],
        rows=[
            [*([text or "-" for text in levels.values()] or ["all"]), *cells]
            for levels, cells in rows
        ],
        left=max(1, len(by)),
    )


def _force(report: Report) -> Block | None:
    table = report.table
    if not any(row.n for row in table.rows):
        return None

    def cells(row: Row) -> list[str]:
        forces = (row.force.value, row.sd_newton, row.se_newton)
        shown = (format_newton(force, missing="-") for force in forces)
        return [str(row.n), str(row.units), *shown, row.letters.get("force", "-")]

    unit = {"clamshell": "clamshells", "replicate": "replicates", "berry": "berries"}[table.unit]
    return _block(
        f"Peak force of berries; SE with the {table.unit} as the unit",
        table.by,
        ["n", unit, "mean N", "SD", "SE", "letters"],
        [(row.levels, cells(row)) for row in table.rows],
    )


def _seen(report: Report) -> Block | None:
    table = report.table
    if table.scale is None or not any(row.scores for row in table.rows):
        return None
    labels = table.scale.labels

    def cells(row: Row) -> list[str]:
        mean = "-" if row.mean_score.value is None else f"{row.mean_score.value:.2f}"
        letters = row.letters.get("score", "-")
        return [f"{row.n_scored:.0f}", *_percentages(row.scores, len(labels)), mean, letters]

    return _block(
        "Finger scores seen, % of berries",
        table.by,
        ["n", *labels, "mean score", "letters"],
        [(row.levels, cells(row)) for row in table.rows],
    )


def _percentages(shares: Sequence[float] | None, n: int) -> list[str]:
    return ["-"] * n if shares is None else [f"{100 * share:.0f}" for share in shares]


def _shares(report: Report) -> Block | None:
    table = report.table
    if not any(row.shares for row in table.rows):
        return None

    def cells(row: Row) -> list[str]:
        if row.shares is None:
            return ["-"] * 7
        found = []
        for name in ("soft", "leaky", "decayed"):
            found += [_percent(getattr(row.shares, name)), row.letters.get(name, "")]
        return [*found, _percent(row.shares.marketable)]

    return _block(
        f"% of berries ({report.level:.0%} interval) letters",
        table.by,
        ["soft", "", "leaky", "", "decayed", "", "market"],
        [(row.levels, cells(row)) for row in table.rows],
    )


def _predicted(report: Report) -> Block | None:
    table = report.table
    if table.scale is None or not any(row.predicted for row in table.rows):
        return None
    labels = table.scale.labels
    return _block(
        "Finger scores predicted from force, % of berries",
        table.by,
        [*labels, "soft"],
        [
            (row.levels, [*_percentages(row.predicted, len(labels)), _percent(row.predicted_soft)])
            for row in table.rows
        ],
    )


def _storage(report: Report) -> Block | None:
    if not report.softening:
        return None
    return _block(
        "Storage: N lost a day; day with half the berries soft",
        [name for name in report.table.by if name != "storage_day"],
        ["units", "N a day", "half soft on day", "from"],
        [
            (
                levels,
                [
                    str(one.clamshells),
                    format_estimate(one.loss_n_day, 3),
                    format_estimate(one.half_soft_day, 1),
                    one.half_from or "-",
                ],
            )
            for levels, one in report.softening
        ],
    )


def _seasons(report: Report) -> Block | None:
    ranks = report.ranks
    if ranks is None:
        return None
    rows = []
    for row in ranks.rows:
        seasons = [
            f"{v:.2f} ({r}, {'-' if p is None else f'{p:.0%}'})"
            for v, r, p in zip(row.values, row.ranks, row.sure, strict=True)
        ]
        decision = ("keep" if row.kept[0] else "drop") if row.holds else "seasons differ"
        rows.append([row.selection, *seasons, decision])
    return Block(
        title=f"Seasons: {ranks.rule}; N (rank, chance to be kept)",
        header=["selection", *ranks.seasons, "decision"],
        rows=rows,
        left=1,
    )


def _cues(report: Report) -> Block | None:
    rows = [
        [
            name if cue.reference is None else f"{cue.cue}: {name}, not {cue.reference}",
            format_estimate(one, 3),
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


def _percent(one: Estimate | None) -> str:
    """Write a share as a whole percentage with its interval."""
    if one is None or one.value is None:
        return "-"
    if one.low is None or one.high is None:
        return f"{100 * one.value:.0f}"
    return f"{100 * one.value:.0f} ({100 * one.low:.0f}-{100 * one.high:.0f})"


def format_estimate(one: Estimate, digits: int) -> str:
    """Write an estimate with its interval, an open side named; the reason where it has no value.

    Examples
    --------
    >>> format_estimate(Estimate(value=7.31, low=5.2), 1)
    '7.3 (5.2, open)'
    """
    if one.value is None:
        return one.why or "-"
    if one.value == 0 and one.high == 0:
        return "before day 0"
    low = "open" if one.low is None else f"{one.low:.{digits}f}"
    high = "open" if one.high is None else f"{one.high:.{digits}f}"
    return f"{one.value:.{digits}f} ({low}, {high})"


def lines(report: Report) -> list[str]:
    """Write models, each once, with the tests of every stratum; rank correlations; the letters."""
    found: list[str] = []
    models: dict[str, list[str]] = {}
    for outcome in dict.fromkeys(one.outcome for one in report.table.compared):
        tests = []
        for one in report.table.compared:
            if one.outcome != outcome:
                continue
            if one.comparison is None:
                found.append(f"{outcome}{_where(one.within)}: not compared, {one.why}.")
                continue
            tests.append(
                f"{one.comparison.statistic}, p = {one.comparison.p:.2g}{_where(one.within)}"
            )
            outcomes = models.setdefault(one.comparison.model, [])
            if outcome not in outcomes:
                outcomes.append(outcome)
        if tests:
            found.append(f"{outcome}: {'; '.join(tests)}.")
    found += [f"Model of {', '.join(outcomes)}: {model}." for model, outcomes in models.items()]
    if any(row.letters for row in report.table.rows):
        found.append(letters_rule(report))
    if report.ranks is not None:
        found += [
            f"Rank correlation of {a} and {b}: {rho:.2f} (Spearman)."
            for (a, b), rho in report.ranks.spearman.items()
        ]
        if report.ranks.missing:
            found.append(f"Not in every season: {', '.join(report.ranks.missing)}.")
    if any(row.shares and row.shares.marketable_most for row in report.table.rows):
        found.append(
            "Marketable: within the sale limit, neither leaky nor decayed, counted as if no berry "
            "had two defects; the upper end allows for berries that have."
        )
    return found


def letters_rule(report: Report) -> str:
    """Say how letters are read: only within the same levels of what was not compared."""
    compared = report.table.compared[0].level if report.table.compared else ""
    held = [_SHORT_NAMES.get(name, name) for name in report.table.by if name != compared]
    rule = "wo rows share a letter if and only if they do not differ; a is the largest."
    return f"Within the same {' and '.join(held)}, t{rule}" if held else f"T{rule}"


def _where(within: Levels) -> str:
    if not within:
        return ""
    return " at " + ", ".join(f"{_SHORT_NAMES.get(k, k)} {v or '-'}" for k, v in within.items())
