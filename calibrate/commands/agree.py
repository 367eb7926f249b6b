"""`calibrate agree`: agreement of raters on the same berries, without force."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calibrate.commands import answers, options
from calibrate.data.scale import Scale
from gauge.clikit import argument, option
from gauge.printed import echo

if TYPE_CHECKING:
    from calibrate.data.ratings import Ratings
    from calibrate.stats.agreement import Agreement, Icc, Weights
    from calibrate.stats.estimate import Estimate

COEFFICIENTS = {
    "weighted_kappa": "weighted kappa",
    "fleiss": "Fleiss' kappa",
    "fleiss_weighted": "Fleiss' kappa, weighted",
    "gwet_ac1": "Gwet's AC1",
    "gwet_ac2": "Gwet's AC2",
    "alpha_nominal": "Krippendorff's alpha, nominal",
    "alpha_ordinal": "Krippendorff's alpha, ordinal",
    "alpha_interval": "Krippendorff's alpha, interval",
}
_SHOWN = ("weighted_kappa", "gwet_ac2", "alpha_ordinal")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Asked:
    source: Path = argument()
    scale: Scale | None = options.scale_option("The declared scale, such as 1-5 or firm,soft.")
    weights: Weights = option(
        "Weights of agreement for weighted kappa and AC2.",
        type=click.Choice(["quadratic", "linear", "ordinal", "identity"]),
        default="quadratic",
    )
    level: float = options.level_option()
    everything: bool = option("Show all coefficients that are in use.", "--all")


@answers.command("agree", _Asked, unit="none")
def command(asked: _Asked) -> None:
    """Agreement of raters without force.

    Do our raters score the same berries alike? SOURCE is a CSV with the columns berry, rater and
    score (one row a score), or a season file. Gaps are welcome. A score of the declared scale that
    nobody used stays on it. Four coefficients are shown; the JSON has all, and so has --all.

    \b
    calibrate agree scores.csv --scores 1-5
    calibrate agree 2026.season --json
    """  # noqa: D301
    import numpy as np

    from calibrate.data.ratings import load_ratings
    from calibrate.stats.agreement import agree, icc

    ratings = load_ratings(asked.source, asked.scale)
    found = agree(ratings.rank, len(ratings.scale.labels), weights=asked.weights, level=asked.level)
    complete = ratings.complete().astype(np.float64)
    correlation = icc(complete) if len(complete) >= 2 else None
    if not answers.emitted(document(found, correlation, ratings)):
        show(found, correlation, asked.level, everything=asked.everything)


def document(found: Agreement, correlation: Icc | None, ratings: Ratings) -> dict[str, Any]:
    """The answer as it is printed by --json."""
    values = {key: one.value for key, one in found.coefficients.items()}
    alpha = {key.removeprefix("alpha_"): values.pop(key) for key in [*values] if "alpha" in key}
    return {
        "berries": found.n_berries,
        "raters": list(ratings.raters),
        "scores": [answers.as_label(label) for label in ratings.scale.labels],
        **answers.document(found, "weights", "exact"),
        **values,
        "krippendorff_alpha": alpha,
        "icc": correlation,
        "intervals": {key: answers.sides(one, None) for key, one in found.coefficients.items()},
    }


def show(
    found: Agreement, correlation: Icc | None, level: float, *, everything: bool = False
) -> None:
    """Print the coefficients as a table: those that a paper needs, or all."""

    def row(name: str, estimate: Estimate) -> list[str]:
        low, high = estimate.low, estimate.high
        interval = "not known" if low is None or high is None else f"{low:.2f} to {high:.2f}"
        return [name, answers.format_value(estimate.value, ".3f", missing="undefined"), interval]

    rows = [
        row(name, found.coefficients[key])
        for key, name in COEFFICIENTS.items()
        if everything or key in _SHOWN
    ]
    if correlation and correlation["agreement"] is not None:
        rows.append(["intraclass correlation, agreement", f"{correlation['agreement']:.3f}", ""])
    answers.print_table(["coefficient", "value", f"{level:.0%} interval"], rows)
    echo(
        f"{found.n_berries} berries scored by two of {found.n_raters} raters or more; "
        f"{found.exact:.0%} of pairs of scores equal."
    )
    echo(f"Weights of kappa and AC2: {found.weights}.")
