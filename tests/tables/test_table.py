"""The table against pandas and by hand; odd cases; all outputs of the command."""

import csv
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from calibrate.cli import group
from calibrate.cuts.calibration import Calibration, as_cuts
from calibrate.data.clamshell import Clamshell
from calibrate.data.scale import BLACKBERRY, parse_scale
from calibrate.tables.pooling import pool
from calibrate.tables.report import build_report
from calibrate.tables.source import Source
from calibrate.tables.table import tabulate
from gauge.errors import (
    CannotWriteError,
    ImpossibleSheetError,
    InvalidValueError,
    NoSuchRecordError,
    WrongDirectionError,
)
from tests.tables.pools import pool_of

CUTS = {
    "n": 500, "raters": 1, "scores": [1, 2, 3, 4, 5], "force_scale": "linear", "spread": 0.15,
    "cuts": [{"between": [k + 1, k + 2], "force_N": c, "low_N": c - 0.05, "high_N": c + 0.05}
             for k, c in enumerate((2.6, 1.9, 1.3, 0.8))],
}  # fmt: skip


def frame(seed=3, selections=3, days=(0, 7, 14), clamshells=4, berries=8, scored=True):
    rng = np.random.default_rng(seed)
    rows = []
    for s in range(selections):
        for day in days:
            for c in range(clamshells):
                middle = (2.4 - 0.5 * s) * np.exp(-0.03 * day + rng.normal(0, 0.06))
                for b in range(berries):
                    f = middle * np.exp(rng.normal(0, 0.25))
                    score = 1 + sum(
                        rng.random() > 1 / (1 + np.exp((k - f) / 0.15))
                        for k in (2.6, 1.9, 1.3, 0.8)
                    )
                    rows.append((f"R-{s}", day, c + 1, b + 1, round(f, 3), score, 3 * day))
    names = ["selection", "storage_day", "clamshell", "berry", "force_N", "score", "rain_mm"]
    table = pd.DataFrame(rows, columns=names)
    return table if scored else table.drop(columns="score")


def save(tmp_path, table, name="berries.csv"):
    path = tmp_path / name
    table.to_csv(path, index=False)
    return path


def run(*args):
    return CliRunner().invoke(group, ["table", *map(str, args)])


def rows_of(*args):
    result = run(*args, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)["rows"]


def test_rows_are_pandas(tmp_path):
    table = frame()
    rows = rows_of(save(tmp_path, table), "--by", "selection", "--by", "storage_day")
    grouped = table.groupby(["selection", "storage_day"])
    clamshells = table.groupby(["selection", "storage_day", "clamshell"])["force_N"].mean()
    variances = clamshells.groupby(["selection", "storage_day"]).var()
    pooled = np.sqrt(variances.groupby("storage_day").mean())
    assert len(rows) == 9
    for row in rows:
        mine = grouped.get_group((row["selection"], row["storage_day"]))
        assert (row["n"], row["clamshells"]) == (len(mine), 4)
        assert row["mean_N"] == pytest.approx(mine["force_N"].mean())
        assert row["sd_N"] == pytest.approx(mine["force_N"].std())
        # One variance in all rows of a day; not in all days, since with force its SD falls, too.
        assert row["se_N"] == pytest.approx(pooled[row["storage_day"]] / np.sqrt(4))
        assert row["scored_units"] == 4
        shares = mine["score"].value_counts(normalize=True)
        for label, share in row["scores"].items():
            assert share == pytest.approx(shares.get(int(label), 0.0))
        assert row["mean_score"]["value"] == pytest.approx(mine["score"].mean())
        assert row["soft_pct"]["value"] == pytest.approx(100 * (mine["score"] > 3).mean())
        assert row["at_limit_pct"]["value"] == pytest.approx(100 * (mine["score"] == 3).mean())
        assert row["leaky_pct"] is None


def test_se_of_unequal_clamshells_by_hand():
    berries = pool_of([1.0, 1.0, 1.0, 3.0], selection=["R-1"] * 4, clamshell=list("1112"))
    row = tabulate(berries).rows[0]
    assert row.force.value == 2.0  # of two clamshells at 1 and 3 N
    assert row.found["force"].se == pytest.approx(1.0)  # sqrt(2) / sqrt(2)
    assert row.sd_newton == pytest.approx(1.0)  # of four berries


