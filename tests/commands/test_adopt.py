"""The season's own calibration, what uses it, and what the season's status says of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from calibrate.cli import group
from gauge.errors import InvalidValueError, NoSuchRaterError, NotConfirmedError
from gauge.records import FingerScore, Sample, Session
from gauge.season.file import open_season
from tests.seasons import make_season, press

ALIKE = {"ines": 0.0, "marek": 0.0, "odile": 0.0}
APART = {"ines": -0.25, "marek": 0.0, "odile": 0.0}


def run(*words: object, text: str | None = None) -> Result:
    result = CliRunner().invoke(group, [str(word) for word in words], input=text)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def answer(*words: object, text: str | None = None) -> Any:
    result = run(*words, "--json", text=text)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def season_of(folder: Path, hands: dict[str, float]) -> Path:
    return make_season(folder / "2026.season", hands=hands)


@pytest.fixture(scope="module")
def alike(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season with a calibration of its own that few would fit: the log scale."""
    path = season_of(tmp_path_factory.mktemp("alike"), ALIKE)
    run("adopt", path, "july", "--force-scale", "log", "--yes")
    return path


@pytest.fixture
def own(tmp_path: Path, alike: Path) -> Path:
    copy = tmp_path / "own.season"
    copy.write_bytes(alike.read_bytes())
    return copy


def adopted(path: Path) -> str | None:
    with open_season(path, read_only=True) as season:
        name: str | None = season.setting("calibration")
        return name


def test_adopting_is_a_row_of_the_trail(own: Path) -> None:
    run("adopt", own, "august", "--force-scale", "linear", "--yes")
    with open_season(own, read_only=True) as season:
        changes = [row for row in season.trail() if row.kind == "adopt"]
        assert [json.loads(row.new["value"]) for row in changes] == ["july", "august"]
        assert json.loads(changes[1].old["value"]) == "july"


def test_every_command_uses_it_unless_told_otherwise(own: Path, tmp_path: Path) -> None:
    lots = tmp_path / "lots.csv"
    lots.write_text("lot,mean_N,sd_N,available\na,4.8,0.9,40\nb,3,0.7,40\nc,1.5,0.6,60\n")
    for words in (
        ("anchors", own), ("limit", own), ("tray", own, "--lots", lots, "--want", "1"),
        ("table", own, "--by", "selection"),
    ):  # fmt: skip
        named = answer(*words, "--calibration", "july")
        assert answer(*words) == named
        assert "calibration july, adopted by" in run(*words).stderr
    assert answer("anchors", own, "--force-scale", "linear") != answer("anchors", own)


def test_drifted_raters_are_asked_about_first(tmp_path: Path) -> None:
    path = season_of(tmp_path, APART)
    for text in ("n\n", None):  # None: nobody can be asked
        with pytest.raises(NotConfirmedError, match=r"nothing was stored: .*ines has drifted"):
            run("adopt", path, "july", text=text)
    assert answer("adopt", path) == []
    run("adopt", path, "july", text="y\n")
    assert adopted(path) == "july"


def test_a_drift_below_the_limit_is_told_and_nobody_is_asked(tmp_path: Path) -> None:
    path = season_of(tmp_path, {"ines": -0.12, "marek": 0.0, "odile": 0.0})
    told = run("adopt", path, "july").stderr
    assert (
        "at each boundary by at most 20 %, or not surely: this does not stop the adoption" in told
    )
    assert adopted(path) == "july"


