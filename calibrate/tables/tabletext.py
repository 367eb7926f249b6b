"""A report in words and cells: the blocks and lines that the terminal and the page show.

At most 80 columns where the levels are short.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from calibrate.data.labels import format_newton, format_value, in_unit, places, unit
from calibrate.stats.estimate import Estimate
from calibrate.tables.report import Report
from calibrate.tables.rows import Row

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
    header, *rows = ([row[at] for at in kept] for row in (block.header, *block.rows))
    return replace(block, header=header, rows=rows)


def _block(
    title: str, by: Sequence[str], header: Sequence[str], rows: Iterable[tuple[Levels, list[str]]]
) -> Block:
    """Put the levels of each row before its cells."""
    return Block(
        title=title,
        header=[*(map(short_name, by) if by else [""]), *header],
        rows=[
            [*([text or "-" for text in levels.values()] or ["all"]), *cells]
            for levels, cells in rows
        ],
        left=max(1, len(by)),
    )


def _of_rows(
    report: Report, shown: str, title: str, header: Sequence[str], cells: Callable[[Row], list[str]]
) -> Block | None:
    """Make a block of all rows of the table, if any of them has the attribute to show."""
    table = report.table
    if not any(getattr(row, shown) for row in table.rows):
        return None
    return _block(title, table.by, header, [(row.levels, cells(row)) for row in table.rows])


def _force(report: Report) -> Block | None:
    def cells(row: Row) -> list[str]:
        forces = (row.force.value, row.sd_newton, row.se_newton)
        shown = (format_newton(force, missing="-") for force in forces)
        return [str(row.n), str(row.units), *shown, row.letters.get("force", "-")]

    chosen = report.table.unit
    units = {"clamshell": "clamshells", "replicate": "replicates", "berry": "berries"}[chosen]
    title = f"Peak force of berries; SE with the {chosen} as the unit"
    header = ["n", units, f"mean {unit()}", "SD", "SE", "letters"]
    return _of_rows(report, "n", title, header, cells)


def _seen(report: Report) -> Block | None:
    labels = _labels(report)

    def cells(row: Row) -> list[str]:
        mean = format_value(row.mean_score.value, missing="-")
        shares = _percentages(row.scores, len(labels))
        return [f"{row.n_scored:.0f}", *shares, mean, row.letters.get("score", "-")]

    header = ["n", *labels, "mean score", "letters"]
    return _of_rows(report, "scores", "Finger scores seen, % of berries", header, cells)


def _labels(report: Report) -> Sequence[str]:
    return () if report.table.scale is None else report.table.scale.labels


def _percentages(shares: Sequence[float] | None, n: int) -> list[str]:
    return ["-"] * n if shares is None else [f"{100 * share:.0f}" for share in shares]


def _shares(report: Report) -> Block | None:
    def cells(row: Row) -> list[str]:
        if row.shares is None:
            return ["-"] * 7
        found = []
        for name in ("soft", "leaky", "decayed"):
            found += [format_percent(getattr(row.shares, name)), row.letters.get(name, "")]
        return [*found, format_percent(row.shares.marketable)]

    title = f"% of berries ({report.table.level:.0%} interval) letters"
    header = ["soft", "", "leaky", "", "decayed", "", "market"]
    return _of_rows(report, "shares", title, header, cells)


def _predicted(report: Report) -> Block | None:
    labels = _labels(report)

    def cells(row: Row) -> list[str]:
        return [*_percentages(row.predicted, len(labels)), format_percent(row.predicted_soft)]

    title = "Finger scores predicted from force, % of berries"
    return _of_rows(report, "predicted", title, [*labels, "soft"], cells)


def _storage(report: Report) -> Block | None:
    rows = []
    for levels, one in report.softening:
        loss, day = format_force(one.loss_n_day, 1), format_estimate(one.half_soft_day, 1)
        rows.append((levels, [str(one.clamshells), loss, day, one.half_from or "-"]))
    title = f"Storage: {unit()} lost a day; day with half the berries soft"
    by = [name for name in report.table.by if name != "storage_day"]
    header = ["units", f"{unit()} a day", "half soft on day", "from"]
    return _block(title, by, header, rows) if rows else None


def _seasons(report: Report) -> Block | None:
    ranks = report.ranks
    if ranks is None:
        return None
    rows = []
    for row in ranks.rows:
        seasons = [
            f"{format_newton(v)} ({r}, {'-' if p is None else f'{p:.0%}'})"
            for v, r, p in zip(row.values, row.ranks, row.sure, strict=True)
        ]
        decision = ("keep" if row.kept[0] else "drop") if row.holds else "seasons differ"
        rows.append([row.selection, *seasons, decision])
    return Block(
        title=f"Seasons: {ranks.rule}; {unit()} (rank, chance to be kept)",
        header=["selection", *ranks.seasons, "decision"],
        rows=rows,
        left=1,
    )


def _cues(report: Report) -> Block | None:
    rows = [
        [
            name if cue.reference is None else f"{cue.cue}: {name}, not {cue.reference}",
            format_force(one, 1),
            f"{cue.units} {cue.unit}s",
        ]
        for cue in report.cues
        for name, one in cue.effects
    ]
    if not rows:
        return None
    return Block(
        title="Cues: change of mean force", header=["cue", unit(), "as the unit"], rows=rows, left=1
    )


def format_percent(one: Estimate | None) -> str:
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


def format_force(one: Estimate, finer: int = 0) -> str:
    """Write a force with its interval in the unit in which forces are shown."""
    return format_estimate(one.map(in_unit), places() + finer)


def lines(report: Report) -> list[str]:
    """Write models, each once, with the tests of every stratum; rank correlations; the letters."""
    found: list[str] = []
    models: dict[str, dict[str, None]] = {}
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
            models.setdefault(one.comparison.model, {})[outcome] = None
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
    found += [
        f"{one.outcome}{_where(one.within)}: p is below 0.05, but all rows share a letter: rows "
        "differ when taken together, and no single pair of them is proved to."
        for one in report.table.compared
        if one.comparison is not None
        and one.comparison.p < 0.05
        and len(set(one.comparison.letters)) == 1
    ]
    if any(
        one.loss_n_day.value is not None and one.loss_n_day.low is None
        for _, one in report.softening
    ):
        found.append("Storage: a line through three clamshells has no interval (open).")
    if any(row.shares and row.shares.marketable_most for row in report.table.rows):
        found.append(
            "Marketable: within the sale limit, neither leaky nor decayed, counted as if no berry "
            "had two defects; the upper end allows for berries that have."
        )
    return found


def letters_rule(report: Report) -> str:
    """Say how letters are read: only within the same levels of what was not compared."""
    compared = report.table.compared[0].level if report.table.compared else ""
    held = [short_name(name) for name in report.table.by if name != compared]
    rule = "wo rows share a letter if and only if they do not differ; a is the largest."
    return f"Within the same {' and '.join(held)}, t{rule}" if held else f"T{rule}"


def _where(within: Levels) -> str:
    return f" at {', '.join(map(level_text, within.items()))}" if within else ""


def level_text(level: tuple[str, str | None]) -> str:
    """Write a level with its name.

    Examples
    --------
    >>> level_text(("storage_day", "7")), level_text(("site", None))
    ('day 7', 'site -')
    """
    return f"{short_name(level[0])} {level[1] or '-'}"


def short_name(name: str) -> str:
    """Write the name of a level as the head of a column."""
    return {"storage_day": "day", "storage_temp_c": "°C", "harvest_date": "harvest"}.get(name, name)
