"""The manager's and rater's commands on season files, as they are typed."""

import itertools
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from calibrate.cli import group
from calibrate.cuts.acceptance import plan_of
from gauge.cli import group as gauge_group
from gauge.errors import InvalidValueError, NoSuchRaterError, NoSuchRecordError
from gauge.records import FingerScore, Flag
from gauge.season.file import open_season
from tests.seasons import make_season, press


def run(*words: object, text: str | None = None) -> Result:
    return CliRunner().invoke(group, [str(word) for word in words], input=text)


def answer(*words: object) -> dict:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_season(tmp_path_factory.mktemp("season") / "2026.firm", pads={"A": 3.0, "B": 1.5})


@pytest.fixture
def own(tmp_path: Path, season: Path) -> Path:
    """A copy that a test may write to: one file, nothing beside it."""
    copy = tmp_path / "own.firm"
    copy.write_bytes(season.read_bytes())
    return copy


def test_agree_reads_season_and_csv_alike(season: Path, tmp_path: Path) -> None:
    found = answer("agree", season)
    with open_season(season, read_only=True) as file:
        lines = [
            f"{b.berry_id},{s.rater},{s.score}" for b in file.berries() for s in b.scores
        ]  # fmt: skip
    sheet = tmp_path / "long.csv"
    sheet.write_text("berry,rater,score\n" + "\n".join(lines) + "\n")
    again = answer("agree", sheet, "--scores", "1-5")
    assert found["weighted_kappa"] == pytest.approx(again["weighted_kappa"])
    assert found["raters"] == ["ines", "marek", "odile"]
    assert set(found["krippendorff_alpha"]) == {"nominal", "ordinal", "interval"}
    assert 0.7 < found["gwet_ac2"] <= 1
    few, every = (run("agree", season, *more).output for more in ((), ("--all",)))
    assert all(name in few for name in ("weighted kappa", "AC2", "ordinal", "intraclass"))
    assert not any(name in few for name in ("Fleiss", "AC1", "nominal"))
    assert every.count("\n") == few.count("\n") + 5


def test_agree_names_the_cell_of_a_double_score(tmp_path: Path) -> None:
    sheet = tmp_path / "long.csv"
    sheet.write_text("berry,rater,score\n1,a,2\n1,a,3\n1,b,2\n")
    result = run("agree", sheet)
    assert result.exit_code != 0
    assert "row 3" in str(result.exception)


def test_diagnose_finds_a_lot_that_is_scored_otherwise(tmp_path: Path) -> None:
    lines = ["berry,rater,score,force_N,lot"]
    with open_season(make_season(tmp_path / "s.firm"), read_only=True) as file:
        for b in file.berries():
            late = b.number % 2
            for s in b.scores:
                force = b.peak_newton + (0.8 if late else 0)
                lines.append(f"{b.berry_id},{s.rater},{s.score},{force},{'AB'[late]}")
    sheet = tmp_path / "pairs.csv"
    sheet.write_text("\n".join(lines) + "\n")
    found = answer("diagnose", sheet)
    lot = next(c for c in found["columns"] if c["column"] == "lot")
    assert lot["p_value"] < 0.001
    assert lot["largest_N"] == pytest.approx(0.8, abs=0.25)
    assert any("differ by lot" in text for text in found["warnings"])
    assert "differ by lot" in run("diagnose", sheet).output


def test_limit_agrees_with_the_fits_own_probability(season: Path, tmp_path: Path) -> None:
    picture = tmp_path / "limit.png"
    found = answer("limit", season, "--plot", picture, "--ship-cost", "5")
    assert picture.stat().st_size > 10_000
    assert found["low_N"] < found["force_N"] < found["high_N"]
    thresholds = [t["threshold_N"] for t in found["thresholds"]]
    assert thresholds == sorted(thresholds)
    assert 0.5 < found["share_any_hand"] < 0.95
    assert "by the panel's middle hand" in run("limit", season).output


@pytest.mark.slow
def test_sample_size_from_a_season_and_from_a_guess(season: Path) -> None:
    few = ("--fits", "20")
    found = answer("samplesize", season, "--half-width", "1", "--raters", "6", *few)
    assert (found["raters"], found["assurance"]) == (6, 0.8)
    assert found["berries_so_far"] == 90
    assert 0.02 < found["hand_sd"] < 0.2
    assert found["reached"] >= 0.8
    # Hands that differ leave the panel's centre open, however many berries are scored.
    failed = run("samplesize", season, "--half-width", "0.05", *few)
    assert "Plan more raters" in str(failed.exception)
    guessed = ("--cuts", "4.5,3.2,2.1,1.2", "--spread", "0.35", "--forces", "0.5,5.5")
    guess = answer("samplesize", *guessed, "--half-width", "0.5", *few)
    assert [cut["between"] for cut in guess["cuts"]] == [[1, 2], [2, 3], [3, 4], [4, 5]]
    assert run("samplesize").exit_code == 2
    before = run("plan", *guessed, "--half-width", "0.5", *few)
    assert before.exit_code == 0
    assert "is now called" in before.stderr