def test_a_suspended_rater_does_not_count(tmp_path: Path) -> None:
    path = season_of(tmp_path, APART)
    everyone, others = answer("fit", path), answer("fit", path, "--without-rater", " Ines")
    assert everyone["raters"] == others["raters"] + 1
    with open_season(path) as season, pytest.raises(InvalidValueError, match="no status"):
        season.set_rater_status("ines", "ill", "a cold")
    with open_season(path) as season:
        season.set_rater_status("ines", "in training", "first season")
        season.set_rater_status("ines", "suspended", "drifted")
        assert [(row.kind, row.why) for row in season.trail()][-1] == ("correct", "drifted")
    left = answer("fit", path)
    assert left["cuts"] == others["cuts"]
    assert any("ines is suspended since 20" in line for line in left["warnings"])
    assert any("(drifted)" in line for line in answer("status", path)["done"])
    assert answer("fit", path, "--rater", "ines")["n"] > 0  # asked for by name
    checks = {one["rater"]: one for one in answer("check", path, "--all")}
    assert checks["ines"]["status"] == "suspended"
    assert {one["status"] for name, one in checks.items() if name != "ines"} == {"qualified"}
    assert run("adopt", path, "july").exit_code == 0  # nobody else has drifted
    with open_season(path) as season:
        season.set_rater_status("ines", "qualified", "warm-up passed")
    assert answer("fit", path, "--force-scale", "linear")["cuts"] == everyone["cuts"]


def test_a_gauge_that_failed_its_last_check_is_asked_about_first(own: Path) -> None:
    with open_season(own) as season:
        result = {"passed": False, "tolerance_pct": 1.0, "gravity_m_s2": 9.8, "gravity_from": "-"}
        season.add_verification(result, gauge="bench gauge", at="2026-07-06T08:00:00Z")
    what = r"the gauge bench gauge failed its last check \(2026-07-06\)"
    for text in ("n\n", None):
        with pytest.raises(NotConfirmedError, match=what):
            run("adopt", own, "august", text=text)
    assert adopted(own) == "july"
    assert run("adopt", own, "august", "--yes").exit_code == 0
    assert any("FAILED its last check" in line for line in answer("status", own)["warnings"])


def test_the_old_name_says_the_new_one(own: Path) -> None:
    result = run("store", own, "august", "--yes")
    assert "store is now called group adopt" in " ".join(result.stderr.split())
    assert adopted(own) == "august"
    assert "store" not in run("--help").output


# --- anchors ----------------------------------------------------------------------------------


def test_a_voided_berry_is_no_anchor_and_another_takes_its_place(own: Path) -> None:
    kept = answer("anchors", own, "--keep")["anchors"]
    label = kept[2]["berry"]
    with open_season(own) as season:
        season.void(
            next(b.berry_id for b in season.berries() if f"{b.sample}-{b.number}" == label), "fell"
        )
    states = {row["anchor"]: row["retired"] for row in answer("squeeze", own)}
    assert states[label] == "its berry was voided: fell"
    assert f"anchor {label} must retire: its berry was voided: fell" in answer("status", own)[
        "warnings"
    ]  # fmt: skip
    instead = answer("squeeze", own, label, "--replace", "--why", "fell")["replacement"].split()[0]
    with open_season(own, read_only=True) as season:
        rows = {row.label: row for row in season.anchors()}
    place = (kept[2]["score"], kept[2]["boundary"])
    assert (int(rows[instead].score or 0), rows[instead].boundary) == place
    assert (rows[label].retired_why, rows[instead].retired_at) == ("fell", None)


def test_anchors_that_retire_for_one_reason_are_named_together(own: Path) -> None:
    labels = [row["berry"] for row in answer("anchors", own, "--keep")["anchors"][:3]]
    for label in labels:
        run("squeeze", own, label, "--by", "ines")
    with open_season(own) as season:
        for berry in season.berries():
            if f"{berry.sample}-{berry.number}" in labels:
                season.void(berry.berry_id, "fell")
    found = answer("status", own)
    named = f"anchors {', '.join(labels)} must retire, each because its berry was voided: fell"
    assert named in found["warnings"]
    good = next(line for line in found["done"] if line.endswith("anchors are good"))
    n_good, n = map(int, good.split()[:3:2])
    assert n - n_good == 3


