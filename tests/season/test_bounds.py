"""What a stranger hands in has a bound: long lines and cells, packed bytes, and noise."""

from __future__ import annotations

import contextlib
import functools
import sqlite3
import sys
import tempfile
import zlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calibrate.data.pairs import load_pairs
from gauge.errors import DamagedSeasonError, FirmhandError
from gauge.protocol.capture import LONGEST_LINE, load_capture
from gauge.protocol.formatfile import load_format_text
from gauge.records import Chunk
from gauge.season import connection
from gauge.season.file import give_digests, open_season
from gauge.season.rows import BerryRow
from tests.answers import call
from tests.bench import fuzz
from tests.season_helpers import begun, press


@pytest.mark.timeout(30)
@pytest.mark.parametrize("text", ["0\t{}", "{}\t0", "# gap 1 2 {}"])
def test_a_line_of_a_capture_has_a_bound(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.txt"
    path.write_text(text.format("1" * (8 * LONGEST_LINE)) + "\n")
    result = call(f"gauge replay {path} --format number-unit")
    assert result.status == 14
    assert "longer than" in result.err
    assert len(result.err) < 500


@pytest.mark.timeout(30)
@pytest.mark.parametrize("text", ["force_N,score\n{},3\n", "force_N,score\n1.2,{}\n", "{}\n1\n"])
def test_a_cell_of_a_csv_has_a_bound(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text.format("9" * 5_000_000))
    assert call(f"calibrate fit {path}").status == 13


def test_packed_bytes_have_a_bound(tmp_path: Path) -> None:
    path = tmp_path / "a.season"
    with begun(path) as season:
        season.acknowledge_berry(1, 1, None, press(), chunks=[Chunk(0, b"1 N\r\n")])
    bomb = zlib.compress(b"0\t" + b"1" * (1 << 27))
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE chunks SET packed = ?", (bomb,))
        give_digests(db)
        db.commit()
    with (
        open_season(path, read_only=True) as season,
        pytest.raises(DamagedSeasonError, match="when unpacked"),
    ):
        list(season.chunks(1))


def test_a_statement_without_end_is_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.season"
    begun(path).close()
    monkeypatch.setattr(connection, "MOST_STEPS", 5_000_000)
    with contextlib.closing(connection.connect(path, "ro", 1.0)) as db:
        endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n)"
        with pytest.raises(sqlite3.OperationalError) as caught:
            db.execute(f"{endless} SELECT count(*) FROM n")
        # Statements are counted each for itself.
        for _ in range(20):
            db.execute(f"{endless} SELECT i FROM n LIMIT 50000").fetchall()
    assert "reading does not end" in str(connection.mapped(caught.value, path, "reading"))


# --- noise ------------------------------------------------------------------------------------
# Our own error or an answer, never anything else: firmhand's errors are the only ones a user meets.

SCRAPS = [
    "#", "gap", "\t", "\\x", "\\n", "0", "12", "-5", ".", ",", ";", '"', "\n", "\r", "N", "lbf",
    "force_N", "score", "rater", "\x00", "\x1b[2J", "\xe9", "=", "[line]", "pattern", "'",
    "(?P<value>", ")", "*", "+", "name",
]  # fmt: skip


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="limits the time of the processor by a signal")
@pytest.mark.parametrize("name", fuzz.KINDS)
def test_the_campaign_of_noise_finds_nothing_in_its_first_round(name: str) -> None:
    assert fuzz.fault(name, 1) is None


@pytest.mark.slow
@settings(max_examples=500, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.sampled_from(SCRAPS) | st.text(max_size=4), max_size=60).map("".join))
def test_noise_as_a_capture_a_sheet_or_a_format(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.txt"
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        for read in (lambda: list(load_capture(path)), lambda: load_pairs(path)):
            with contextlib.suppress(FirmhandError):
                read()
        with contextlib.suppress(FirmhandError):
            load_format_text(text)


@functools.cache
def one_berry() -> tuple[bytes, list[BerryRow]]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.season"
        with begun(path) as season:
            season.acknowledge_berry(1, 1, None, press())
            berries = season.berries()
        return path.read_bytes(), berries


@pytest.mark.slow
@settings(max_examples=400, deadline=None)
@given(st.data())
def test_noise_in_a_season(data: st.DataObject) -> None:
    whole, sound = one_berry()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.season"
        raw = bytearray(whole)
        for _ in range(data.draw(st.integers(1, 4))):
            at = data.draw(st.integers(0, len(raw) - 1))
            patch = data.draw(st.binary(min_size=1, max_size=64))
            raw[at : at + len(patch)] = patch
        path.write_bytes(raw)
        with contextlib.suppress(FirmhandError), open_season(path, read_only=True) as season:
            assert season.berries() == sound