def test_a_stored_calibration_is_kept_listed_shown_and_never_overwritten(own: Path) -> None:
    made = answer("adopt", own, "july", "--yes")
    assert made["cuts"] == answer("fit", own)["cuts"]
    again = run("adopt", own, "july", "--force-scale", "log")
    assert again.exit_code != 0
    assert "already" in str(again.exception)
    assert answer("adopt", own, "july", "--yes")["fingerprint"] == made["fingerprint"]
    assert [(entry["name"], entry["adopted"]) for entry in answer("adopt", own)] == [("july", True)]
    assert answer("adopt", own, "--show", "july")["fingerprint"] == made["fingerprint"]
    assert "july" in run("adopt", own).output
    assert "fingerprint" in run("adopt", own, "--show", "july").output
    assert run("adopt", own, "--show", "august").exit_code != 0


def test_anchors_bands_card_and_set(season: Path, tmp_path: Path) -> None:
    card = tmp_path / "card.pdf"
    found = answer("anchors", season, "--card", card)
    assert card.read_bytes().startswith(b"%PDF")
    bands = found["bands"]
    assert [band["score"] for band in bands] == [1, 2, 3, 4, 5]
    assert bands[0]["high_N"] is None
    for firm, soft in itertools.pairwise(bands):
        assert firm["low_N"] == pytest.approx(soft["high_N"])
    for anchor in found["anchors"]:
        assert 0 < anchor["probability"] <= 1
    assert "Bands" in run("anchors", season).output


def test_no_void_or_flagged_berry_becomes_an_anchor(own: Path) -> None:
    first = answer("anchors", own)["anchors"][0]["berry"]
    with open_season(own) as file:
        berry = next(b for b in file.berries() if f"{b.sample}-{b.number}" == first)
        file.void(berry.berry_id, "dropped")
    assert first not in [anchor["berry"] for anchor in answer("anchors", own)["anchors"]]


def test_flagged_berries_are_counted_and_can_be_left_out(own: Path, tmp_path: Path) -> None:
    """Fit, anchors and table count them alike, of a season and of its export."""
    export = tmp_path / "berries.csv"
    with open_season(own) as file:
        session, sample = file.sessions()[0].session_id, file.sample("C01").sample_id
        for at, flag in enumerate((Flag.OVERLOAD, Flag.OVERLOAD, Flag.LONE_READING)):
            flagged = replace(press(3.0, 5000.0 + 9 * at), flags=(flag,))
            marks = [FingerScore(rater="ines", score="3"), FingerScore(rater="odile", score="3")]
            file.acknowledge_berry(session, sample, None, flagged, scores=marks)
    CliRunner().invoke(gauge_group, ["readings", str(own), "--csv", str(export), "--long"])

    def counted(*words: object, n_flagged: int) -> dict:
        result = run(*words, "--json")
        assert result.exit_code == 0, result.stderr
        assert ("flagged and used" in result.output) == (n_flagged > 0)
        found: dict = json.loads(result.stdout)
        assert found["flagged"] == n_flagged
        return found

    overload, both = (("--without-flag", "overload"), ("--without-flag", "lone reading"))
    whole, fewer = counted("fit", own, n_flagged=3), counted("fit", own, *overload, n_flagged=1)
    assert whole["n"] - fewer["n"] == 4
    counted("anchors", own, n_flagged=3)
    for source in (own, export):
        berries = [
            counted("table", source, *words, n_flagged=n)["berries"]
            for words, n in (((), 3), (overload, 1), ((*overload, *both), 0))
        ]
        assert [n - berries[0] for n in berries] == [0, -2, -3]


def test_an_anchor_lives_tires_and_is_replaced(own: Path) -> None:
    run("adopt", own, "july", "--yes")
    kept = answer("anchors", own, "--calibration", "july", "--keep", "--press-limit", "2")
    label = next(row["berry"] for row in kept["anchors"] if row["kind"] == "berry")
    assert answer("squeeze", own, label, "--by", "ines")["retired"] is None
    tired = answer("squeeze", own, label)
    assert "squeezed 2 times" in tired["retired"]
    assert run("squeeze", own, label).exit_code != 0
    other = [row for row in kept["anchors"] if row["kind"] == "berry"][3]
    fallen = answer("squeeze", own, other["berry"], "--force", 0.8 * other["force_N"])
    assert "fell" in fallen["retired"]
    assert fallen["replacement"]
    states = {entry["anchor"]: entry["retired"] for entry in answer("squeeze", own)}
    assert states[label]
    assert run("squeeze", own).exit_code == 0
    again = answer("anchors", own, "--keep")  # a new set on the same calibration
    assert all(row["kind"] in {"pad", "berry"} for row in again["anchors"])
    assert not {label, other["berry"]} & {anchor["berry"] for anchor in again["anchors"]}
    states = {entry["anchor"]: entry["retired"] for entry in answer("squeeze", own)}
    good = {anchor for anchor, retired in states.items() if retired is None}
    assert good == {anchor["berry"] for anchor in again["anchors"]}


