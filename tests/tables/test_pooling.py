"""Sources read together: levels, berries in two sources, contradictions, season files and CSVs."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from calibrate.cli import group
from calibrate.data.scale import BLACKBERRY, RASPBERRY
from calibrate.tables.pooling import pool
from calibrate.tables.source import read_source
from gauge.errors import (
    BadTableError,
    CannotCompareError,
    ContradictionError,
    ImpossibleSheetError,
    UnknownUnitError,
)
from gauge.records import FingerScore, Press, Sample, Session
from gauge.season.file import open_season
from gauge.season.rows import ClamshellRow
from gauge.units import Unit

HEAD = "season,site,sample,berry,selection,force_N,score,rater\n"


def write(tmp_path, name, text):
    path = tmp_path / name
    path.write_text(text)
    return path


def press(force, start):
    return Press(
        t_start_s=start, t_peak_s=start + 1, t_end_s=start + 2, peak_shown=f"{force:.3f}",
        peak_unit=Unit.N, peak_newton=force, baseline_newton=0.0, noise_newton=0.01,
        n_readings=20, n_ramp=10, rate_hz=10.0, loading_rate_newton_s=2.0, sampling_loss_newton=0.1,
    )  # fmt: skip


def make_season(path, code="2026", forces=((1.2, 1.4), (2.2, 2.4)), site="Tallow Ridge"):
    """Two clamshells of two selections, scored by one rater, one sheet stored."""
    with open_season(path, create=True, code=code, scale_json=BLACKBERRY.to_json()) as season:
        session = season.add_session(Session(started_at="2026-07-03T08:00:00Z"))
        for i, (sample, values) in enumerate(zip(("T-1", "T-2"), forces, strict=True)):
            sample_id = season.add_sample(
                Sample(code=sample, selection=f"R-{114 + 6 * i}", harvest_date="2026-07-03",
                       storage_day=7.0, site=site, cues={"rain_mm": str(5 * i)})
            )  # fmt: skip
            for j, force in enumerate(values):
                season.acknowledge_berry(
                    session,
                    sample_id,
                    None,
                    press(force, 10.0 * i + 4.0 * j),
                    scores=[FingerScore(rater="ines", score=str(3 - i))],
                )
        season.add_clamshell_counts(
            [ClamshellRow(sample="T-1", rater="ines", at="2026-07-10T08:00:00Z",
                          sheet={"counts": {"1": 1, "2": 0, "3": 0, "4": 1, "5": 0}, "leaky": 1})]
        )  # fmt: skip
    return path


def test_a_rater_can_be_left_out(tmp_path):
    season = make_season(tmp_path / "a.season")
    rest = write(tmp_path, "b.csv", HEAD + "2027,x,T-9,1,R-1,1.5,3,marek\n")
    assert pool([season, rest]).rank.size == 5
    left = pool([season, rest], without_raters=["INES"])
    assert (left.n, left.rank.size, left.clamshells) == (5, 1, ())


def labels(pooled, name):
    return [pooled.factors[name].text(row) for row in range(pooled.n)]


def test_a_season_file_brings_its_levels_scores_sheets_and_cues(tmp_path):
    pooled = pool([make_season(tmp_path / "a.season")], cues=["rain_mm"])
    assert pooled.force_newton.tolist() == [1.2, 1.4, 2.2, 2.4]
    assert labels(pooled, "selection") == ["R-114", "R-114", "R-120", "R-120"]
    assert labels(pooled, "storage_day") == ["7"] * 4
    assert labels(pooled, "season") == ["2026"] * 4
    assert labels(pooled, "rain_mm") == ["0", "0", "5", "5"]
    assert pooled.rank.tolist() == [2, 2, 1, 1]
    assert pooled.clamshells[0].counts == (1, 0, 0, 1, 0)
    assert pooled.clamshells[0].levels["selection"] == "R-114"


def test_void_berries_are_left_out(tmp_path):
    path = make_season(tmp_path / "a.season")
    with open_season(path) as season:
        season.void(2, "dropped")
    pooled = pool([path])
    assert pooled.force_newton.tolist() == [1.2, 2.2, 2.4]
    assert pooled.rank.tolist() == [2, 1, 1]


def test_the_same_berries_in_two_sources_are_counted_once(tmp_path):
    season = make_season(tmp_path / "a.season")
    rows = "2026,Tallow Ridge,T-1,1,R-114,1.2,3,ines\n2026,Tallow Ridge,T-3,1,R-131,3.0,1,ines\n"
    pooled = pool([season, write(tmp_path, "b.csv", HEAD + rows)])
    assert pooled.n == 5
    assert pooled.repeated == 1
    assert pooled.rank.tolist() == [2, 2, 1, 1, 0]


def test_another_force_for_the_same_berry_is_a_contradiction(tmp_path):
    season = make_season(tmp_path / "a.season")
    other = write(tmp_path, "b.csv", HEAD + "2026,Tallow Ridge,T-2,1,R-120,2.9,2,ines\n")
    with pytest.raises(ContradictionError) as caught:
        pool([season, other])
    assert "sample T-2, berry 1" in str(caught.value)
    assert "2.2 N" in str(caught.value)
    assert "2.9 N" in str(caught.value)
    assert "--allow-contradictions" in str(caught.value)
    kept = pool([season, other], allow_contradictions=True)
    assert kept.force_newton.tolist() == [1.2, 1.4, 2.2, 2.4]
    assert len(kept.contradictions) == 1
    result = CliRunner().invoke(
        group, ["table", str(season), str(other), "--allow-contradictions", "--json"]
    )
    assert "2.9 N" in json.loads(result.stdout)["contradictions"][0]
    refused = CliRunner().invoke(group, ["table", str(season), str(other), "--json"])
    assert refused.exit_code != 0
    assert refused.stdout == ""


def test_another_selection_for_the_same_sample_is_a_contradiction(tmp_path):
    first = write(tmp_path, "a.csv", HEAD + "2026,,T-1,1,R-114,1.2,3,ines\n")
    second = write(tmp_path, "b.csv", HEAD + "2026,,T-1,2,R-120,1.3,3,ines\n")
    with pytest.raises(ContradictionError, match="sample T-1, selection"):
        pool([first, second])


def test_another_sheet_of_the_same_clamshell_is_a_contradiction(tmp_path):
    head = "season,sample,firm,soft\n"
    first = write(tmp_path, "a.csv", head + "2026,T-1,18,2\n")
    second = write(tmp_path, "b.csv", head + "2026,T-1,17,3\n")
    with pytest.raises(ContradictionError, match="sheet of sample T-1"):
        pool([first, second])
    assert pool([first, first]).repeated == 1


def test_another_score_by_the_same_rater_is_a_contradiction(tmp_path):
    season = make_season(tmp_path / "a.season")
    other = write(tmp_path, "b.csv", HEAD + "2026,Tallow Ridge,T-2,1,R-120,2.2,4,ines\n")
    with pytest.raises(ContradictionError, match=r"berry 1, score: .* says 2, .* says 4"):
        pool([season, other])
    assert pool([season, other], allow_contradictions=True).rank.tolist() == [2, 2, 1, 1]
    marek = write(tmp_path, "c.csv", HEAD + "2026,Tallow Ridge,T-2,1,R-120,2.2,4,marek\n")
    assert pool([season, marek]).rank.tolist() == [2, 2, 1, 1, 3]


@pytest.mark.parametrize("where", ["season", "site"])
def test_the_same_code_in_another_season_or_at_another_site_is_another_berry(tmp_path, where):
    levels = ["2026,north", "2025,north" if where == "season" else "2026,south"]
    paths = [
        write(tmp_path, f"{i}.csv", HEAD + f"{of},T-1,1,R-114,{1 + i},3,ines\n")
        for i, of in enumerate(levels)
    ]
    assert pool(paths).force_newton.tolist() == [1, 2]


def test_without_a_season_the_file_name_is_the_season_but_no_excuse(tmp_path):
    head = "sample,berry,force_N\n"
    first, second = (write(tmp_path, n, head + "T-1,1,1.2\n") for n in ("2025.csv", "2026.csv"))
    assert labels(pool([first]), "season") == ["2025"]
    assert pool([first, second]).repeated == 1
    third = write(tmp_path, "x.csv", head + "T-1,1,1.3\n")
    with pytest.raises(ContradictionError, match="season"):
        pool([first, third])


def test_berries_scored_by_several_raters_are_one_berry(tmp_path):
    rows = "2026,,T-1,1,R-114,1.2,3,ines\n2026,,T-1,1,R-114,1.2,4,marek\n"
    path = write(tmp_path, "a.csv", HEAD + rows)
    pooled = pool([path])
    assert pooled.n == 1
    assert pooled.score_at.tolist() == [0, 0]
    assert sorted(pooled.rank.tolist()) == [2, 3]
    assert pool([path], rater="marek").rank.tolist() == [3]


def test_counts_stand_for_rows_and_units_are_exact(tmp_path):
    path = write(tmp_path, "a.csv", "selection,force,unit,count\nR-1,1,lbf,3\nR-2,100,gf,0\n")
    pooled = pool([path])
    assert pooled.force_newton.tolist() == [4.4482216152605] * 3


def test_decimal_commas_are_read(tmp_path):
    path = write(tmp_path, "a.csv", "selection;force_N\nR-1;1,25\n")
    assert pool([path]).force_newton.tolist() == [1.25]


@pytest.mark.parametrize(
    ("text", "error", "words"),
    [
        ("selection,force_N\nR-1,abc\n", BadTableError, "row 2, column 'force_N'"),
        ("selection,force_N\nR-1,1\nR-1,-2\n", BadTableError, "row 3, column 'force_N'"),
        ("selection,force_N\nR-1,\n", BadTableError, "empty"),
        ("selection,force\nR-1,1\n", BadTableError, "no unit"),
        ("selection,force,unit\nR-1,1,stone\n", (BadTableError, UnknownUnitError), "stone"),
        ("selection,weight\nR-1,1\n", BadTableError, "neither force_N nor score"),
        ("selection,force_N,score\nR-1,1,9\n", BadTableError, "--scores"),
        ("", BadTableError, "empty"),
        ("sample,firm,soft,leaky\nT,1,1,3\n", ImpossibleSheetError, "leaky"),
    ],
)
def test_bad_sources_are_named(tmp_path, text, error, words):
    with pytest.raises(error, match=words):
        read_source(write(tmp_path, "a.csv", text))


def test_different_scales_are_not_mixed(tmp_path):
    first = write(tmp_path, "a.csv", "selection,score\nR-1,firm\n")
    second = write(tmp_path, "b.csv", "selection,score\nR-1,3\n")
    assert pool([first]).scale == RASPBERRY
    with pytest.raises(CannotCompareError):
        pool([first, second])


def test_pooling_in_pieces_is_pooling_in_one(tmp_path):
    """A hundred files and one file with the same rows give the same table."""
    rng = np.random.default_rng(7)
    rows = [
        f"2026,s{i % 3},C{i // 4},{i % 4},R-{(i // 4) % 5},{rng.uniform(0.5, 4):.3f},"
        f"{rng.integers(1, 6)},ines"
        for i in range(2000)
    ]
    whole = write(tmp_path, "whole.csv", HEAD + "\n".join(rows) + "\n")
    parts = [
        write(tmp_path, f"{i:03}.csv", HEAD + "\n".join(rows[20 * i : 20 * i + 20]) + "\n")
        for i in range(100)
    ]
    runs = [
        json.loads(CliRunner().invoke(group, ["table", *map(str, p), "--json"]).stdout)
        for p in ([whole], parts)
    ]
    assert runs[0]["rows"] == runs[1]["rows"]
    assert runs[0]["comparisons"] == runs[1]["comparisons"]
    assert len(runs[1]["sources"]) == 100
