"""The sample runs: made again byte for byte, replayed to the berries that were played."""

from __future__ import annotations

import csv
import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType

import pytest
from click.testing import CliRunner

from gauge.cli import group
from gauge.protocol.capture import load_capture
from gauge.protocol.formatfile import load_format, shipped_format

RUNS = Path(__file__).parents[1] / "sample_runs"


@pytest.fixture(scope="module")
def make() -> ModuleType:
    spec = importlib.util.spec_from_file_location("sample_runs_make", RUNS / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


def _texts(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.suffix in {".txt", ".csv", ".toml"}
    }


def test_made_again_byte_for_byte(make: ModuleType, tmp_path: Path) -> None:
    make.make(tmp_path)
    assert _texts(tmp_path) == _texts(RUNS)


def test_text_only_and_moderate() -> None:
    # Pictures for the README, made by the tool, are no part of the runs.
    others = {"__pycache__", "pictures"}
    files = [p for p in RUNS.rglob("*") if p.is_file() and not others & set(p.parts)]
    for path in files:
        path.read_text(encoding="utf-8")
    assert sum(path.stat().st_size for path in files) < 3_000_000
    assert load_format(RUNS / "gauge.toml") == shipped_format("number-unit")


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _replay(capture: Path) -> list[dict[str, object]]:
    words = ["replay", str(capture), "--format", str(RUNS / "gauge.toml"), "--json"]
    result = CliRunner().invoke(group, words)
    assert result.exit_code == 0, result.stderr
    return [json.loads(line) for line in result.stdout.splitlines()]


@pytest.mark.parametrize("folder", ["2026-blackberry", "2025-blackberry", "2026-raspberry"])
def test_each_capture_holds_the_berries_of_the_plan(make: ModuleType, folder: str) -> None:
    season = next(s for s in make.SEASONS if s.folder == folder)
    true_newton = make.true_peaks(season)
    plan = _rows(RUNS / folder / "plan.csv")
    assert [row["code"] for row in plan] == list(true_newton)
    for row in plan[::3]:
        berries = _replay(RUNS / folder / "captures" / f"{row['code']}.txt")
        assert len(berries) == int(row["berries"])
        # 40 readings a second of a press that is held: one display step, the noise, and what
        # relaxes between the top and the next reading.
        for berry, peak_newton in zip(berries, true_newton[row["code"]], strict=True):
            assert berry["peak_N"] == pytest.approx(peak_newton, rel=0.02, abs=0.03)


def test_scores_name_berries_of_the_plan() -> None:
    for folder in ("2026-blackberry", "2025-blackberry", "2026-raspberry"):
        plan = {row["code"]: int(row["berries"]) for row in _rows(RUNS / folder / "plan.csv")}
        scores = _rows(RUNS / folder / "scores.csv")
        keys = {(r["sample"], r["number"], r["rater"]) for r in scores}
        assert len(keys) == len(scores)
        assert all(1 <= int(r["number"]) <= plan[r["sample"]] for r in scores)
        berries = sum(plan.values()) * len({r["rater"] for r in scores})
        assert 0.95 * berries < len(scores) < berries


def test_faults_do_what_the_readme_says() -> None:
    switched = _replay(RUNS / "faults" / "unit-switched.txt")
    assert [b["unit"] for b in switched] == ["N", "N", "lbf", "lbf"]
    noisy = _replay(RUNS / "faults" / "line-noise.txt")
    clean = _replay(RUNS / "faults" / "cut-mid-press.txt")
    assert len(switched) == len(noisy) == len(clean) == 4
    for a, b, c in zip(switched, noisy, clean, strict=True):
        assert a["peak_N"] == pytest.approx(c["peak_N"], abs=0.06)  # 0.01 lbf is 0.044 N
        assert b["peak_N"] == pytest.approx(c["peak_N"], abs=0.05)
    over = _replay(RUNS / "faults" / "overload.txt")
    assert [("overload" in str(b["flags"])) for b in over] == [False, True, False, False]


def test_weights_are_played_at_the_site() -> None:
    chunks = list(load_capture(RUNS / "2026-blackberry" / "weights" / "2026-05-25.txt"))
    text = b"".join(c.data for c in chunks)  # type: ignore[union-attr]
    # 500 g pulls 4.8978 N at 35.5 degrees and 250 m (check against the table of forces).
    assert b"4.90 N" in text
    assert b"5.0" not in text[len(text) // 2 :]
