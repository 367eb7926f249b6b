"""`calibrate fit` from the outside: JSON, tables, pictures, refusals and exit codes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from calibrate.cli import group
from calibrate.cuts import fitting
from calibrate.cuts.fitting import fingerprint
from calibrate.data.pairs import Pairs, load_pairs
from calibrate.data.scale import RASPBERRY
from calibrate.model.panel import fit_panel
from gauge.errors import (
    BadTableError,
    CannotWriteError,
    InvalidValueError,
    SeparationError,
    TooFewScoresError,
    WrongDirectionError,
)
from tests import ordinal_reference as ref

CUTS = [3.28299065, 5.40757047, 7.74102069, 9.68448746]
LIMITS = [(2.4390106, 4.0641265), (4.6498676, 6.1604722), (6.9946450, 8.4796354),
          (8.9223042, 10.4842855)]  # fmt: skip


def fit(*arguments: object) -> Result:
    return CliRunner().invoke(group, ["fit", *map(str, arguments)])


@pytest.fixture
def synthetic(tmp_path: Path) -> Path:
    path = tmp_path / "synthetic.csv"
    rows = zip(
        *(ref.columns("synthetic_force_score")[name] for name in ("force_N", "score")), strict=True
    )
    path.write_text("force_N,score\n" + "".join(f"{f},{s}\n" for f, s in rows))
    return path


def test_json_of_the_synthetic_set(synthetic: Path) -> None:
    result = fit(synthetic, "--firmest", "last", "--json")
    assert result.exit_code == 0
    assert result.stdout.count("\n") == 1
    document = json.loads(result.stdout)
    assert list(document) == [
        "n", "raters", "scores", "force_scale", "log_likelihood", "spread", "spread_growth", "cuts",
        "softening", "cuts_unsqueezed", "cuts_as_pressed", "warnings", "flagged", "press_only",
    ]  # fmt: skip
    assert document["n"] == 60
    assert document["scores"] == [1, 2, 3, 4, 5]
    assert document["force_scale"] == "linear"
    assert document["log_likelihood"] == pytest.approx(-45.156314490, abs=1e-8)
    assert document["spread"] == pytest.approx(1 / 1.302205653, abs=1e-8)
    assert [cut["between"] for cut in document["cuts"]] == [[1, 2], [2, 3], [3, 4], [4, 5]]
    for cut, force, limits in zip(document["cuts"], CUTS, LIMITS, strict=True):
        assert cut["force_N"] == pytest.approx(force, abs=1e-6)
        assert (cut["low_N"], cut["high_N"]) == pytest.approx(limits, abs=1e-6)


def test_same_berries_in_pound_force(synthetic: Path, tmp_path: Path) -> None:
    pounds = tmp_path / "pounds.csv"
    lines = synthetic.read_text().splitlines()[1:]
    pounds.write_text(
        "force,unit,score\n"
        + "".join(
            f"{float(f) / 4.4482216152605!r},lbF,{s}\n" for f, s in (x.split(",") for x in lines)
        )
    )
    document = json.loads(fit(pounds, "--firmest", "last", "--json").stdout)
    for cut, force, limits in zip(document["cuts"], CUTS, LIMITS, strict=True):
        assert cut["force_N"] == pytest.approx(force, abs=1e-6)
        assert (cut["low_N"], cut["high_N"]) == pytest.approx(limits, abs=1e-6)


def test_table_for_people(synthetic: Path) -> None:
    result = fit(synthetic, "--firmest", "last")
    assert result.exit_code == 0
    assert "1 and 2" in result.stdout
    assert "2.44 to 4.06" in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 80


def test_wrong_direction_is_refused_with_the_way_out(synthetic: Path) -> None:
    result = fit(synthetic, "--json")
    assert isinstance(result.exception, WrongDirectionError)
    assert "--firmest last" in str(result.exception)
    assert result.stdout == ""


def test_the_command_line_itself_leaves_with_the_code_and_one_line(synthetic: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from calibrate.cli import main; main()", "fit", str(synthetic)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == WrongDirectionError.exit_code
    assert done.stdout == ""
    assert done.stderr.startswith("calibrate: ")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("force_N,score\n5,1\n4,1\n3,2\n2,2\n", SeparationError),
        ("force_N,score\n5,1\n4,1\n", TooFewScoresError),
        ("force_N,score\n5,1\nx,2\n", BadTableError),
    ],
)
def test_refusals(tmp_path: Path, text: str, error: type[Exception]) -> None:
    path = tmp_path / "scores.csv"
    path.write_text(text)
    for more in ((), ("--json",)):
        result = fit(path, *more)
        assert isinstance(result.exception, error)
        assert result.stdout == ""


def blackberries(path: Path, *, drop: tuple[int, ...] = (), seed: int = 5) -> Path:
    """Scores of three invented raters, written as a sheet."""
    rng = np.random.default_rng(seed)
    lines = ["berry,rater,force_N,score"]
    for berry in range(100):
        force = round(float(rng.gamma(6.0, 0.4)) + 0.1, 2)
        for rater, shift in (("ines", 0.0), ("marek", 0.25), ("odile", -0.2)):
            latent = force - shift + rng.logistic(scale=0.25)
            score = 5 - int(np.digitize(latent, [1.2, 1.8, 2.4, 3.2]))
            if score not in drop:
                lines.append(f"{berry},{rater},{force},{score}")
    path.write_text("\n".join(lines) + "\n")
    return path


def test_one_rater_of_three(tmp_path: Path) -> None:
    path = blackberries(tmp_path / "three.csv")
    one = json.loads(fit(path, "--rater", "marek", "--json").stdout)
    assert one["raters"] == 1
    assert one["n"] == 100
    pairs = load_pairs(path, raters=["marek"])
    assert one["cuts"][0]["force_N"] == fitting.fit(pairs).cut_newton[0]


def test_two_raters_or_more_are_a_panel(tmp_path: Path) -> None:
    path = blackberries(tmp_path / "three.csv")
    result = fit(path, "--json")
    document = json.loads(result.stdout)
    assert document["raters"] == 3
    assert document["n"] == 300
    pairs = load_pairs(path)
    found = fit_panel(pairs)
    assert [cut["force_N"] for cut in document["cuts"]] == [cut.value for cut in found.cuts]
    # How hands differ is part of the uncertainty: wider than all rows taken as one hand's.
    pooled = tmp_path / "pooled.csv"
    pooled.write_text(path.read_text().replace("rater", "note"))
    one = json.loads(fit(pooled, "--json").stdout)
    for of_panel, of_hand in zip(document["cuts"], one["cuts"], strict=True):
        assert of_panel["high_N"] - of_panel["low_N"] > of_hand["high_N"] - of_hand["low_N"]
    assert "hands differ" in fit(path).stdout


def test_unused_scores_are_reported_and_kept(tmp_path: Path) -> None:
    path = blackberries(tmp_path / "some.csv", drop=(3,))
    options = ("--rater", "ines", "--json")
    inner = json.loads(fit(path, *options).stdout)
    assert inner["scores"] == [1, 2, 3, 4, 5]
    assert inner["cuts"][1]["force_N"] == inner["cuts"][2]["force_N"]
    assert any("score 3 was never given" in text for text in inner["warnings"])
    path = blackberries(tmp_path / "ends.csv", drop=(5,))
    outer = json.loads(fit(path, *options, "--scores", "1-5").stdout)
    last = {"between": [4, 5], "force_N": None, "low_N": None, "high_N": None}
    assert outer["cuts"][3] == last
    assert any("4/5" in text for text in outer["warnings"])
    table = fit(path, "--rater", "ines", "--scores", "1-5")
    assert "unknown" in table.stdout
    assert "score 5 was never given" in table.stderr


def test_open_sides_are_null_with_a_warning(tmp_path: Path) -> None:
    path = tmp_path / "weak.csv"
    path.write_text(
        "force_N,score\n"
        + "".join(f"{f},{s}\n" for f, s in zip("12233445", "21212121", strict=True))
    )
    document = json.loads(fit(path, "--json").stdout)
    cut = document["cuts"][0]
    assert cut["low_N"] is None or cut["high_N"] is None
    assert any("open" in text for text in document["warnings"])
    assert "open" in fit(path).stdout


def test_cut_points_below_zero_are_named_as_no_force(tmp_path: Path) -> None:
    path = tmp_path / "few.csv"
    path.write_text(
        "force_N,score\n2.15,4\n1.53,1\n2.71,2\n1.96,5\n3.93,3\n3.74,2\n3.9,3\n3.01,4\n2.79,2\n"
        "3.58,2\n"
    )
    document = json.loads(fit(path, "--json").stdout)
    assert document["cuts"][3]["force_N"] < 0
    assert any("no force at all: cut 3/4, 4/5" in text for text in document["warnings"])
    path.write_text("force_N,score\n" + "1.0,2\n2.0,1\n1.2,1\n1.8,2\n0.5,2\n2.5,1\n")
    assert not any("no force" in t for t in json.loads(fit(path, "--json").stdout)["warnings"])


def test_auto_takes_the_scale_of_the_smaller_aic(tmp_path: Path) -> None:
    for seed in (1, 2, 3):
        path = blackberries(tmp_path / "three.csv", seed=seed)
        found = {
            name: json.loads(fit(path, "--rater", "ines", "--force-scale", name, "--json").stdout)
            for name in ("linear", "log", "auto")
        }
        best = max(("linear", "log"), key=lambda name: found[name]["log_likelihood"])
        assert found["auto"] == found[best]


def test_words_and_counts(tmp_path: Path) -> None:
    path = tmp_path / "raspberry.csv"
    path.write_text("force_N,score,count\n1,soft,30\n1,firm,10\n2,soft,10\n2,firm,30\n")
    document = json.loads(fit(path, "--json").stdout)
    assert document["scores"] == ["firm", "soft"]
    assert document["n"] == 80
    # Two points and two parameters: the curve passes through both, 1/4 and 3/4 firm.
    assert document["cuts"][0]["between"] == ["firm", "soft"]
    assert document["cuts"][0]["force_N"] == pytest.approx(1.5)
    assert document["spread"] == pytest.approx(0.5 / np.log(3.0))


@pytest.mark.parametrize("suffix", ["png", "pdf", "svg"])
def test_pictures(tmp_path: Path, suffix: str) -> None:
    path = blackberries(tmp_path / "three.csv")
    files = [tmp_path / f"{name}.{suffix}" for name in "ab"]
    for file in files:
        result = fit(path, "--rater", "ines", "--plot", file, "--json")
        assert result.exit_code == 0
        json.loads(result.stdout)
    starts = {"png": b"\x89PNG", "pdf": b"%PDF", "svg": b"<?xml"}
    assert files[0].read_bytes().startswith(starts[suffix])
    assert files[0].read_bytes() == files[1].read_bytes()


def test_the_picture_shows_each_berry_and_cut(tmp_path: Path) -> None:
    from calibrate.plots.fit import draw_fit

    pairs = load_pairs(blackberries(tmp_path / "three.csv"), raters=["ines"])
    calibration = fitting.fit(pairs)
    upper, lower = draw_fit(calibration, pairs).axes
    offsets = upper.collections[0].get_offsets()
    assert sorted(np.asarray(offsets)[:, 0]) == sorted(pairs.force_newton)
    texts = " ".join(text.get_text() for text in upper.texts)
    for cut in calibration.cut_newton:
        assert f"{cut:.2f}" in texts
    assert len(lower.lines) == 5


def test_pictures_that_cannot_be_written(tmp_path: Path) -> None:
    path = blackberries(tmp_path / "three.csv")
    result = fit(path, "--plot", tmp_path / "cuts.doc")
    assert isinstance(result.exception, InvalidValueError)
    result = fit(path, "--rater", "ines", "--plot", tmp_path / "no" / "cuts.png")
    assert isinstance(result.exception, CannotWriteError)


def test_the_fingerprint_follows_the_data_and_nothing_else(tmp_path: Path) -> None:
    path = blackberries(tmp_path / "three.csv")
    shuffled = tmp_path / "shuffled.csv"
    head, *rows = path.read_text().splitlines()
    order = np.random.default_rng(1).permutation(len(rows))
    shuffled.write_text("\n".join([head, *(rows[i] for i in order)]) + "\n")

    def print_of(source: Path, level: float = 0.95) -> str:
        return fingerprint(load_pairs(source), "linear", level)

    assert print_of(path) == print_of(shuffled)
    assert print_of(path) != print_of(path, 0.9)
    shuffled.write_text("\n".join([head, *rows[1:]]) + "\n")
    assert print_of(path) != print_of(shuffled)


def test_the_fingerprint_is_the_same_on_every_machine() -> None:
    """As it was on the machine that first computed it."""
    one, zero = np.ones(1), np.zeros(1, dtype=np.int64)
    pairs = Pairs(scale=RASPBERRY, force_newton=one, rank=zero, count=one, rater=zero, berry=zero)
    assert fingerprint(pairs, "linear", 0.95)[:8] == "ceb0ccb0"