def test_a_squeeze_is_one_that_can_be_and_can_be_taken_back(own: Path) -> None:
    """A force that no berry has and a stranger are refused; a lost decimal point costs nothing."""
    run("adopt", own, "july", "--yes")
    kept = answer("anchors", own, "--calibration", "july", "--keep")
    row = next(row for row in kept["anchors"] if row["kind"] == "berry")
    label, newton = row["berry"], row["force_N"]

    def state() -> tuple[float, int, str | None]:
        rows = {one["anchor"]: one for one in answer("squeeze", own)}
        return rows[label]["force_N"], rows[label]["presses"], rows[label]["retired"]

    for words in (("--force", 10 * newton), ("--force", 147), ("--by", "inse"), ("--undo",)):
        refused = run("squeeze", own, label, *words)
        assert refused.exit_code != 0
        assert state() == (newton, 0, None)
    refused = run("squeeze", own, label, "--force", 10 * newton)
    assert "squeezes only soften it" in str(refused.exception)
    comma = f"{0.95 * newton:.3f}".replace(".", ",")
    assert answer("squeeze", own, label, "--force", comma, "--by", "INES")["retired"] is None
    assert state() == (pytest.approx(0.95 * newton, abs=1e-3), 1, None)
    assert answer("squeeze", own, label, "--force", newton / 10)["retired"].startswith("it fell")
    undo = ("--undo", "--why", "lost a decimal point")
    assert answer("squeeze", own, label, *undo)["retired"] is None
    assert state() == (pytest.approx(0.95 * newton, abs=1e-3), 1, None)
    with open_season(own, read_only=True) as file:
        assert [one.table for one in file.trail()][-2:] == ["anchor_presses", "anchors"]
    assert "so that it had 0 of 5;" in run("squeeze", own, label, *undo).stdout
    assert run("squeeze", own, label, *undo).exit_code != 0


@pytest.fixture
def dated(tmp_path: Path) -> Path:
    """A season of two harvests, tested on 1 and on 8 July, that came in later; two pads."""
    made = make_season(tmp_path / "dated.firm", pads={"A": 4.0, "B": 1.4})
    with open_season(made) as season:
        for code, picked, days in (
            ("C01", "2026-07-01", 0.0), ("C02", "2026-07-01", 7.0), ("C03", "2026-07-08", 0.0)
        ):  # fmt: skip
            changes = {"harvest_date": picked, "storage_day": days}
            season.correct_sample(code, changes, "from the plan")
    run("adopt", made, "july", "--yes")
    return made


def test_age_counts_from_the_press_and_what_is_too_old_is_no_anchor(
    dated: Path, tmp_path: Path
) -> None:
    def kinds(*words: object) -> dict[str, set[str]]:
        found: dict[str, set[str]] = {}
        for row in answer("anchors", dated, *words)["anchors"]:
            found.setdefault(row["kind"], set()).add(row["berry"].partition("-")[0])
        return found

    assert kinds("--as-of", "2026-07-02")["berry"] == {"C01"}
    assert kinds("--as-of", "2026-07-10")["berry"] == {"C02", "C03"}
    assert kinds("--as-of", "2026-07-14") == {"pad": {"A", "B"}}
    result = run("anchors", dated, "--as-of", "2026-07-14")
    assert "not pressed in the 3 days to 2026-07-14" in result.stderr
    assert "longer ago (the last on 2026-07-08)" in result.stderr
    early = run("anchors", dated, "--as-of", "2026-07-02").stderr
    assert "only after it (the first on 2026-07-08)" in early
    assert "calibrate tray" in result.stderr
    none = tmp_path / "none.csv"
    none.write_text("label,force_N,pressed_on\nK-1,2.6,2026-07-08\nK-2,1.4,2026-07-09\n")
    words = ("anchors", dated, "--candidates", none, "--as-of", "2026-07-14")
    assert answer(*words)["anchors"] == []
    assert len(answer(*words)["bands"]) == 5
    refused = run(*words, "--card", tmp_path / "card.pdf")
    assert refused.exit_code != 0
    assert "2 of 2 candidates" in str(refused.exception)
    none.write_text("label,force_N\nK-1,2.6\nK-2,1.4\n")
    undated = run("anchors", dated, "--candidates", none)
    assert "When 2 candidates were pressed is not known" in undated.stderr
    pulled = answer("tray", dated, "--as-of", "2026-07-10", "--want", "1")["pull"]
    assert set(pulled) == {"L1", "L2"}
    kept = answer("anchors", dated, "--as-of", "2026-07-10", "--keep")["anchors"]
    label = next(row["berry"] for row in kept if row["kind"] == "berry")
    for day, word in (("2026-07-11", None), ("2026-07-12", "pressed 4 days ago")):
        rows = {row["anchor"]: row for row in answer("squeeze", dated, "--as-of", day)}
        assert (rows[label]["retired"] or "").startswith(f"it was {word}" if word else "")
        assert rows["A"]["retired"] is None
    day = ("--as-of", "2026-07-10")
    assert answer("squeeze", dated, label, "--force", 0.5, *day)["retired"].startswith("it fell")
    assert answer("squeeze", dated, label, "--undo", "--why", "typo")["retired"] is None
    answer(
        "squeeze", dated, label, "--force", 0.95 * rows[label]["force_N"], "--as-of", "2026-07-10"
    )
    again = answer("anchors", dated, "--as-of", "2026-07-10", "--per-score", "9")["anchors"]
    force = {row["berry"]: row["force_N"] for row in again}
    assert force[label] == pytest.approx(0.95 * rows[label]["force_N"])


