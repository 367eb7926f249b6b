"""`calibrate agree`: agreement of raters on the same berries, without force."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands.answers import as_label, emit_json, print_table
from calibrate.commands.options import json_option, level_option, source_argument

if TYPE_CHECKING:
    from calibrate.stats.agreement import Agreement, Icc
    from calibrate.stats.estimate import Estimate

COEFFICIENTS = (
    ("weighted_kappa", "weighted kappa"),
    ("fleiss", "Fleiss' kappa"),
    ("fleiss_weighted", "Fleiss' kappa, weighted"),
    ("gwet_ac1", "Gwet's AC1"),
    ("gwet_ac2", "Gwet's AC2"),
)


@click.command("agree")
@source_argument
@click.option("--scores", help="The declared scale, such as 1-5 or firm,soft.")
@click.option(
    "--weights",
    type=click.Choice(["quadratic", "linear", "ordinal", "identity"]),
    default="quadratic",
    help="Weights of agreement for weighted kappa and AC2.",
)
@level_option
@json_option
def command(source: Path, scores: str | None, weights: str, level: float, as_json: bool) -> None:
    """Agreement of raters without force.

    Do our raters score the same berries alike? SOURCE is a CSV with the columns berry, rater and
    score (one row a score), or a season file. Gaps are welcome. A score of the declared scale that
    nobody used stays on it.

    \b
    calibrate agree scores.csv --scores 1-5
    calibrate agree 2026.season --json
    """  # noqa: D301
    import numpy as np

    from calibrate.data.ratings import load_ratings
    from calibrate.data.scale import parse_scale
    from calibrate.stats.agreement import agree, icc

    ratings = load_ratings(source, parse_scale(scores) if scores else None)
    found = agree(
        ratings.rank,
        len(ratings.scale.labels),
        weights=weights,  # type: ignore[arg-type]
        level=level,
    )
    complete = ratings.complete().astype(np.float64)
    correlation = icc(complete) if len(complete) >= 2 else None
    if as_json:
        emit_json(document(found, correlation, ratings.raters, ratings.scale.labels))
    else:
        show(found, correlation, level)


def document(
    found: Agreement,
    correlation: Icc | None,
    raters: tuple[str, ...],
    labels: tuple[str, ...],
) -> dict[str, Any]:
    """The answer as it is printed by --json."""
    from dataclasses import asdict

    values = {key: getattr(found, key).value for key, _ in COEFFICIENTS}
    return {
        "berries": found.n_berries,
        "raters": list(raters),
        "scores": [as_label(label) for label in labels],
        "weights": found.weights,
        "exact": found.exact,
        "weighted_kappa": values["weighted_kappa"],
        "krippendorff_alpha": {name: e.value for name, e in found.alpha.items()},
        "gwet_ac2": values["gwet_ac2"],
        "gwet_ac1": values["gwet_ac1"],
        "fleiss": values["fleiss"],
        "fleiss_weighted": values["fleiss_weighted"],
        "icc": None if correlation is None else asdict(correlation),
        "intervals": {
            **{key: _sides(getattr(found, key)) for key, _ in COEFFICIENTS},
            **{f"alpha_{name}": _sides(e) for name, e in found.alpha.items()},
        },
    }


def _sides(estimate: Estimate) -> dict[str, float | None]:
    return {"low": estimate.low, "high": estimate.high}


def show(found: Agreement, correlation: Icc | None, level: float) -> None:
    """Print the coefficients as a table."""

    def row(name: str, estimate: Estimate) -> list[str]:
        low, high = estimate.low, estimate.high
        interval = "not known" if low is None or high is None else f"{low:.2f} to {high:.2f}"
        return [name, "undefined" if estimate.value is None else f"{estimate.value:.3f}", interval]

    rows = [row(name, getattr(found, key)) for key, name in COEFFICIENTS]
    rows += [row(f"Krippendorff's alpha, {name}", e) for name, e in found.alpha.items()]
    if correlation is not None and correlation.agreement is not None:
        rows.append(["intraclass correlation, agreement", f"{correlation.agreement:.3f}", ""])
    print_table(["coefficient", "value", f"{level:.0%} interval"], rows)
    click.echo(
        f"{found.n_berries} berries scored by two of {found.n_raters} raters or more; "
        f"{found.exact:.0%} of pairs of scores equal; weights {found.weights}"
    )
