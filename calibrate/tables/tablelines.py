"""What is said below a table: models, tests, rank correlations, how letters are read.

The blocks of figures are in tabletext.
"""

from __future__ import annotations

from collections.abc import Mapping

from calibrate.tables.report import Report
from calibrate.tables.tabletext import SHORT_NAMES


def lines(report: Report) -> list[str]:
    """The models, each once, with the tests of every stratum; rank correlations; the letters.

    Examples
    --------
    >>> import numpy as np
    >>> from calibrate.tables.poolpart import Part
    >>> from calibrate.tables.pooling import join
    >>> from calibrate.tables.report import build_report
    >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.2]), levels={"selection": ["R-1"] * 2})
    >>> lines(build_report(join([part])))
    ['force: not compared, one group only: there is nothing to compare.']
    """
    told: list[str] = []
    models: dict[str, list[str]] = {}
    for outcome in dict.fromkeys(one.outcome for one in report.table.compared):
        mine = [one for one in report.table.compared if one.outcome == outcome]
        for one in mine:
            if one.comparison is None:
                told.append(f"{outcome}{_where(one.within)}: not compared, {one.why}.")
            elif outcome not in models.setdefault(one.comparison.model, []):
                models[one.comparison.model].append(outcome)
        tests = [
            f"{c.statistic}, p = {c.p:.2g}{_where(one.within)}"
            for one in mine
            if (c := one.comparison) is not None
        ]
        if tests:
            told.append(f"{outcome}: {'; '.join(tests)}.")
    told += [f"Model of {', '.join(outcomes)}: {model}." for model, outcomes in models.items()]
    if any(row.letters for row in report.table.rows):
        told.append(letters_rule(report))
    if report.ranks is not None:
        told += [
            f"Rank correlation of {a} and {b}: {rho:.2f} (Spearman)."
            for (a, b), rho in report.ranks.spearman.items()
        ]
        if report.ranks.missing:
            told.append(f"Not in every season: {', '.join(report.ranks.missing)}.")
    if any(row.shares and row.shares.marketable_most for row in report.table.rows):
        told.append(
            "Marketable: within the sale limit, neither leaky nor decayed, counted as if no berry "
            "had two defects; the upper end allows for berries that have."
        )
    return told


def letters_rule(report: Report) -> str:
    """How letters are read: only within the same levels of what was not compared.

    Examples
    --------
    >>> import numpy as np
    >>> from calibrate.tables.poolpart import Part
    >>> from calibrate.tables.pooling import join
    >>> from calibrate.tables.report import build_report
    >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.2]), levels={"selection": ["R-1"] * 2})
    >>> letters_rule(build_report(join([part])))
    'Two rows share a letter if and only if they do not differ; a is the largest.'
    """
    compared = report.table.compared[0].level if report.table.compared else ""
    held = [SHORT_NAMES.get(name, name) for name in report.table.by if name != compared]
    rule = "wo rows share a letter if and only if they do not differ; a is the largest."
    return f"Within the same {' and '.join(held)}, t{rule}" if held else f"T{rule}"


def _where(within: Mapping[str, str | None]) -> str:
    if not within:
        return ""
    return " at " + ", ".join(f"{SHORT_NAMES.get(k, k)} {v or '-'}" for k, v in within.items())
