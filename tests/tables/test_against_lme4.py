"""A replicated storage trial and three seasons against mixed models of R.

The values were computed by tests/reference/r/storage_trial.R with R 4.2 and its packages lme4,
emmeans and multcomp, from the two invented tables beside it.
"""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from calibrate.cli import group
from calibrate.tables.seasons import KeepRule, SeasonMeans, predictions, rank_seasons

FOLDER = Path(__file__).resolve().parents[1] / "reference" / "r"
R = json.loads((FOLDER / "storage_trial.json").read_text())


def table(*args):
    result = CliRunner().invoke(group, ["table", *map(str, args), "--json"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def in_order_of_r(document):
    rows = {(row["selection"], row["storage_day"]): row for row in document["rows"]}
    return [rows[cell] for cell in zip(R["selection"], R["day"], strict=True)]


def test_means_errors_and_letters_of_a_storage_trial():
    document = table(FOLDER / "storage_trial.csv")
    rows = in_order_of_r(document)
    assert [row["mean_N"] for row in rows] == pytest.approx(R["mean"])
    assert [row["se_N"] for row in rows] == pytest.approx(R["se"], rel=1e-4)
    assert [row["letters"]["force"] for row in rows] == R["letters"]
    pairs = [pair for one in document["comparisons"] for pair in one["pairs"]]
    assert [pair["p"] for pair in pairs] == pytest.approx(R["pair_p"], abs=2e-5)
    (force,) = document["replication"]
    assert force["between_sd"] == pytest.approx(R["sd_between"], rel=1e-4)
    assert force["within_sd"] == pytest.approx(R["sd_berries"], rel=1e-4)


def test_a_block_is_taken_out_of_the_error():
    rows = in_order_of_r(table(FOLDER / "storage_trial.csv", "--block", "site"))
    assert [row["mean_N"] for row in rows] == pytest.approx(R["block_mean"])
    assert [row["se_N"] for row in rows] == pytest.approx(R["block_se"], rel=1e-4)


def test_clamshells_of_unequal_size_are_near_restricted_likelihood(tmp_path):
    """Clamshells count alike here, and by their information there: one thing, two estimates."""
    with (FOLDER / "storage_trial.csv").open() as file:
        head, *lines = file.read().splitlines()
    samples = sorted({line.split(",")[0] for line in lines})
    kept = [
        line
        for line in lines
        if int(line.split(",")[4]) <= 4 + 3 * ((samples.index(line.split(",")[0]) + 1) % 3)
    ]
    path = tmp_path / "unequal.csv"
    path.write_text("\n".join([head, *kept]) + "\n")
    document = table(path)
    rows = in_order_of_r(document)
    gap = np.array([row["mean_N"] for row in rows]) - R["unequal_mean"]
    assert np.abs(gap).max() < 0.25 * R["unequal_se"][0]
    ratio = np.array([row["se_N"] for row in rows]) / R["unequal_se"]
    assert ((ratio > 0.93) & (ratio < 1.12)).all()
    (force,) = document["replication"]
    assert (force["between_sd"], force["within_sd"]) == pytest.approx(R["unequal_sd"], rel=0.1)


def test_selections_over_seasons():
    with (FOLDER / "three_seasons.csv").open() as file:
        rows = list(csv.DictReader(file))
    seasons = sorted({row["season"] for row in rows})
    selections = sorted({row["selection"] for row in rows})
    cells = sorted({(row["season"], row["selection"]) for row in rows})
    of = {cell: [] for cell in cells}
    for row in rows:
        of[row["season"], row["selection"]].append(float(row["force_N"]))
    means = SeasonMeans(
        seasons=tuple(seasons), selections=tuple(selections),
        season=np.array([seasons.index(season) for season, _ in cells]),
        selection=np.array([selections.index(selection) for _, selection in cells]),
        mean_newton=np.array([np.mean(of[cell]) for cell in cells]),
        variance=np.full(len(cells), R["variances"]["clamshell"] / 4), df=48.0,
    )  # fmt: skip
    at = R["variances"]["selection"], R["variances"]["interaction"]
    best, found, _ = predictions(means, *at)
    assert found == pytest.approx(R["blup"], abs=1e-4)
    # lme4's variances are where the restricted likelihood is largest.
    for of_selections, interaction in ((0.9, 1), (1.1, 1), (1, 0.9), (1, 1.1)):
        assert predictions(means, at[0] * of_selections, at[1] * interaction)[0] < best
    # Over all variances that the means allow, values are near and no more apart.
    document = table(FOLDER / "three_seasons.csv", "--by", "selection", "--by", "season")
    shown = {row["selection"]: row for row in document["seasons"]["selections"]}
    values = np.array([shown[name]["over_seasons_N"]["value"] for name in selections])
    assert values == pytest.approx(R["blup"], abs=0.1)
    assert {row["verdict"] for row in shown.values()} <= {"keep", "drop", "undecided"}
    assert rank_seasons(means, KeepRule(top=0.5)).checks == ("R-101", "R-102", "R-103", "R-104")