def test_practice_refuses_an_unknown_rater(own: Path) -> None:
    run("anchors", own, "--keep")
    with pytest.raises(NoSuchRaterError, match=r"'tove' has scored nothing.*--new-rater"):
        run("practice", own, "--rater", "tove", text="q\n")
    assert run("practice", own, "--rater", "tove", "--new-rater", text="q\n").exit_code == 0
    assert answer("practice", own, "--rater", "INES", text="q\n")["rater"] == "ines"


# --- status -----------------------------------------------------------------------------------


def commands(path: Path) -> list[str]:
    return [step["command"] for step in answer("status", path)["next"]]


def test_the_status_of_a_season_that_begins_names_the_first_commands(tmp_path: Path) -> None:
    path = tmp_path / "new season.season"
    open_season(path, create=True).close()
    assert f"gauge plan '{path}' --import PLAN.csv" in commands(path)
    with open_season(path) as season:
        season.add_sample(Sample(code="C1", plan_order=1, harvest_date="2026-07-01", storage_day=7))
    found = answer("status", path)
    assert f"gauge log --season '{path}' --sample C1" in commands(path)
    assert found["warnings"] == ["sample C1 was planned for 2026-07-08"]
    assert found["done"] == ["0 of 1 planned samples"]


def test_the_status_leads_from_scores_to_anchors_and_practice(tmp_path: Path) -> None:
    path = season_of(tmp_path, ALIKE)
    assert any(line.startswith(f"calibrate adopt {path} 20") for line in commands(path))
    run("adopt", path, "july", "--yes")
    assert f"calibrate anchors {path} --keep --card card.pdf" in commands(path)
    run("anchors", path, "--keep")
    assert f"calibrate practice {path} --rater ines" in commands(path)
    shown = run("status", path).output
    assert "done  90 berries of 3 samples" in shown
    assert "done  270 finger scores by ines, marek, odile" in shown


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize(
    ("named", "flags"),
    [({}, "--gauge NAME"), ({"gauge": "S"}, "--gauge S"),
     ({"gauge": "bench 2", "gauge_serial": "K7"}, "--gauge 'bench 2' --serial-number K7")],
)  # fmt: skip
def test_a_check_is_named_once_and_its_command_names_the_gauge(
    tmp_path: Path, named: dict[str, str], flags: str, logged: bool
) -> None:
    path = tmp_path / "a.season"
    result = {"passed": True, "tolerance_pct": 1.0, "gravity_m_s2": 9.8, "gravity_from": "-"}
    with open_season(path, create=True) as season:
        if logged:
            sample = season.add_sample(Sample(code="C1"))
            session = Session(started_at="2026-07-06T09:00:00Z", line_format="x", port="P", **named)
            season.acknowledge_berry(season.add_session(session), sample, None, press(2.5, 10.0))
        season.add_verification(result, **named)
    found = answer("status", path)
    said = [line for line in (*found["done"], *found["warnings"]) if "check" in line]
    assert len(said) == 1
    assert ("passed its check" in said[0]) == bool(named)
    with open_season(path) as season:
        season.add_verification(result | {"passed": False}, **named)
    port = "P" if logged else "PORT"
    assert commands(path)[0] == (
        f"gauge verify --port {port} --format FORMAT.toml --season {path} --mass 500g {flags}"
    )


def test_a_calibration_older_than_its_data_is_stale(own: Path) -> None:
    assert not any("older" in line for line in answer("status", own)["warnings"])
    with open_season(own) as season:
        marks = [FingerScore(rater=rater, score="3") for rater in ALIKE]
        season.acknowledge_berry(1, 1, None, press(2.5, 9999.0), scores=marks)
    assert "calibration july is older than the season's data" in answer("status", own)["warnings"]
    assert f"calibrate adopt {own} july-2" in commands(own)


def test_check_all_passes_over_a_rater_whom_it_cannot_judge(own: Path) -> None:
    with open_season(own) as season:
        season.add_scores([(1, FingerScore(rater="tove", score="2"))])
    result = run("check", own, "--all", "--json")
    assert [one["rater"] for one in json.loads(result.stdout)] == ["ines", "marek", "odile"]
    assert "tove is passed over: tove used one score only" in result.stderr
