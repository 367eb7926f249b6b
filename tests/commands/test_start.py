"""A first day and a second one, typed as a person types them, on a terminal."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from matplotlib.axes import Axes
from matplotlib.text import Text

from gauge.cli import group
from gauge.commands.goingon import home
from gauge.port import serialport
from gauge.port.serialport import PortInfo
from gauge.records import Sample, Session
from gauge.season.file import open_season
from gauge.session.daylists import day_done, local_day, planned_line
from gauge.session.memory import Place, found, load, store
from tests.lines import PtyLine, Terminal, play, press, rest
from tests.season_helpers import press as pressed

BERRY = [*rest(1), *press(2.37), *rest(1)]
needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
LAST = Place(
    port="/dev/ttyUSB0", format_name="a.toml", season="/lab/a.season", usb=(1, 2, "A"),
    gauge="FG-2", gauge_serial="7", operator="jo", raters=("ines",), blind=True,
)  # fmt: skip


def usb(port: str, serial: str = "A") -> PortInfo:
    return PortInfo(port=port, description="", usb_vendor=1, usb_product=2, usb_serial=serial)


def test_what_is_remembered_comes_back_and_a_broken_file_is_none(tmp_path: Path) -> None:
    assert load(tmp_path) is None
    store(tmp_path / "deep", LAST, [])
    assert load(tmp_path / "deep") == LAST
    [file] = (tmp_path / "deep").iterdir()
    for broken in ("", "{}", "[]", json.dumps({"port": 1}), "\0"):
        file.write_text(broken, "utf-8")
        assert load(tmp_path / "deep") is None


def test_a_gauge_is_found_by_its_usb_identity_under_another_name() -> None:
    assert found(LAST, [usb("/dev/ttyUSB3")]) == (replace(LAST, port="/dev/ttyUSB3"), None)
    assert found(LAST, [usb("/dev/ttyUSB0"), usb("/dev/ttyUSB3")]) == (LAST, None)
    other, odd = found(LAST, [usb("/dev/ttyUSB0", "B")])
    assert (other.port, other.gauge, other.gauge_serial) == ("/dev/ttyUSB0", None, None)
    assert "another gauge is, on /dev/ttyUSB0" in odd
    assert "FG-2 is not plugged in" in found(LAST, [])[1]
    assert found(replace(LAST, usb=None), [])[1] is None


def test_log_without_options_says_so_where_nothing_is_remembered() -> None:
    result = CliRunner().invoke(group, ["log"])
    assert result.exit_code == 2
    assert "gauge start" in result.stderr


@needs_pty
def test_a_number_that_is_no_port_of_the_list_is_asked_about_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = PtyLine(tmp_path / "gauge")
    monkeypatch.setattr(serialport, "serial_ports", lambda: [usb(str(line.link))])
    found = CliRunner().invoke(group, ["start"], input="2\n1\n")  # and no more: it stops
    assert "No port of this list has the number 2." in found.stderr
    assert "Name of the gauge" in found.stderr.split("number 2.")[1]
    line.close()


@needs_pty
def test_a_port_that_is_not_there_is_asked_about_before_all_else(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "gauge")
    found = CliRunner().invoke(group, ["start"], input=f"{tmp_path / 'gone'}\n{line.link}\n")
    assert "gone does not exist. Plug the gauge in" in found.stderr
    assert "Name of the gauge" in found.stderr.split("gone does not exist")[1]
    assert load(home()) is None
    line.close()


@needs_pty
def test_a_season_that_cannot_be_begun_is_asked_about_and_what_is_gone_is_not_offered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    line, gone = PtyLine(tmp_path / "gauge"), tmp_path / "gone26"
    Path("plan.csv").write_text("code\nB-01\n", "utf-8")
    here = replace(LAST, format_name="number-unit", season="b.season", usb=None)
    store(home(), replace(here, port=str(gone / "tty"), season=str(gone / "a.season")), [])
    day = f"{line.link}\n\n\n\n\n\n\n"  # up to the format, which Enter takes
    typed = f"{day}{gone / 'a.season'}\nplan.csv\n \nb.season\n"
    told = CliRunner().invoke(group, ["start"], input=typed).stderr
    assert f"[{gone}" not in told
    assert f"{gone} is no folder to write in." in told
    assert "plan.csv is not a season file" in told
    assert told.count("Season file [") == 4
    assert "Season file [2" in told  # of this year
    assert "b.season\nCrop: blackberry or raspberry" in told
    store(home(), replace(here, port=str(line.link), format_name=str(gone / "a.toml")), [])
    told = CliRunner().invoke(group, ["start"], input="\n" * 6).stderr
    assert f"[{line.link}]: " in told
    assert "Use the line format" not in told
    assert "Now the gauge is listened to" in told
    line.close()


@needs_pty
@pytest.mark.parametrize("sends", [False, True])
def test_the_last_session_is_one_to_which_the_gauge_sent_something(
    tmp_path: Path, sends: bool
) -> None:
    line, path = PtyLine(tmp_path / "gauge"), tmp_path / "b.season"
    store(home(), LAST, [])
    if sends:
        play(line.send, BERRY)
    CliRunner().invoke(
        group, ["log", "--port", str(line.link), "--format", "number-unit", "--season", str(path),
                "--sample", "A", "--plain", "--stop-after-silence", "0.5"],
    )  # fmt: skip
    last = load(home())
    assert last is not None
    assert last.season == (str(path) if sends else LAST.season)
    line.close()


@needs_pty
@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_first_day_in_one_conversation_and_a_second_with_enter_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    line = PtyLine(tmp_path / "gauge")
    Path("plan.csv").write_text("code,berries\nB-01,1\nB-02,1\n", "utf-8")
    with Terminal("start", size=(80, 24)) as terminal:
        playing = play(line.send, 300 * BERRY)
        for asked, answer in (
            ("Port of the gauge", str(line.link)),
            ("Name of the gauge", "FG-2"),
            ("serial number", "0012"),
            ("capacity", "22"),
            ("head in mm", "7"),
            ("Who works", "jo"),
            ("Did the display show", ""),  # Enter says neither yes nor no
            ("invalid input", "y"),
            ("Season file", "b.season"),
            ("Crop", "plan.csv"),
            ("'plan.csv' is no crop", "raspbery"),
            ("Is it raspberry", ""),
            ("CSV of the plan", "plan.csv"),
            ("Shape of the head", ""),
            ("Speed of the head", "fast"),
            ("is no speed", "hand"),
            ("End of a press", "5mm"),
            ("Orientation", ""),
            ("Temperature of the fruit", ""),
            ("Check weights", ""),
            ("Raters", ""),
        ):
            terminal.wait(asked, 40)
            terminal.type(f"{answer}\r")
            time.sleep(0.05)
        terminal.wait("full: Enter for the next", 30)
        terminal.type("q")
        terminal.wait("Quit?")
        terminal.type("y")
        assert terminal.ended() == 0, terminal.words
        assert "Today: 1 berry" in terminal.words
        assert "Left: 1 berry of 1 sample" in terminal.words
    with open_season("b.season") as season:
        assert season.crop == "raspberry"  # Enter took the crop that was asked about
        assert [row.berries for row in season.samples()] == [1, 0]
        session = season.sessions()[-1].session
        assert (session.gauge, session.gauge_serial, session.operator) == ("FG-2", "0012", "jo")
    with Terminal("log", size=(80, 24)) as terminal:
        for told in (
            "b.season, sample", "planned next, 0 of 1", "FG-2 on", "check ", "zero ",
            "head      7 mm, lowered by hand, to 5 mm; fruit temperature not planned",
            "operator  jo", "Enter to go on, c to change",
        ):  # fmt: skip
            terminal.wait(told)
        terminal.type("cold\r")
        terminal.wait("no temperature of fruit")
        terminal.type("18 2\r")
        terminal.wait("full: n for the next sample", 30)
        terminal.type("q")
        terminal.wait("Quit?")
        terminal.type("y")
        assert terminal.ended() == 0, terminal.words
    line.close()
    playing.join(5)
    with open_season("b.season") as season:
        assert [row.berries for row in season.samples()] == [1, 1]
        noted = [(row.sample.fruit_temp_c, row.sample.out_of_store_h) for row in season.samples()]
        assert noted == [(None, None), (18.0, 2.0)]
        assert season.protocol.words() == "head 7 mm, lowered by hand, to 5 mm"


@needs_pty
def test_log_alone_waits_for_nobody_with_yes_and_asks_where_nobody_is(tmp_path: Path) -> None:
    line, path = PtyLine(tmp_path / "gauge"), tmp_path / "a.season"
    with open_season(path, create=True) as season:
        season.add_sample(Sample(code="B-01", plan_order=1, berries_planned=1))
    store(home(), replace(LAST, port=str(line.link), usb=None, format_name="number-unit",
                          season=str(path), raters=(), blind=False), [])  # fmt: skip
    play(line.send, 30 * BERRY)
    refused = CliRunner().invoke(group, ["log"])
    assert refused.exit_code != 0
    assert "--yes" in str(refused.exception)
    result = CliRunner().invoke(group, ["log", "--yes", "--plain"])
    assert result.exit_code == 0, result.output
    assert result.stdout == "berry 1: 2.37 N\n"
    assert "gauge     FG-2 on" in result.stderr
    line.close()


def test_the_day_s_lists_say_what_is_due_what_was_done_and_what_is_left(tmp_path: Path) -> None:
    with open_season(tmp_path / "a.season", create=True) as season:
        season.add_samples(
            [
                Sample(code="A", plan_order=1, berries_planned=2, harvest_date="2026-07-01"),
                Sample(code="B", plan_order=2, berries_planned=3, harvest_date="2026-07-05"),
                Sample(code="C", plan_order=3, berries_planned=5, harvest_date="2026-07-01",
                       storage_day=4),
            ]
        )  # fmt: skip
        session = season.add_session(Session(started_at="2026-07-05T08:00:00Z"))
        for i in (1, 2, 3):
            season.acknowledge_berry(session, 2, i, pressed(float(i), "1.0"))
        season.void(3, "slipped")
        rows, berries = season.samples(), season.berries()
    today = local_day(berries[0].at)
    line = planned_line(rows, today.replace(year=2026, month=7, day=5), blind=False)
    assert line == "planned for today: 2 samples; left: B, C"
    next_day = planned_line(rows, today.replace(year=2026, month=7, day=1), blind=False)
    assert next_day == "planned for today: 1 sample; left: A"
    done = [replace(rows[0], berries=2), *rows[1:]]
    left = planned_line(done, today.replace(year=2026, month=7, day=1), blind=False)
    assert left == (
        "planned for today: 1 sample, all done; left of the plan: 6 berries of 2 samples: B, C"
    )
    lines = day_done(rows, berries, today, blind=False)
    assert lines[0] == "Today: 2 berries: B 2 of 3."
    assert lines[1] == "Void: B-3 slipped."
    assert lines[2] == "Flagged: B-1 few readings, B-2 few readings."
    assert lines[3] == "Left: 8 berries of 3 samples: A, B, C."


def test_the_plan_is_printed_to_write_on(tmp_path: Path) -> None:
    path, out = tmp_path / "a.season", tmp_path / "sheet.pdf"
    assert CliRunner().invoke(group, ["sheet", str(path), "--out", str(out)]).exit_code != 0
    with open_season(path, create=True) as season:
        season.add_samples(
            [
                Sample(code="A-1", blind_code="WFMF", plan_order=1, berries_planned=34),
                Sample(code="A-2", blind_code="TWTM", plan_order=2),
            ]
        )
    result = CliRunner().invoke(group, ["sheet", str(path), "--out", str(out)])
    assert "2 samples on 4 pages" in result.stderr  # two for 34 berries, one, and the labels
    data = out.read_bytes()
    assert data.startswith(b"%PDF")
    assert data.count(b"/Type /Page\n") + data.count(b"/Type /Page ") == 4
    CliRunner().invoke(group, ["sheet", str(path), "--out", str(out)])
    assert out.read_bytes() == data
    named = CliRunner().invoke(group, ["sheet", str(path), "--out", str(tmp_path / "x.png")])
    assert named.exit_code != 0


def test_the_order_of_squeezes_on_a_sheet_looks_like_no_score(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, drawn, text = tmp_path / "a.season", [], Axes.text

    def seen(axes: Axes, x: float, y: float, words: str, **how: object) -> Text:
        drawn.append(words)
        return text(axes, x, y, words, **how)

    monkeypatch.setattr(Axes, "text", seen)
    with open_season(path, create=True) as season:
        season.add_samples([Sample(code="A-1", plan_order=1, berries_planned=3)])
    words = ["sheet", str(path), "--out", str(tmp_path / "s.pdf"), "--raters", "ines,marek"]
    assert CliRunner().invoke(group, words).exit_code == 0
    assert [drawn.count(f"{number}") for number in (1, 2, 3)] == [1, 1, 1]  # the berries alone
    assert drawn.count("1st") == drawn.count("2nd") == 3
    assert any("write the score beside it" in words for words in drawn)