@pytest.mark.parametrize("dates", [",2026-07-01,2", ""])
def test_a_sheet_without_dates_makes_berries_of_unknown_age(tmp_path: Path, dates: str) -> None:
    """The day of storing says nothing of the press; harvest date and storage day tell it."""
    season, sheet = tmp_path / "sheet.season", tmp_path / "sheet.csv"
    rng = np.random.default_rng(4)
    newton = rng.uniform(0.6, 6.0, 150)
    score = 1 + (newton + rng.logistic(0, 0.2, 150) < np.array([[4.4], [3.1], [2.1], [1.2]])).sum(0)
    rows = [f"A,{f:.3f},ines,{s}{dates}\n" for f, s in zip(newton, score, strict=True)]
    head = "sample,force_N,rater,score" + (",harvest_date,storage_day" if dates else "")
    sheet.write_text("\n".join([head, "".join(rows)]))
    told = CliRunner().invoke(gauge_group, ["import", str(season), str(sheet)])
    assert ("150 berries without a date of pressing" in told.output) == (not dates)
    run("adopt", season, "july", "--yes")
    card = tmp_path / "card.svg"
    words = ("anchors", season, "--as-of", "2026-07-04", "--per-score", "1")
    ages = {row["age_days"] for row in answer(*words, "--card", card)["anchors"]}
    assert ages == ({1} if dates else {None})
    text = answer("methods", season)["text"]
    assert ("day of pressing 2026-07-03" in text) == bool(dates)
    assert ("day of pressing" in answer("methods", season)["not_recorded"]) == (not dates)
    kept = run(*words, "--keep")
    assert (kept.exit_code == 0) == bool(dates)
    assert bool(answer("squeeze", season)) == bool(dates)
    run("report", season, "--out", tmp_path / "page.html")
    page = " ".join((tmp_path / "page.html").read_text().split())
    assert ("were pressed on 2026-07-03" if dates else "on which day is not known") in page


def test_an_anchor_of_a_fresh_lot_is_pressed_after_its_squeeze(tmp_path: Path) -> None:
    season = tmp_path / "lots.firm"
    lots = {"firm": 5.6, "middle": 2.65, "soft": 0.6}
    make_season(season)
    sheet = tmp_path / "lots.csv"
    sheet.write_text(
        "lot,mean_N,sd_N,available\n" + "".join(f"{n},{f},{0.1 * f},30\n" for n, f in lots.items())
    )
    run("adopt", season, "july", "--yes")
    kept = answer("anchors", season, "--candidates", sheet, "--per-score", "1", "--keep")["anchors"]
    assert [(row["berry"], row["kind"], row["boundary"]) for row in kept] == [
        (name, "lot", None) for name in lots
    ]
    typed = "3\n2.71\n3\n2.5\nq\n"
    found = run("practice", season, "--rater", "ines", "--seed", "1", text=typed)
    assert "press that berry of" in found.stderr
    with open_season(season, read_only=True) as file:
        assert [row.force_newton for row in file.practice()] == [2.71, 2.5]


def test_a_press_of_a_pad_that_was_typed_wrong_is_taken_back(own: Path) -> None:
    before = answer("pads", own)
    answer("pads", own, "A", "--force", "3.3", "--force", "3.4")
    for refused in (("--undo",), ("--undo", "--why", "x", "--force", "3")):
        assert run("pads", own, "A", *refused).exit_code == 2
    found = answer("pads", own, "A", "--undo", "--why", "of another pad")
    assert (found["pad"], found["force_N"]) == ("A", 3.4)
    said = run("pads", own, "A", "--undo", "--why", "of another pad").stderr
    assert said == f"pad A: 3.30 N is taken back; presses left: {found['presses'] - 1}\n"
    assert answer("pads", own) == before
    with open_season(own, read_only=True) as season:
        assert season.differences() == []
        assert [(row.kind, row.why) for row in season.trail()][-1] == ("undo", "of another pad")
    refused = run("pads", own, "D", "--undo", "--why", "x").exception
    assert isinstance(refused, NoSuchRecordError)
    assert "holds no press of pad D. It holds A, B." in str(refused)


