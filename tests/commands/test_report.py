"""The season as one page: whole, safe, readable by everyone, and printed by a browser."""

from __future__ import annotations

import re
import shutil
import sqlite3
import subprocess
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner

from calibrate.cli import group
from calibrate.commands import agree
from calibrate.plots.style import GREY, INK, PALE
from gauge.errors import CannotWriteError, DamagedSeasonError
from gauge.records import Sample
from gauge.season.file import open_season
from gauge.season.rows import PracticeRow
from tests.seasons import make_season

SECTIONS = [
    "What was done", "The gauge and its checks", "Cut points", "How well the panel agrees",
    "Each hand over the season", "The sale limit and what it costs", "Anchors and their age",
    "Selections by storage day", "Seasons side by side", "Flags and voids", "Methods",
    "How it was computed",
]  # fmt: skip
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>"
BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "chrome"))), None)

pytestmark = pytest.mark.slow  # two seasons are fitted for the page


class Page(HTMLParser):
    """The elements of a page, with the text of headings, cells and paragraphs."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[str, str]] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in {"meta", "br"}:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if data.strip() and self._open:
            self.texts.append((self._open[-1], " ".join(data.split())))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]

    def text(self, tag: str) -> list[str]:
        return [text for name, text in self.texts if name == tag]


def report(season: Path, *more: object) -> str:
    out = season.with_suffix(".html")
    words = ["report", str(season), "--out", str(out), *map(str, more)]
    result = CliRunner().invoke(group, words)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return out.read_text("utf-8")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = make_season(tmp_path_factory.mktemp("report") / "2026.season")
    with open_season(path) as file:
        file.add_sample(Sample(code=HOSTILE, selection=HOSTILE))
        berry = file.berries()[0].berry_id
        file.void(berry, f"slipped {HOSTILE}")
        for score, off in (("3", 0.0), ("2", -0.25), ("3", 0.0), ("3", 0.0)):
            file.add_practice(
                PracticeRow(
                    rater="ines",
                    at="2026-07-02T08:00:00Z",
                    calibration="july",
                    anchor="C01-1",
                    force_newton=2.6,
                    score=score,
                    off_newton=off,
                )
            )
    return path


@pytest.fixture(scope="module")
def html(season: Path) -> str:
    earlier = make_season(season.with_name("2025.season"), seed=2)
    report(season, "--lab", HOSTILE)  # the season remembers it
    return report(season, "--earlier", earlier)


def test_every_section_is_there_and_says_how_it_was_made(html: str) -> None:
    page = Page(html)
    assert page.text("h2")[1:] == SECTIONS
    assert "calibrate fit 2026.season" in page.text("code")
    assert "calibrate compare 2025.season 2026.season" in page.text("code")
    missing = [text for text in page.text("p") if "gauge verify" in text or "--keep" in text]
    assert len(missing) == 2, missing  # no check of the gauge, no anchors: what to do is said
    assert len(page.all("svg")) >= 4
    assert "1 and 2" in page.text("th")
    cells = page.text("td")
    at = cells.index("2026-07-02")
    assert cells[at : at + 4] == ["2026-07-02", "4", "75%", "-0.06"]  # ines practised


def test_an_earlier_season_that_is_none_is_refused_before_the_work(season: Path) -> None:
    out = season.with_name("slip.html")
    for earlier, why in ((season.with_name("2052.season"), "No such file"), (season, "not SEASON")):
        words = ["report", str(season), "--earlier", str(earlier), "--out", str(out)]
        refused = CliRunner().invoke(group, words)
        assert refused.exit_code != 0
        assert why in f"{refused.exception} {refused.output}"
    assert not out.exists()


def test_no_page_is_made_of_a_damaged_season(season: Path) -> None:
    rotten = season.with_name("rotten.season")
    rotten.write_bytes(season.read_bytes())
    with closing(sqlite3.connect(rotten)) as base, base:
        base.execute("UPDATE scores SET rater = CAST(x'ff' AS TEXT) WHERE score_id = 1")
    out = season.with_name("rotten.html")
    refused = CliRunner().invoke(group, ["report", str(rotten), "--out", str(out)])
    assert isinstance(refused.exception, DamagedSeasonError)
    assert not out.exists()


def test_names_of_a_season_are_text_and_nothing_is_loaded_or_run(html: str) -> None:
    page = Page(html)
    assert any(HOSTILE in text for text in page.text("p") if "2026.season" in text)  # the lab
    assert "slipped" in html
    assert not page.all("script")
    assert not page.all("img")
    assert not page.all("link")
    for tag, attributes in page.elements:
        assert not [name for name in attributes if name.startswith("on")], (tag, attributes)
        for name in ("href", "src", "xlink:href", "action"):
            assert (attributes.get(name) or "#").startswith("#"), (tag, attributes)
    assert not re.findall(r"url\((?!#)|@import", html)
    [policy] = [one["content"] for one in page.all("meta") if "http-equiv" in one]
    assert policy is not None
    assert "default-src 'none'" in policy


def test_whoever_does_not_see_the_page_finds_everything_by_name(html: str) -> None:
    """WCAG 2.2: 1.1.1, 1.3.1, 2.4.2, 2.4.6, 3.1.1 and 4.1.2."""
    page = Page(html)
    assert page.all("html") == [{"lang": "en"}]
    assert page.text("title") == ["Season 2026"]
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    ids = [one["id"] for _, one in page.elements if "id" in one and one["id"] is not None]
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', html)) <= {
        pair for name in ids for pair in ((name, ""), ("", name))
    }
    for one in page.all("section"):
        assert one["aria-labelledby"] in ids
    for link in page.all("a"):
        assert (link["href"] or "").removeprefix("#") in ids
    for picture in page.all("svg"):
        assert picture["role"] == "img"
        assert picture["aria-label"]
    for region in (one for one in page.all("div") if one.get("role") == "region"):
        assert region["aria-label"]
    heads = [one for one in page.all("th") if one.get("scope") == "col"]
    assert len(page.all("table")) <= len(heads)


def luminance(colour: str) -> float:
    """Relative luminance of a colour: WCAG 2.2, definition of it."""
    full = colour.lstrip("#") if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = [int(full[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return sum(w * p for w, p in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_every_colour_of_text_stands_out_from_every_ground(html: str) -> None:
    """WCAG 2.2, 1.4.3: a contrast of 4.5 or more; black on white has 21."""
    assert contrast("#000", "#fff") == pytest.approx(21)
    [style] = re.findall(r"<style>(.*?)</style>", html.split("<svg", maxsplit=1)[0], re.DOTALL)
    texts = set(re.findall(r"[{; ]color: (#\w+)", style)) | {INK, GREY}
    grounds = set(re.findall(r"background: (#\w+)", style)) | {PALE}
    assert len(texts) > 3
    assert len(grounds) > 2
    for text in texts:
        for ground in grounds:
            assert contrast(text, ground) >= 4.5, (text, ground)


def test_a_section_that_fails_leaves_the_others(
    season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("planted")

    monkeypatch.setattr(agree.command, "main", fail)
    page = Page(report(season))
    assert page.text("h2")[1:] == SECTIONS
    assert any("planted" in text and "fault of firmhand" in text for text in page.text("p"))
    assert "1 and 2" in page.text("th")


def test_an_empty_season_says_what_to_do_and_only_files_are_written(tmp_path: Path) -> None:
    path = tmp_path / "empty.season"
    with open_season(path, create=True, crop="raspberry"):
        pass
    page = Page(report(path))
    assert page.text("h2")[1:] == SECTIONS
    assert any("gauge log" in text for text in page.text("p"))
    for target in (path, tmp_path):
        with pytest.raises(CannotWriteError):
            report(path, "--out", target)
    with open_season(path, read_only=True) as file:
        assert file.crop == "raspberry"


@pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine")
def test_a_browser_shows_and_prints_it_without_a_complaint(html: str, tmp_path: Path) -> None:
    def browse(page: Path, *options: str) -> str:
        words = [str(BROWSER), "--headless", "--no-sandbox", "--disable-gpu", *options]
        words += ["--enable-logging=stderr", f"--user-data-dir={tmp_path / 'home'}"]
        ran = subprocess.run(
            [*words, page.as_uri()], capture_output=True, text=True, timeout=120, check=True
        )
        return "\n".join(line for line in ran.stderr.splitlines() if "CONSOLE" in line)

    broken = tmp_path / "broken.html"
    broken.write_text("<script>undefined_function()</script>", encoding="utf-8")
    assert "undefined_function" in browse(broken, "--dump-dom")  # a complaint would be seen
    page = tmp_path / "report.html"
    page.write_text(html, encoding="utf-8")
    picture, printed = tmp_path / "screen.png", tmp_path / "printed.pdf"
    assert not browse(page, "--window-size=1000,1400", f"--screenshot={picture}")
    assert not browse(page, "--no-pdf-header-footer", f"--print-to-pdf={printed}")
    assert picture.stat().st_size > 50_000
    boxes = re.findall(rb"/MediaBox\s*\[\s*([^\]]*)\]", printed.read_bytes())
    assert len(boxes) > 3
    for box in boxes:  # A4: 210 mm by 297 mm (ISO 216)
        assert [float(x) for x in box.split()] == pytest.approx([0, 0, 595, 842], abs=2)
