"""The lab's unit: typed once, remembered by the season, shown to people and never in JSON."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from calibrate.cli import group
from gauge.errors import UnknownUnitError
from gauge.units import Unit, newtons
from tests.seasons import make_season


def shown(*words: object) -> str:
    result = CliRunner().invoke(group, [str(word) for word in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.stdout


@pytest.fixture
def season(tmp_path: Path) -> Path:
    return make_season(tmp_path / "2026.season")


def test_a_season_remembers_the_unit_and_json_stays_in_newtons(season: Path) -> None:
    before = json.loads(shown("fit", season, "--json"))
    assert "force lbf" in shown("fit", season, "--unit", "lbF")
    again = shown("fit", season)
    cuts = [float(cut) for cut in re.findall(r"^ \d and \d +([\d.]+)", again, re.MULTILINE)]
    for cut, pounds in zip(before["cuts"], cuts, strict=True):
        # The exact pound-force: NIST SP 811, Appendix B.8.
        assert newtons(pounds, Unit.LBF) == pytest.approx(cut["force_N"], abs=0.0005 * 4.4482216)
    assert json.loads(shown("fit", season, "--json")) == before
    for words in (
        ("check", season, "--rater", "ines"), ("limit", season), ("anchors", season),
        ("table", season), ("check", season, "--all"), ("diagnose", season),
    ):  # fmt: skip
        text = shown(*words)
        assert "lbf" in text, text
        assert not re.search(r"\d N\b|\bN  ", text), text
    assert "kgf" in shown("table", season, "--unit", "kgf")
    old = CliRunner().invoke(group, ["table", str(season), "--unit", "berry"])
    assert "--replicate-unit berry" in old.stderr
    assert old.stdout == shown("table", season, "--replicate-unit", "berry")
    assert "force N" in shown("fit", season, "--unit", "N")


def test_a_csv_is_shown_in_a_unit_too_and_a_wrong_one_is_named(tmp_path: Path) -> None:
    sheet = tmp_path / "pairs.csv"
    rows = (f"{0.2 * n + 0.4},{5 - n // 5}" for n in range(24))
    sheet.write_text("force_N,score\n" + "\n".join(rows) + "\n", encoding="utf-8")
    text = shown("fit", sheet, "--penalised", "--unit", "kgf")
    assert "force kgf" in text
    with pytest.raises(UnknownUnitError, match="stone"):
        shown("fit", sheet, "--unit", "stone")