def test_pads_show_how_the_gauge_repeats(own: Path) -> None:
    """Pooled standard deviation within pads and days, as a one-way analysis of variance has it."""
    assert run("pads", own, "A").exit_code == 2
    old = run("press", own, "A", "--pad", "--force", "0.68", "--unit", "lbf", "--json")
    assert json.loads(old.stdout)["force_N"] > 3
    assert "calibrate pads" in old.stderr
    words = ("--batch", "7", "--made", "2026-03-01", "--temp-c", "21", "--as-of", "2026-07-02")
    answer("pads", own, "B", "--force", "1.50", "--force", "1.56", "--force", "1.53", *words)
    answer("pads", own, "B", "--force", "1.40", "--force", "1.42", "--as-of", "2026-07-03")
    found = answer("pads", own)
    pad = found["pads"][1]
    assert (pad["batch"], pad["made_on"], pad["presses"]) == ("7", "2026-03-01", 5)
    assert pad["force_N"] == pytest.approx(1.41)
    within = (2 * np.var([1.50, 1.56, 1.53], ddof=1) + np.var([1.40, 1.42], ddof=1)) / 3
    assert found["repeatability"]["sd_N"] == pytest.approx(within**0.5)
    assert found["repeatability"]["df"] == 3
    assert "--gauge-sd 0.0" in run("pads", own).output
    early = run("pads", own, "B", "--force", "1.5", "--as-of", "2126-07-03")
    assert "still to come" in str(early.exception)
    assert "still to come" in run("pads", own, "B", "--force", "1.5", "--made", "2126-07-03").stderr
    # A lost decimal point, a typo below, another unit: all presses of a call, or none.
    for typed in ("15", "1.5"), ("1.5", "0.7"), ("0.34", "0.35"):
        refused = run("pads", own, "B", *(word for one in typed for word in ("--force", one)))
        assert "pad B cannot have" in str(refused.exception)
    refused = run("pads", own, "C", "--force", "2.5", "--force", "2.4", "--force", "25")
    assert "25.00 N is a force that pad C cannot have" in str(refused.exception)
    answer("pads", own, "B", "--force", "0.34", "--unit", "lbf", "--as-of", "2026-07-04")
    assert answer("pads", own)["pads"][1]["presses"] == 6
    answer("pads", own, "B", "--force", "15", "--batch", "8")  # another batch is another pad


def test_a_press_is_of_a_pad_that_is_meant(own: Path) -> None:
    """A pad left out, a pad without a name, a berry, and a pad whose name has another case."""
    before = answer("pads", own)
    for words in (("--force", "3.3"), ("--undo", "--why", "x")):
        refused = run("pads", own, *words)
        assert refused.exit_code == 2
        assert "Name the pad" in refused.stderr
    with open_season(own, read_only=True) as season:
        berry = season.berries()[0]
    for name, what in (("", "needs a name"), (" ", "needs a name"),
                       (f"{berry.sample}-{berry.number}", "is a berry of")):  # fmt: skip
        assert what in str(run("pads", own, name, "--force", "3.3").exception)
    assert answer("pads", own) == before
    assert answer("pads", own, " a", "--force", "3.0")["pad"] == "A"
    assert [pad["name"] for pad in answer("pads", own)["pads"]] == ["A", "B"]


def test_a_force_is_typed_in_the_unit_that_the_season_shows(own: Path) -> None:
    """The factor of the pound-force: NIST SP 811, Appendix B.8."""
    run("adopt", own, "july", "--yes")
    row = next(r for r in answer("anchors", own, "--keep")["anchors"] if r["kind"] == "berry")
    run("fit", own, "--unit", "lbf")
    assert run("pads", own, "P", "--force", "0.68").stderr == "pad P: 0.680 lbf kept\n"
    assert answer("pads", own, "Q", "--force", "0.68")["force_N"] == pytest.approx(3.024791)
    assert answer("pads", own, "R", "--force", "3.02", "--unit", "N")["force_N"] == 3.02
    shown = f"{row['force_N'] / 4.4482216:.3f}"
    squeezed = run("squeeze", own, row["berry"], "--force", shown)
    assert f"squeeze 1 of 5, {shown} lbf, still good" in squeezed.stdout
    for typed in ("100", "-0.68"):
        assert f"{typed} lbf is" in str(run("pads", own, "P", "--force", typed).exception)


