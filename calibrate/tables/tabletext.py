"""A report in cells: the blocks that the terminal and the page show.

At most 80 columns where the levels are short.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from calibrate.data.labels import format_newton, format_value, in_unit, places, unit
from calibrate.stats.estimate import Estimate
from calibrate.tables.report import Report, short_name
from calibrate.tables.storage import NO_FORCE
from calibrate.tables.table import Row

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
    common = _shares(report, ("soft", "leaky", "decayed"), market=True)
    further = _shares(report, ("red", "any_defect", "weight_loss"))
    makers = (_storage, _seasons, _cues, _seen, _predicted)
    made = [_force(report), common, further, *(make(report) for make in makers)]
    made += _replication(report)
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
        se = row.found["force"].se if "force" in row.found else None
        mean = format_newton(row.force.value, missing="-")
        spreads = (format_newton(one, missing="-", sign="-") for one in (row.sd_newton, se))
        return [str(row.n), str(row.units), mean, *spreads, row.letters.get("force", "-")]

    title = f"Peak force of berries; mean, SE and letters with the {report.table.unit} as the unit"
    return _of_rows(
        report, "n", title, ["n", _units(report), f"mean {unit()}", "SD", "SE", "letters"], cells
    )


def _units(report: Report) -> str:
    """Name the units of a table as the head of a column."""
    named = {"clamshell": "clamshells", "replicate": "replicates", "berry": "berries"}
    return named[report.table.unit]


def _counted(row: Row, name: str) -> str:
    return str(row.found[name].n_units) if name in row.found else "-"


def _seen(report: Report) -> Block | None:
    labels = _labels(report)

    def cells(row: Row) -> list[str]:
        mean = format_value(row.mean_score.value, missing="-")
        shares = _percentages(row.scores, len(labels))
        counts = (f"{row.n_scored:.0f}", _counted(row, "score"))
        return [*counts, *shares, mean, row.letters.get("score", "-")]

    header = ["n", "units", *labels, "mean", "letters"]
    return _of_rows(report, "scores", "Finger scores seen, % of berries", header, cells)


def _labels(report: Report) -> Sequence[str]:
    return () if report.table.scale is None else report.table.scale.labels


def _percentages(shares: Sequence[float] | None, n: int) -> list[str]:
    return ["-"] * n if shares is None else [f"{100 * share:.0f}" for share in shares]


def _shares(report: Report, names: Sequence[str], *, market: bool = False) -> Block | None:
    shown = [name for name in names if any(name in row.found for row in report.table.rows)]
    if not shown:
        return None
    given = [row.letters.get(name, "") for row in report.table.rows for name in shown]
    width = max(map(len, given))

    def cells(row: Row) -> list[str]:
        found = [_counted(row, shown[0])]
        for name in shown:
            estimate = row.found[name].estimate if name in row.found else None
            letters = f" {row.letters.get(name, ''):<{width}}" if width else ""
            found.append("-" if estimate is None else format_percent(estimate) + letters)
        return [*found, format_percent(row.shares.marketable if market and row.shares else None)]

    title = f"% of berries ({report.table.level:.0%} interval) letters"
    header = ["units", *(name.replace("_", " ") for name in shown), "market"]
    return _of_rows(report, "shares", title, header, cells)


def _predicted(report: Report) -> Block | None:
    labels = _labels(report)

    def cells(row: Row) -> list[str]:
        return [*_percentages(row.predicted, len(labels)), format_percent(row.predicted_soft)]

    title = "Finger scores predicted from force, % of berries"
    return _of_rows(report, "predicted", title, [*labels, "soft"], cells)


def _storage(report: Report) -> Block | None:
    rows, endpoints = [], list(report.softening[0][1].days) if report.softening else []
    for levels, one in report.softening:
        loss = "-" if one.loss_n_day.why == NO_FORCE else format_force(one.loss_n_day, 1)
        # Where nothing says which berries are soft, --json says why.
        found = (one.days[each] for each in endpoints)
        days = [_day(day, one.last_day) if source else "-" for day, source in found]
        origin = one.days[endpoints[-1]][1] or "-"
        rows.append((levels, [str(one.clamshells), loss, *days, origin]))
    by = [name for name in report.table.by if name != "storage_day"]
    header = ["units", f"{unit()} a day", *(f"{one} on day" for one in endpoints), "from"]
    title = f"Storage: {unit()} lost a day, and the day that a share of berries is reached"
    return _block(title, by, header, rows) if rows else None


def _day(day: Estimate, last_day: float) -> str:
    """Write a day; a star marks what lies beyond the last day tested."""
    if day.value is None or day.low is None or day.high is None or day.value == 0:
        return format_estimate(day, 1) + ("*" if (day.value or 0.0) > last_day else "")
    value, low, high = (
        f"{x:.1f}{'*' if x > last_day else ''}" for x in (day.value, day.low, day.high)
    )
    beyond = f"> {last_day:g}: " if day.value > last_day else ""
    return f"{beyond}{value} ({low}, {high})"


def _seasons(report: Report) -> Block | None:
    ranks = report.ranks
    if ranks is None:
        return None
    rows = []
    for row in ranks.rows:
        seasons = [
            "-" if one is None else f"{format_newton(one['mean_N'])} ({one['rank']})"
            for one in row.seasons
        ]
        value = format_force(row.value)
        rows.append([row.selection, *seasons, value, f"{row.verdict} ({row.probability:.0%})"])
    day = "" if ranks.day is None else f" on day {ranks.day}"
    return Block(
        title=f"Seasons{day}: {ranks.rule}; {unit()} (rank), shrunk over seasons",
        header=["selection", *ranks.seasons, "over seasons", "verdict (kept)"],
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


def _replication(report: Report) -> list[Block]:
    """Make a block for each plan (clamshells and berries) that the measures have."""
    found: dict[tuple[str, ...], list[list[str]]] = {}
    for one in report.table.replication:
        share = one.outcome not in ("force", "score")
        factor, digits = (100.0, 1) if share else (1.0, 2)
        if one.outcome == "force":
            factor, digits = in_unit(1.0), places()
        numbers = (one.between_sd, one.within_sd, *one.detectable.values())
        of = " %" if share else f" {unit()}" if one.outcome == "force" else ""
        plans = tuple(f"{r} x {n}" for r, n in one.detectable)
        name = one.outcome.replace("_", " ") + of
        cells = [name, *(f"{factor * number:.{digits}f}" for number in numbers)]
        found.setdefault(plans, []).append(cells)
    return [
        Block(
            title=f"Difference found 4 times in 5: {_units(report)} x berries of each",
            header=["", "SD between", "SD of berries", *plans],
            rows=rows,
            left=1,
        )
        for plans, rows in found.items()
    ]


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
