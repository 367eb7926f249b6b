"""Typing errors in pairs: each is refused or doubted by its row, and honest data are not."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from calibrate import fit, load_pairs
from calibrate.data.pairs import LEAST_BERRIES
from gauge.errors import BadTableError

CUTS = (4.5, 3.2, 2.1, 1.2)
HANDS = {"ines": 0.95, "marek": 1.0, "odile": 1.06}
Row = list[str]


def rows(n: int = 150, seed: int = 1, spread: float = 0.3) -> list[Row]:
    """Scored berries as a sheet has them: sample, berry, force in N, rater, score."""
    draw = np.random.default_rng(seed)
    found = []
    for berry in range(n):
        force = float(draw.lognormal(np.log(2.4), 0.5))
        for rater, hand in HANDS.items():
            felt = force + draw.logistic(scale=spread)
            score = 1 + sum(felt < cut * hand for cut in CUTS)
            found.append(
                [f"C-{berry // 12}", str(berry % 12 + 1), f"{force:.2f}", rater, str(score)]
            )
    return found


def write(folder: Path, table: list[Row]) -> Path:
    path = folder / "pairs.csv"
    lines = ["sample,berry,force_N,rater,score", *(",".join(row) for row in table)]
    path.write_text("\n".join(lines) + "\n")
    return path


def of_berry(table: list[Row], at: int, force: Callable[[float], float]) -> None:
    """Change the force of the berry of a row, in all its rows."""
    for row in table:
        if row[:2] == table[at][:2] and row is not table[at]:
            row[2] = f"{force(float(row[2])):.2f}"
    table[at][2] = f"{force(float(table[at][2])):.2f}"


def lost_comma(table: list[Row]) -> None:
    of_berry(table, 30, lambda force: 100 * force)


def zero(table: list[Row]) -> None:
    of_berry(table, 30, lambda force: 0.0)


def wrong_score(table: list[Row]) -> None:
    table[30][4] = "33"


def twice(table: list[Row]) -> None:
    table.append(table[30])


def two_scores(table: list[Row]) -> None:
    table.append([*table[30][:4], "1" if table[30][4] != "1" else "2"])


def two_forces(table: list[Row]) -> None:
    table[30][2] = f"{float(table[30][2]) + 0.5:.2f}"


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (lost_comma, r"row 32, row 33, row 34: .* a force that no berry has"),
        (zero, r"row 32, row 33, row 34: a force of 0 N is no press"),
        (wrong_score, r"row 32, column 'score': '33' is no score of the scale 1, 2, 3, 4, 5"),
        (twice, r"row 452: this rater's score of this berry stands twice"),
        (two_scores, r"row 452: this rater gave this berry another score in an earlier row"),
        (two_forces, r"row 33.*: this berry has another force in an earlier row"),
    ],
)
def test_what_cannot_be_is_refused_by_its_row(
    error: Callable[[list[Row]], None], message: str, tmp_path: Path
) -> None:
    table = rows()
    error(table)
    with pytest.raises(BadTableError, match=message):
        load_pairs(write(tmp_path, table))


@pytest.mark.parametrize("share", [0.02, 0.25, 0.5])
def test_a_file_of_two_units_is_refused(share: float, tmp_path: Path) -> None:
    table = rows()
    for at in range(0, len(table), 3):
        if (at / 3 * 0.618) % 1 < share:  # whole berries, spread over the file
            of_berry(table, at, lambda force: force * 4.448)
    with pytest.raises(BadTableError, match=r"look like another unit, (1/)?4\.4 times"):
        load_pairs(write(tmp_path, table))
    assert load_pairs(write(tmp_path, table), as_typed=True).doubts


@pytest.mark.parametrize("spread", [0.15, 0.3, 0.6])
def test_honest_data_are_neither_refused_nor_taken_for_two_units(
    spread: float, tmp_path: Path
) -> None:
    for seed in range(25):
        load_pairs(write(tmp_path, rows(seed=seed, spread=spread)))


def test_a_far_force_is_doubted_and_the_fit_says_so(tmp_path: Path) -> None:
    table = rows()
    soft = next(i for i in range(0, len(table), 3) if {r[4] for r in table[i : i + 3]} == {"5"})
    for row in table[soft : soft + 3]:
        row[2] = "0.02"
    pairs = load_pairs(write(tmp_path, table))
    assert len(pairs.doubts) == 1
    assert f"row {soft + 2}, row {soft + 3}, row {soft + 4}: 0.02" in pairs.doubts[0]
    assert pairs.doubts[0] in fit(pairs).warnings


def test_berry_numbers_that_begin_again_are_other_berries(tmp_path: Path) -> None:
    pairs = load_pairs(write(tmp_path, rows()))
    assert len(pairs.berries) == 150
    assert pairs.berries[0] == "C-0-1"


def test_one_stray_row_of_a_name_typed_wrong_moves_nothing(tmp_path: Path) -> None:
    clean = fit(load_pairs(write(tmp_path, rows())))
    stray = fit(load_pairs(write(tmp_path, [*rows(), ["C-0", "1", rows()[0][2], "Mareck", "5"]])))
    assert stray.cut_newton.tolist() == clean.cut_newton.tolist()
    assert any(f"Mareck scored fewer than {LEAST_BERRIES} berries" in w for w in stray.warnings)


def test_spellings_of_a_rater_are_one(tmp_path: Path) -> None:
    table = rows()
    table[0][3], table[4][3] = "INES ", "  Marek"
    assert load_pairs(write(tmp_path, table)).raters == ("INES", "Marek", "odile")