def test_an_anchor_is_found_whatever_the_case_of_its_label(own: Path) -> None:
    run("adopt", own, "july", "--yes")
    label = answer("anchors", own, "--keep")["anchors"][0]["berry"]
    found = run("squeeze", own, f" {label.lower()}", "--by", "ines")
    assert f"{label}: squeeze 1 of 5" in found.stdout


def test_a_press_far_from_the_usual_of_its_pad_is_shown(own: Path) -> None:
    run("pads", own, "E", "--force", "1.60")
    for force, shown in (("1.65", False), ("3.02", True)):
        said = run("pads", own, "E", "--force", force).stderr
        assert ("pad E usually shows 1.6" in said) == shown


def test_practice_is_kept_apart_from_data(own: Path) -> None:
    run("adopt", own, "july", "--yes")
    run("anchors", own, "--calibration", "july", "--keep")
    before = answer("fit", own)
    result = run(
        "practice", own, "--rater", "ines", "--calibration", "july", "--seed", "1", "--json",
        text="3\nseven\n2\n1\nq\n",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["squeezes"] == 3
    assert found["advice"] == "go on"
    assert "'seven' is not a score" in result.stderr
    assert answer("fit", own) == before
    with open_season(own, read_only=True) as file:
        assert len(file.practice()) == 3
        assert sum(len(row.presses) for row in file.anchors()) == 3


def test_practice_tells_the_distance_to_the_band_that_the_card_shows(own: Path) -> None:
    run("adopt", own, "july", "--yes")
    run("anchors", own, "--calibration", "july", "--keep")
    band = {one["score"]: one for one in answer("anchors", own)["bands"]}
    typed = "5\n3\n5\n3\n1\nq\n"
    said = run("practice", own, "--rater", "ines", "--seed", "2", text=typed).stderr
    told = re.findall(r"  (\S+) N: .*; it is (\S+) N (firm|soft)er than .* calls (\d)\.", said)
    assert {end for _, _, end, _ in told} == {"firm", "soft"}
    for force, off, end, score in told:
        edge = band[int(score)]["high_N" if end == "firm" else "low_N"]
        assert float(off) == pytest.approx(abs(float(force) - edge), abs=0.0051)


def test_a_practice_score_is_taken_back_and_the_squeeze_stays(own: Path) -> None:
    run("adopt", own, "july", "--yes")
    run("anchors", own, "--calibration", "july", "--keep")
    words = ("practice", own, "--rater", "ines", "--seed", "1")
    result = run(*words, "--json", text="u\n3\n2\nu\n1\nq\n")
    assert "This warm-up has no score" in result.stderr
    assert "The score 2 of" in result.stderr
    assert json.loads(result.stdout)["squeezes"] == 2
    with open_season(own, read_only=True) as file:
        assert [row.score for row in file.practice()] == ["3", "1"]
        assert sum(len(row.presses) for row in file.anchors()) == 3
        assert file.trail()[-1].kind == "undo"
        assert file.differences() == []
    assert "The score 1 of" in run(*words, "--undo").stderr
    with open_season(own, read_only=True) as file:
        assert [row.score for row in file.practice()] == ["3"]
    assert answer(*words, "--undo")["undone"]["score"] == "3"
    assert "holds no practice of ines" in str(run(*words, "--undo").exception)


def test_practice_without_anchors_says_how_to_make_some(own: Path) -> None:
    run("adopt", own, "july", "--yes")
    result = run("practice", own, "--rater", "ines", "--calibration", "july")
    assert "no good anchor" in str(result.exception)


def test_tray(season: Path, tmp_path: Path) -> None:
    lots = tmp_path / "lots.csv"
    lots.write_text(
        "lot,mean_N,sd_N,available\nfresh,4.8,0.9,40\nday 4,3.2,0.7,40\nday 8,2.2,0.5,40\n"
        "day 12,1.2,0.4,40\n"
    )
    found = answer("tray", season, "--lots", lots, "--want", "2")
    assert found["probability"] >= 0.9
    assert sum(found["pull"].values()) == found["berries"]
    lots.write_text("lot,mean_N,sd_N,available\nfresh,-4.8,0.9,40\n")
    assert "row 2" in str(run("tray", season, "--lots", lots).exception)


@pytest.mark.slow
def test_compare_finds_a_known_shift_and_says_what_else_differs(
    season: Path, tmp_path: Path
) -> None:
    other = make_season(
        tmp_path / "2027.firm", seed=2, cuts_newton=(4.5, 3.7, 2.1, 1.2), head_mm=10.0, berries=150,
        hands={"ines": -0.06, "marek": 0.0, "tove": 0.08}, pads={"A": 3.01, "B": 1.5},
    )  # fmt: skip
    picture = tmp_path / "seasons.png"
    found = answer("compare", season, other, "--margin", "0.3", "--plot", picture)
    moved = {tuple(cut["between"]): cut for cut in found["cuts"]}
    assert moved[2, 3]["low_N"] < 0.5 < moved[2, 3]["high_N"]
    assert moved[2, 3]["equivalent"] is False
    assert found["pads"]["n"] == 2
    answer("pads", other, "B", "--force", "1.5", "--batch", "7", "--temp-c", "4")
    assert answer("compare", season, other)["pads"]["n"] == 2
    cold = tmp_path / "2028.firm"
    cold.write_bytes(other.read_bytes())
    answer("pads", cold, "B", "--force", "1.9", "--batch", "8", "--temp-c", "21")
    again = answer("compare", other, cold)
    assert again["pads"]["n"] == 1
    assert any("Pads were at 4 °C, then at 12 °C" in text for text in again["warnings"])
    assert any("head differs" in text for text in found["warnings"])
    assert any("new: tove" in text for text in found["warnings"])
    assert picture.stat().st_size > 10_000
    assert "Of 100 berries" in run("compare", season, other).output
    three = answer("compare", season, other, season)
    assert len(three["comparisons"]) == 2
    assert three["comparisons"][1]["cuts"][0]["shift_N"] == pytest.approx(0)
    alike = [any("the same scores as" in text for text in each["warnings"])
             for each in three["comparisons"]]  # fmt: skip
    assert alike == [False, True]


def test_carry_fades_as_berries_come(season: Path, tmp_path: Path) -> None:
    alone = answer("prior", season)
    assert all(cut["prior_weight"] == 1 for cut in alone["cuts"])
    few = make_season(tmp_path / "few.firm", berries=30, seed=3)
    some = answer("prior", season, few)
    assert all(0 < cut["prior_weight"] < 0.9 for cut in some["cuts"])
    assert run("prior", season, few).exit_code == 0


def test_the_same_raters_are_compared_by_their_own_scale(season: Path, tmp_path: Path) -> None:
    """Hands differ by 8 %, which three raters leave open; their scale is still shown to stay."""
    again = make_season(tmp_path / "again.firm", seed=5, berries=150)
    other = make_season(
        tmp_path / "other.firm", seed=5, berries=150,
        hands={"ines": -0.06, "marek": 0.0, "tove": 0.08},
    )  # fmt: skip
    alone = make_season(tmp_path / "alone.firm", hands={"ines": 0.0})
    said = run("compare", alone, alone).stdout
    assert "One hand scored both seasons: the intervals are of that hand alone." in said
    same = answer("compare", season, again)
    changed = answer("compare", season, other)
    assert same["same_raters"] is True
    assert changed["same_raters"] is False

    def width(found: dict) -> float:
        return sum(cut["high_N"] - cut["low_N"] for cut in found["cuts"])

    assert width(same) < 0.5 * width(changed)
    assert all(cut["low_N"] < 0 < cut["high_N"] for cut in same["cuts"][1:3])


def test_the_long_export_is_a_source_like_the_season_itself(season: Path, tmp_path: Path) -> None:
    pairs = tmp_path / "pairs.csv"
    written = CliRunner().invoke(
        gauge_group, ["readings", str(season), "--csv", str(pairs), "--long"]
    )
    assert written.exit_code == 0, written.output
    for mine, theirs in zip(
        answer("fit", pairs)["cuts"], answer("fit", season)["cuts"], strict=True
    ):
        assert mine.pop("between") == theirs.pop("between")
        assert mine == pytest.approx(theirs, rel=1e-6)


# --- lots -------------------------------------------------------------------------------------


def test_a_lot_is_judged_by_its_pressed_berries(own: Path, tmp_path: Path) -> None:
    run("adopt", own, "july", "--yes")
    cut = answer("fit", own)["cuts"][2]["force_N"]
    with open_season(own, read_only=True) as file:
        peaks = [berry.peak_newton or 0 for berry in file.berries("C02")]
    words = ("lot", own, "--lot", "c02", "--at-most", "0.4")
    found, later = answer(*words), answer(*words, "--days", "2", "--loss-n", "0.5")
    assert found["tested"]["threshold_N"] == pytest.approx(cut, rel=1e-6)
    for one, threshold in ((found, cut), (later, cut + 1.0)):
        assert one["tested"]["soft"] == sum(peak < threshold for peak in peaks)
        assert one["tested"]["accepted"] == (one["tested"]["upper"] < 0.4)
    assert answer("lot", own, "--lot", "L1", "--at-most", "0.4")["tested"] == found["tested"]
    several = run("lot", own, "--at-most", "0.4")
    assert several.exit_code == 2
    assert "L1, L2" in " ".join(several.output.split())
    with open_season(own, read_only=True) as file:
        n = sum(berry.peak_newton is not None for berry in file.berries())
    assert answer("lot", own, "--all", "--at-most", "0.4")["tested"]["n"] == n
    percent = run("lot", own, "--all", "--at-most", "40")
    assert "40 % is typed 0.40" in " ".join(percent.output.split())
    fingers = answer(*words, "--fingers")["tested"]
    assert (fingers["n"], fingers["soft"]) == (30, pytest.approx(found["tested"]["soft"], abs=3))
    picture = tmp_path / "curve.png"
    shown = run(*words, "--days", "1", "--soft-per-day", "0.05", "--plot", picture)
    assert "below 35.0%" in shown.output
    assert "local grades" in shown.stderr
    assert picture.stat().st_size > 5000


def test_a_sampling_plan_and_a_lot_counted_by_hand() -> None:
    found = answer("lot", "--at-most", "0.1", "--good", "0.02")
    assert (found["n"], found["acceptance_number"]) == (76, 3)
    assert answer("lot", "--at-most", "0.1", "--berries", "76", "--soft", "3")["tested"]["accepted"]
    assert "NOT ACCEPTED" in run("lot", "--at-most", "0.1", "--berries", 76, "--soft", 4).output
    assert "Test 29 or more" in run("lot", "--at-most", "0.1", "--berries", "28").output
    assert answer("lot", "--at-most", "0.1", "--berries", "28")["acceptance_number"] is None
    assert run("lot", "--at-most", "0.1").exit_code == 2


@pytest.mark.parametrize(
    "words",
    [
        ("limit", "SEASON", "--ship-cost", "nan"),
        ("limit", "SEASON", "--ship-cost", "inf"),
        ("limit", "SEASON", "--threshold", "nan"),
        ("check", "SEASON", "--all", "--limit", "inf"),
        ("compare", "SEASON", "SEASON", "--margin", "nan"),
        ("samplesize", "--cuts", "-1,-2", "--spread", "0.3", "--forces", "1,5"),
        ("samplesize", "--cuts", "3,2", "--spread", "0.3", "--forces", "1,nan"),
        ("samplesize", "--cuts", "3,2", "--spread", "0.3", "--forces", "1,5", "--lots", "-1"),
        ("lot", "--at-most", "0.1", "--berries", "50", "--soft", "1", "--days", "2"),
        ("lot", "SEASON", "--all", "--at-most", "0.1", "--berries", "5", "--soft", "2"),
        ("fit", "SEASON", "--earlier", "SEASON"),
        ("limit", "SEASON", "--earlier", "SEASON"),
        ("prior", "SEASON", "SEASON"),
        ("check", "SEASON", "--rater", "ines", "--against", "SEASON"),
        ("anchors", "SEASON", "--per-score", "100000"),
        ("pads", "SEASON", "A", "--force", "3", "--temp-c", "nan"),
    ],
)
def test_numbers_that_mean_nothing_are_refused(season: Path, words: tuple[str, ...]) -> None:
    result = run(*(season if word == "SEASON" else word for word in words), "--json")
    assert result.exit_code == 2, result.output
    assert result.stdout == ""


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("check", "SEASON", "--all", "--rater", "ines"), "Give --rater or --all, not both."),
        (("check", "SEASON", "--all", "--limit", "0.2", "--limit-pct", "20"), "not both."),
        (("table", "SEASON", "--plot", "a.png", "--plot", "b.pdf"), "'--plot': name one file"),
        (("fit", "SEASON", "--plot", "a.png", "--plot", "b.png"), "'--plot': name one file"),
    ],
)
def test_of_two_that_say_the_same_thing_none_gives_way_silently(
    season: Path, words: tuple[str, ...], why: str
) -> None:
    result = run(*(season if word == "SEASON" else word for word in words))
    assert (result.exit_code, result.stdout) == (2, "")
    assert why in " ".join(result.stderr.split())


