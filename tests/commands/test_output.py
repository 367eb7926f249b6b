"""What a command line does when its output cannot be written, or its input is no plain text."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from gauge.outfile import save_picture
from gauge.season.file import open_season
from tests.answers import SAMPLE_RUNS
from tests.seasons import make_season

GAUGE = [sys.executable, "-c", "from gauge.cli import main; main()"]
FIT = [sys.executable, "-c", "from calibrate.cli import main; main()", "fit"]
CAPTURE = SAMPLE_RUNS / "2026-blackberry/captures/B26-01.txt"

full = pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")


@pytest.fixture
def season(tmp_path: Path) -> Path:
    return make_season(tmp_path / "a.season", berries=60)


@full
def test_a_full_stdout_is_told_and_what_was_acknowledged_stays(season: Path) -> None:
    new = season.with_name("b.season")
    place = ["--format", str(SAMPLE_RUNS / "gauge.toml"), "--season", str(new), "--sample", "A"]
    for command in (
        [*GAUGE, "readings", str(season)],
        [*GAUGE, "readings", str(season), "--json"],
        [*FIT, str(season), "--json"],
        [*GAUGE, "replay", str(CAPTURE), *place, "--json"],
    ):
        with open("/dev/full", "w") as out:
            done = subprocess.run(
                command, stdout=out, stderr=subprocess.PIPE, text=True, check=False
            )
        assert done.returncode == 16, command
        assert "What was acknowledged is stored" in done.stderr
        assert "Traceback" not in done.stderr
    with open_season(new, read_only=True) as file:
        assert len(file.berries()) == 1  # the one that could not be printed; replay stopped there


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of POSIX")
@pytest.mark.parametrize("more", ["", "--json"])
def test_a_closed_stdout_is_told(season: Path, more: str) -> None:
    call = f"exec \"$@\" readings '{season}' {more} >&-"
    done = subprocess.run(
        ["sh", "-c", call, "sh", *GAUGE], stderr=subprocess.PIPE, text=True, check=False
    )
    assert done.returncode == 16
    assert "stdout is closed" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="arguments are Unicode there")
def test_arguments_that_are_not_utf_8(season: Path) -> None:
    bad = os.fsdecode(b"\xff\xfe")
    for arguments, status in (
        (["readings", bad], 12),
        (["void", str(season), "3", "--why", bad], 10),
        (["readings", str(season), "--sample", bad], 26),
    ):
        done = subprocess.run([*GAUGE, *arguments], capture_output=True, text=True, check=False)
        assert done.returncode == status, done
        assert "Traceback" not in done.stderr
        assert "\\udcff" in done.stderr


def test_an_escape_of_a_table_reaches_no_terminal(tmp_path: Path) -> None:
    sheet = tmp_path / "pairs.csv"
    forces = (1.0, 2.2, 3.1, 4.8)
    rows = [
        f"{f + n / 9:.2f},{5 - n - (k % 2)},in\x1b[2Jes"
        for n, f in enumerate(forces)
        for k in range(9)
    ]
    sheet.write_text("force_N,score,rater\n" + "\n".join(rows) + "\n")
    done = subprocess.run([*FIT, str(sheet)], capture_output=True, text=True, check=False)
    assert "\x1b" not in done.stdout + done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a file's size are of POSIX")
@pytest.mark.parametrize("kind", [".png", ".pdf", ".svg"])
def test_a_picture_that_does_not_fit_is_refused_and_the_old_one_stays(
    kind: str, tmp_path: Path
) -> None:
    picture = tmp_path / f"a{kind}"
    save_picture(Figure(), picture)
    old = picture.read_bytes()
    code = f"""
import resource, signal
from pathlib import Path
from matplotlib.figure import Figure
from gauge.errors import CannotWriteError
from gauge.outfile import save_picture
figure = Figure()
figure.add_subplot().plot([1, 2])
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
try:
    save_picture(figure, Path({str(picture)!r}))
except CannotWriteError:
    print("refused")
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("refused\n", "")
    assert [(file, file.read_bytes()) for file in tmp_path.iterdir()] == [(picture, old)]