def test_letters_follow_the_means_that_stand_beside_them():
    """Large clamshells that pull the mean of all berries the other way do not turn the order."""
    force, selection, clamshell = [], [], []
    for name, cells in {"R-1": ((3.4, 2), (3.6, 2), (2.0, 30)), "R-2": ((2.5, 9),) * 3}.items():
        for at, (mean, n) in enumerate(cells):
            force += [mean + 0.1 * (-1) ** i for i in range(n)]
            selection += [name] * n
            clamshell += [f"{name}.{at}"] * n
    table = tabulate(pool_of(force, selection=selection, clamshell=clamshell))
    found = {row.levels["selection"]: row.force.value for row in table.rows}
    (means,) = (one.comparison for one in table.compared if one.outcome == "force")
    assert dict(zip(means.groups, means.estimates, strict=True)) == pytest.approx(found)
    assert found["R-1"] == pytest.approx(3.0)


def test_letters_and_model_are_in_the_document(tmp_path):
    result = run(save(tmp_path, frame()), "--by", "selection", "--by", "storage_day", "--json")
    document = json.loads(result.stdout)
    force = [one for one in document["comparisons"] if one["outcome"] == "force"]
    assert [one["within"]["storage_day"] for one in force] == ["0", "7", "14"]
    assert "clamshell means" in force[0]["model"]
    for one in document["comparisons"]:
        given = {g["group"]: set(g["letters"]) for g in one["groups"]}
        for pair in one["pairs"]:
            assert bool(given[pair["first"]] & given[pair["second"]]) == (not pair["differs"])
    row = document["rows"][0]
    assert row["letters"]["force"] == "a"


def test_one_clamshell_each_has_no_se_and_no_letters(tmp_path):
    rows = rows_of(save(tmp_path, frame(days=(0,), clamshells=1)))
    assert all(row["se_N"] is None and row["low_N"] is None for row in rows)
    assert all("one clamshell" in row["why"] for row in rows)
    assert all(not row["letters"].get("force") for row in rows)
    shown = run(save(tmp_path, frame(days=(0,), clamshells=1))).stdout
    assert "not compared, no more than one clamshell a group" in shown


def test_one_selection_and_one_berry(tmp_path):
    (row,) = rows_of(save(tmp_path, frame(selections=1)), "--by", "selection")
    assert row["selection"] == "R-0"
    path = tmp_path / "one.csv"
    path.write_text("selection,force_N\nR-1,1.2\n")
    (row,) = rows_of(path)
    assert (row["n"], row["mean_N"], row["sd_N"], row["se_N"]) == (1, 1.2, None, None)


def test_without_clamshells_the_berry_is_the_unit_and_it_says_so(tmp_path):
    table = frame(days=(0,)).drop(columns="clamshell")
    document = json.loads(run(save(tmp_path, table), "--json").stdout)
    assert document["unit"] == "berry"
    assert any("single berry is the unit" in note for note in document["notes"])
    variance = table.groupby("selection")["force_N"].var().mean()
    assert document["rows"][1]["se_N"] == pytest.approx(
        np.sqrt(variance / document["rows"][1]["n"])
    )


def test_no_selection_at_all(tmp_path):
    path = tmp_path / "plain.csv"
    path.write_text("force_N\n1.0\n2.0\n")
    (row,) = rows_of(path)
    assert (row["n"], row["mean_N"]) == (2, 1.5)