def test_more_berries_than_the_lot_has_are_refused_in_words() -> None:
    with pytest.raises(InvalidValueError, match="a lot of 20 has no 50 berries"):
        plan_of(50, 0.1, lot_size=20)


def test_a_table_knows_whom_it_is_to_leave_out(season: Path) -> None:
    result = run("table", season, "--without-rater", "nobody")
    assert isinstance(result.exception, NoSuchRaterError)
    assert "ines, marek, odile" in str(result.exception)


def test_a_panel_of_suspended_hands_only_is_named(own: Path) -> None:
    with open_season(own) as file:
        for rater in ("ines", "marek", "odile"):
            file.set_rater_status(rater, "suspended", "drifted")
    told = [line for line in answer("fit", own)["warnings"] if "there is nobody else" in line]
    assert len(told) == 3


def test_the_page_of_a_hand_is_drawn_whatever_its_name(own: Path, tmp_path: Path) -> None:
    change = ("correct", own, "rater", "ines", "--name", "../x", "--why", "t")
    assert CliRunner().invoke(gauge_group, [str(word) for word in change]).exit_code == 0
    assert run("check", own, "--all", "--plot", tmp_path / "hand.png").exit_code == 0
    assert sorted(one.name for one in tmp_path.glob("*.png")) == [
        "hand-.._x.png", "hand-marek.png", "hand-odile.png",
    ]  # fmt: skip
