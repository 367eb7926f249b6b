"""A season of 0.1.0 goes on answering as it did.

tests/reference/season_0.1.0.gz was made by firmhand 0.1.0 from three samples of
sample_runs/2026-blackberry: plan, check weights, captures, finger scores, two voids, two
calibrations, anchors with squeezes and one retired, a pad, practice and clamshell counts. Never
make it anew. season_0.1.0.json holds what 0.1.0 answered (but for fits and checks, what is answered
since hands may differ in shape): it shows change, not correctness.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from gauge.season.file import give_digests, open_season
from tests.answers import SAMPLE_RUNS, call
from tests.recorded import REFERENCE, differences, load, shortened

CALLS = """
gauge readings S
gauge plan S
gauge capture S
gauge capture S 3 --out session.txt
gauge replay session.txt --format gauge.toml
calibrate fit S
calibrate fit S --each-rater
calibrate store S
calibrate store S --show july
calibrate anchors S --calibration july --as-of 2026-06-16 --valid-days 9
calibrate press S --as-of 2026-06-11
calibrate limit S --calibration logs
calibrate check S --all
calibrate agree S
calibrate table S
calibrate counts clamshells.csv --season S --calibration july
calibrate compare S S --stored1 july --stored2 logs
"""
SHEET = """sample,rater,planned,s1,s2,s3,s4,s5,leaky,decayed
B26-01,odile,20,12,6,2,0,0,0,0
B26-12,odile,20,1,3,6,7,3,2,1
"""


def older_season(path: Path) -> Path:
    """Write the season of 0.1.0 there."""
    path.write_bytes(gzip.decompress((REFERENCE / "season_0.1.0.gz").read_bytes()))
    return path


def answers(folder: Path) -> dict[str, Any]:
    """What each call prints as JSON, or its exit status, on the season S in that folder."""
    (folder / "clamshells.csv").write_text(SHEET)
    shutil.copy(SAMPLE_RUNS / "gauge.toml", folder)
    found: dict[str, Any] = {}
    with contextlib.chdir(folder):
        for line in CALLS.strip().splitlines():
            result = call(f"{line.replace(' S', ' old.season')} --json")
            lines = [json.loads(one) for one in result.out.splitlines()]
            found[line] = result.status or shortened(lines if len(lines) > 1 else lines[0])
    return found


@pytest.mark.parametrize("change", ["at = 'x'", "result = '[]'", "result = '{\"weights\": 1}'"])
def test_a_check_that_cannot_be_read_is_damage_and_no_traceback(
    tmp_path: Path, change: str
) -> None:
    season = older_season(tmp_path / "old.season")
    open_season(season).close()
    with contextlib.closing(sqlite3.connect(season)) as db:
        db.execute(f"UPDATE verifications SET {change}")
        give_digests(db)
        db.commit()
    for line in ("readings {}", "verify --season {} --chart c.png"):
        result = call(f"gauge {line.format(season)}")
        assert (result.status, "is damaged" in result.err) == (24, True), result


@pytest.mark.slow
def test_a_season_of_0_1_0_answers_as_it_did_and_is_not_changed(tmp_path: Path) -> None:
    season = older_season(tmp_path / "old.season")
    before = season.read_bytes()
    found = answers(tmp_path)
    assert list(differences(load("season_0.1.0"), found)) == []
    assert season.read_bytes() == before