def test_missing_dates_are_a_row_of_their_own(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("selection,harvest_date,force_N\nR-1,2026-07-03,1\nR-1,,2\n")
    rows = rows_of(path, "--by", "harvest_date")
    assert [row["harvest_date"] for row in rows] == ["2026-07-03", None]


def test_storage_days_make_rows_and_are_no_block(tmp_path):
    path = save(tmp_path, frame())
    assert [row["storage_day"] for row in rows_of(path)[:3]] == [0, 7, 14]
    assert "--by storage_day" in run(path, "--by", "selection").stdout
    refused = run(path, "--by", "selection", "--block", "storage_day")
    assert isinstance(refused.exception, InvalidValueError)
    assert "not replicates" in str(refused.exception)


def test_unknown_level_and_clashing_options(tmp_path):
    path = save(tmp_path, frame())
    assert run(path, "--by", "colour").exit_code != 0
    with pytest.raises(NoSuchRecordError):
        tabulate(pool_of([1.0]), by=("plot",))
    assert isinstance(run(path, "--compare", "site").exception, NoSuchRecordError)
    assert isinstance(run(path, "--keep-top", "2").exception, InvalidValueError)
    assert run(path, "--cuts", "a.json", "--calibration", "b").exit_code == 2


def test_predicted_scores_follow_the_calibration(tmp_path):
    cuts = tmp_path / "cuts.json"
    cuts.write_text(json.dumps(CUTS))
    table = frame(scored=False)
    rows = rows_of(save(tmp_path, table), "--cuts", cuts, "--by", "selection")
    one = Calibration(
        scale=BLACKBERRY, force_scale="linear", spread=0.15,
        cuts=as_cuts((2.6, 1.9, 1.3, 0.8), (2.55, 1.85, 1.25, 0.75), (2.65, 1.95, 1.35, 0.85)),
    )  # fmt: skip
    for row in rows:
        force = table[table.selection == row["selection"]]["force_N"].to_numpy()
        expected = one.probabilities(force).mean(axis=0)
        assert list(row["predicted"]["scores"].values()) == pytest.approx(expected.tolist())
        soft = row["predicted"]["soft_pct"]
        assert soft["value"] == pytest.approx(100 * expected[3:].sum())
        assert soft["low"] < soft["value"] < soft["high"]
        assert row["scores"] is None


def test_storage_and_half_soft_day(tmp_path):
    cuts = tmp_path / "cuts.json"
    cuts.write_text(json.dumps(CUTS))
    path = save(tmp_path, frame(scored=False))
    found = json.loads(run(path, "--cuts", cuts, "--json").stdout)["softening"]
    first = found[0]
    assert first["loss_N_per_day"]["low"] > 0
    # Mean force 2.4 exp(0.03) falls by 3 % a day: 1.3 N is passed about day 20.
    assert first["half_soft_from"] == "force"
    assert 13 < first["half_soft_day"]["value"] < 25
    assert first["half_soft_day"]["why"] == "beyond day 14, the last day tested"
    assert first["endpoints"][0]["extrapolated"]


def test_seasons_side_by_side(tmp_path):
    paths = [save(tmp_path, frame(seed=s, days=(0,)), f"{2025 + s}.csv") for s in (0, 1)]
    document = json.loads(run(*paths, "--by", "selection", "--by", "season", "--json").stdout)
    assert document["seasons"]["seasons"] == ["2025", "2026"]
    assert document["seasons"]["hold"] <= document["seasons"]["of"] == 3
    assert {row["season"] for row in document["rows"]} == {"2025", "2026"}
    kept = json.loads(run(*paths, "--keep-above", "1.5", "--json").stdout)["seasons"]
    assert kept["rule"] == "keep at 1.5 N or more"


def test_sheets_make_a_table_too(tmp_path):
    path = tmp_path / "sheets.csv"
    path.write_text(
        "sample,selection,s1,s2,s3,s4,s5,leaky,decayed\n"
        "A,R-1,10,6,4,0,0,0,0\nB,R-1,9,8,3,0,0,1,0\nC,R-1,11,7,2,0,0,0,1\n"
        "D,R-2,1,4,5,7,3,6,4\nE,R-2,0,3,6,8,3,5,5\nF,R-2,2,3,5,8,2,7,3\n"
    )
    document = json.loads(run(path, "--json").stdout)
    first, second = document["rows"]
    assert second["soft_pct"]["value"] == pytest.approx(100 * 31 / 60)
    assert second["leaky_pct"]["value"] == pytest.approx(30)
    assert first["letters"]["soft"] != second["letters"]["soft"]
    assert {one["outcome"] for one in document["comparisons"]} == {
        "score", "soft", "leaky", "decayed",
    }  # fmt: skip


FOLLOWED = """sample,selection,storage_day,weight_start_g,weight_end_g,weight_g,s1,s2,s3,s4,s5,leaky,red,any_defect
T-1,R-114,0,,,171,10,6,4,0,0,0,0,0
T-1,R-114,4,170,168,169,8,7,4,1,0,1,2,3
T-1,R-114,8,170,164,168,4,7,6,2,1,2,4,5
T-2,R-114,0,,,171,12,6,2,0,0,0,0,0
T-2,R-114,4,170,168,169,8,7,4,1,0,0,3,3
T-2,R-114,8,170,164,168,4,7,5,3,1,2,6,6
T-3,R-114,0,,,171,12,6,2,0,0,0,0,0
T-3,R-114,4,170,168,169,8,7,4,1,0,1,3,3
T-3,R-114,8,170,160,168,4,6,6,3,1,3,6,6
"""  # noqa: E501


def test_sheets_of_followed_clamshells_with_reddened_drupelets_and_weights(tmp_path):
    path = tmp_path / "sheets.csv"
    path.write_text(FOLLOWED)
    result = CliRunner().invoke(group, ["tally", str(path)])
    assert "columns that are not used: weight_g" in result.stderr
    assert "T-3 day 8" in result.stdout
    document = json.loads(run(path, "--endpoint", "unmarketable", "--at", "20", "--json").stdout)
    last = document["rows"][2]
    assert last["red_pct"]["value"] == pytest.approx(100 * 16 / 60)
    assert last["any_defect_pct"]["value"] == pytest.approx(100 * 17 / 60)
    # Berries with any defect are told once, so the least that is marketable is known better.
    assert last["marketable_pct"]["value"] == pytest.approx(100 * (12 + 10 + 10) / 60)
    assert last["weight_loss_pct"]["value"] == pytest.approx(100 * (6 + 6 + 10) / 3 / 170)
    assert any("not used: weight_g" in note for note in document["notes"])
    half, end = document["softening"][0]["endpoints"]
    assert (half["at_pct"], half["extrapolated"]) == (50, True)
    assert (end["of"], end["at_pct"], end["extrapolated"]) == ("unmarketable", 20, False)
    assert 3 < end["day"]["value"] < 8


@pytest.mark.parametrize(
    ("was", "wrong", "cell"),
    [("8,7,4,1,0,1,2,3", "8,7,4,1,0,4,2,3", "any_defect"), ("170,160", "170,171", "weight_end_g")],
)
def test_sheets_that_cannot_be_are_refused(tmp_path, was, wrong, cell):
    path = tmp_path / "sheets.csv"
    path.write_text(FOLLOWED.replace(was, wrong))
    refused = CliRunner().invoke(group, ["tally", str(path)])
    assert isinstance(refused.exception, ImpossibleSheetError)
    assert f"column '{cell}'" in str(refused.exception)


def test_two_clamshells_without_a_leaky_berry_are_no_riddle(tmp_path):
    path = tmp_path / "sheets.csv"
    path.write_text("sample,firm,soft,leaky\nA,40,10,0\nB,42,8,0\n")
    shown = CliRunner().invoke(group, ["tally", str(path), "--json"])
    leaky = json.loads(shown.stdout)["mean"]["leaky_pct"]
    assert (leaky["value"], leaky["low"]) == (0, 0)
    # More than 3.7 %, for 100 berries drawn one by one; less than by their spread alone, 62 %.
    assert 5 < leaky["high"] < 30


def test_blocks_apply_together_and_to_every_measure(tmp_path):
    """Two selections at two sites in two years; soft shares overlap only across the blocks."""
    lines = ["sample,selection,site,plot,s1,s2,s3,s4,s5"]
    for at in range(16):
        kind, site, plot = at % 2, at // 2 % 2, at // 4 % 2
        soft = 2 + 3 * kind + 8 * site + 9 * plot + at // 8
        lines.append(f"C{at},R-{kind},s{site},p{plot},{30 - soft},10,0,{soft},0")
    path = tmp_path / "sheets.csv"
    path.write_text("\n".join(lines) + "\n")
    alone = rows_of(path)
    assert alone[0]["letters"]["soft"] == alone[1]["letters"]["soft"]
    for blocks, parted in ((("site",), False), (("site", "plot"), True)):
        rows = rows_of(path, *(word for name in blocks for word in ("--block", name)))
        for name in ("soft", "score"):
            letters = {row["letters"][name] for row in rows}
            assert (len(letters) == 2) == parted, (blocks, name)


def test_scores_hold_their_level_where_clamshells_differ():
    """No true difference; clamshells differ: letters must not part more often than they may."""
    rng = np.random.default_rng(8)
    scale, cuts, parted, runs = parse_scale("1-3"), np.array([-0.5, 0.8]), 0, 200
    for _ in range(runs):
        sheets = []
        for at in range(12):
            latent = rng.normal(0, 0.5) + rng.logistic(size=20)
            counts = np.bincount((latent[:, None] > cuts).sum(axis=1), minlength=3)
            sheets.append(
                Clamshell(
                    sample=f"C{at}", scale=scale, counts=tuple(counts.tolist()),
                    levels={"selection": f"R-{at % 3}"},
                )
            )  # fmt: skip
        source = Source(name="a.csv", force_newton=np.zeros(0), factors={}, scale=scale,
                        clamshells=tuple(sheets))  # fmt: skip
        rows = tabulate(pool([source])).rows
        parted += len({row.letters["score"] for row in rows}) > 1
    assert 0.01 < parted / runs < 0.09


@pytest.mark.slow
def test_text_picture_page_and_csv(tmp_path):
    path = save(tmp_path, frame())
    result = run(
        path, "--by", "selection", "--by", "storage_day", "--cue", "rain_mm",
        "--csv", tmp_path / "t.csv", "--plot", tmp_path / "t.png", "--pdf", tmp_path / "t.pdf",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert "not shown to differ" in result.stdout
    assert "by score the softest" in " ".join(result.stdout.split())
    assert "local grades" in result.stdout
    assert (tmp_path / "t.png").read_bytes()[:4] == b"\x89PNG"
    assert len(re.findall(rb"/Type /Page\b", (tmp_path / "t.pdf").read_bytes())) == 1
    table = pd.read_csv(tmp_path / "t.csv")
    assert len(table) == 9
    assert table["mean_N"].between(0.5, 3).all()
    assert {"soft_pct", "soft_pct_low", "letters_force"} <= set(table.columns)


def test_csv_has_no_empty_group_of_columns(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "selection,clamshell,force_N,score\n"
        "R-1,1,2.0,3\nR-1,1,2.5,2\nR-1,2,2.2,3\nR-1,2,2.7,2\n"
        "R-2,3,1.2,\nR-2,3,1.4,\nR-2,4,1.1,\nR-2,4,1.6,\n"
    )
    assert run(path, "--csv", tmp_path / "t.csv").exit_code == 0
    table = pd.read_csv(tmp_path / "t.csv")
    assert "scores" not in table.columns
    assert table["scores_3"].tolist()[0] == 0.5
    assert table["scores_3"].isna().tolist() == [False, True]


def test_csv_text_is_no_formula(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("selection,force_N\n=1+1,1\n-R,2\n")
    assert run(path, "--csv", tmp_path / "t.csv").exit_code == 0
    with (tmp_path / "t.csv").open() as file:
        assert sorted(row["selection"] for row in csv.DictReader(file)) == ["'-R", "'=1+1"]
    wrong = run(path, "--csv", tmp_path / "no" / "t.csv")
    assert isinstance(wrong.exception, CannotWriteError)
    assert isinstance(run(path, "--plot", tmp_path / "t.gif").exception, InvalidValueError)


def test_many_rows_still_make_one_page(tmp_path):
    from calibrate.plots.style import PAGE_IN
    from calibrate.plots.tablepage import draw_page

    table = frame(selections=20, days=(0, 7), clamshells=2, berries=3)
    names = ("selection", "storage_day", "clamshell")
    pooled = pool_of(table["force_N"], **{name: table[name].astype(str).tolist() for name in names})
    report = build_report(tabulate(pooled, by=("selection", "storage_day")))
    figure = draw_page(report)
    width, height = figure.get_size_inches()
    assert width <= PAGE_IN[0]
    assert height <= PAGE_IN[1]
    figure.draw_without_rendering()
    texts = figure.axes[0].texts
    assert any("Not on this page" in text.get_text() for text in texts)
    for text in texts:  # nothing is cut off, compared with what the drawing library measures
        box = text.get_window_extent()
        assert box.y0 > 0, text.get_text()
        assert box.x1 < figure.bbox.x1, text.get_text()


def test_scores_of_a_berry_by_several_raters_are_one_berry_without_a_sample(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    rows = [(b, 1 + 0.1 * b, r) for b in range(20) for r in ("ines", "marek")]
    lines = [f"{b},{f:.2f},{r},{4 - b // 7},R-114" for b, f, r in rows]
    path.write_text("\n".join(["berry,force_N,rater,score,selection", *lines]) + "\n")
    joined = pool([path])
    assert (joined.n, joined.rank.size) == (20, 40)
    assert joined.force_newton[joined.score_at].tolist() == [round(f, 2) for _, f, _ in rows]


def test_a_reversed_scale_is_refused_as_in_fit(tmp_path: Path) -> None:
    path = tmp_path / "reversed.csv"
    lines = [f"{b},{1 + 0.1 * b:.2f},{2 + b // 7}" for b in range(20)]
    path.write_text("\n".join(["berry,force_N,score", *lines]) + "\n")
    with pytest.raises(WrongDirectionError, match="--scores 5,4,3,2,1"):
        pool([path])
    assert pool([path], scale=parse_scale("5,4,3,2,1")).n == 20
