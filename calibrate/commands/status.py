"""`calibrate status`: what of the season is done, what is next, and what is stale."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import calibrate
import gauge
from calibrate.commands import answers
from gauge.clikit import season_argument
from gauge.plaintext import plural
from gauge.printed import echo

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.season.rows import BerryRow

_CHECK_DAYS = 7.0  # days; a gauge in use is checked weekly: common practice, no source


@dataclass(kw_only=True)
class _Status:
    """What is done, what comes next with the command to type, and what to beware of."""

    season: str
    done: list[str] = field(default_factory=list)
    next: list[dict[str, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def then(self, what: str, command: str) -> None:
        """Add a next step; the first S in its command stands for the season."""
        before, _, after = f"{command} ".partition(" S ")
        self.next.append({"what": what, "command": f"{before} {self.season} {after}".strip()})


@answers.command("status")
@season_argument
def command(season: Path) -> None:
    """Say what is done, and what is next.

    What of the season's work is done, which command comes next, and what is stale: a calibration
    older than its data, anchors past their life, a gauge not checked, samples that are late.

    \b
    calibrate status 2026.season
    """  # noqa: D301
    status = _Status(season=shlex.quote(str(season)))
    with gauge.open_season(season, read_only=True) as file:
        berries = [berry for berry in file.berries() if berry.void is None]
        _gauge(status, file, berries)
        _pressing(status, file)
        _samples(status, file, berries)
        _scores(status, berries)
        status.done += [row.about for row in file.roster() if row.why]
    if any(berry.scores and berry.peak_newton for berry in berries):
        _calibration(status, season)
    if answers.emitted(answers.document(status, "done", "next", "warnings")):
        return
    for line in status.done:
        echo(f"done  {line}")
    for step in status.next:
        echo(f"next  {step['what']}:\n      {step['command']}")
    for line in status.warnings:
        echo(f"  !   {line}")


def _gauge(status: _Status, file: SeasonFile, berries: list[BerryRow]) -> None:
    from gauge.season.checks import check_warning, last_check, overdue

    rows = file.verifications()
    pressed = {berry.session_id for berry in berries}
    sessions = [row.session for row in file.sessions() if row.session_id in pressed]
    # What was imported was pressed elsewhere, and perhaps years ago.
    logged = [session for session in sessions if session.line_format or session.gauge]
    # The gauge that was logged with last; before the first berry, the one that was checked last.
    of = [*rows, *logged][-1:]
    own = {key: getattr(one, key) for one in of for key in ("gauge", "gauge_serial")}
    last = last_check(rows, **own)
    if last is not None and last.passed and any(own.values()):
        status.done.append(f"the gauge passed its check of {last.at[:10]}")
    warning = check_warning(rows, days=_CHECK_DAYS, **own)
    if warning is not None and (rows or logged):
        status.warnings.append(warning)
    status.warnings += overdue(file.certificates(**own))
    if warning is not None and (rows or logged or not sessions):
        port = next((shlex.quote(one.port) for one in reversed(logged) if one.port), "PORT")
        flags = {"--gauge": own.get("gauge"), "--serial-number": own.get("gauge_serial")}
        name = " ".join(f"{flag} {shlex.quote(of)}" for flag, of in flags.items() if of)
        how = f"gauge verify --port {port} --format FORMAT.toml --season S --mass 500g"
        status.then("check the gauge", f"{how} {name or '--gauge NAME'}")


def _pressing(status: _Status, file: SeasonFile) -> None:
    """Say what nobody stated of how berries were pressed, and of their temperature."""
    from calibrate.data.conditions import conditions_in

    conditions = conditions_in(file)
    if conditions.protocols and not conditions.protocol.stated:
        how = "gauge protocol S --set head_mm=8 --set speed=hand"
        status.then("say how berries are pressed", how)
    if conditions.fruit_c and not conditions.known_c:
        status.warnings.append(
            "the temperature of the fruit was not recorded: cold fruit is firmer"
        )


def _samples(status: _Status, file: SeasonFile, berries: list[BerryRow]) -> None:
    rows = file.samples()
    planned = [row for row in rows if row.sample.plan_order is not None]
    if not rows:
        status.then("plan the samples", "gauge plan S --import PLAN.csv")
    if planned:
        done = sum(row.done for row in planned)
        status.done.append(f"{done} of {len(planned)} planned samples")
    if berries:
        samples = plural(len({berry.sample for berry in berries}), "sample")
        status.done.append(f"{plural(len(berries), 'berry')} of {samples}")
    today = datetime.now(UTC).date()
    for row in planned:
        day = None if row.done or row.sample.storage_day is None else row.sample.due
        if day is not None and day <= today:
            status.warnings.append(f"sample {row.sample.code} was planned for {day}")
    if (ahead := file.next_sample()) is not None:
        code = shlex.quote(ahead.sample.code)
        status.then("log the next sample", f"gauge log --season S --sample {code}")


def _scores(status: _Status, berries: list[BerryRow]) -> None:
    scored = [berry for berry in berries if berry.scores]
    raters = sorted({mark.rater for berry in scored for mark in berry.scores})
    if scored:
        n = sum(len(berry.scores) for berry in scored)
        status.done.append(f"{n} finger scores by {', '.join(raters)}")
    unscored = sum(not (berry.scores or berry.press_only) for berry in berries)
    if unscored:
        of = plural(unscored, "berry")
        status.then(f"bring in the scores of {of}", "gauge scores S SHEET.csv")


def _calibration(status: _Status, season: Path) -> None:
    """Say how the season's calibration and its anchors stand."""
    from calibrate.anchors.retirement import good_anchors, retirement_reason
    from calibrate.cuts.fitting import fingerprint

    pairs = calibrate.load_pairs(season, as_typed=True)
    panel, left_out = pairs.panel()
    status.warnings += [*left_out, *pairs.doubts]
    with gauge.open_season(season, read_only=True) as file:
        name = file.setting("calibration")
        stored = {row.name: row for row in file.calibrations()}
        anchors = [row for row in file.anchors() if row.calibration == name]
    today = datetime.now(UTC).date()
    if name is None:
        status.then("fit and adopt a calibration", f"calibrate adopt S {today.year}")
        return
    row = stored[name]
    status.done.append(f"calibration {name} is adopted ({row.at[:10]})")
    kept = calibrate.Calibration.from_document(row.document)
    present = fingerprint(panel, kept.force_scale, kept.level)
    if present != row.fingerprint:
        status.warnings.append(f"calibration {name} is older than the season's data")
        fresh = next(f"{name}-{n}" for n in range(2, 999) if f"{name}-{n}" not in stored)
        status.then("adopt a calibration of all data", f"calibrate adopt S {shlex.quote(fresh)}")
    worn: dict[str, list[str]] = {}
    for anchor in anchors:
        if anchor.retired_at is None and (why := retirement_reason(anchor, today)):
            worn.setdefault(why, []).append(anchor.label)
    for why, labels in worn.items():
        many = f"anchors {', '.join(labels)} must retire, each because {why}"
        one = f"anchor {labels[0]} must retire: {why}"
        status.warnings.append(one if len(labels) == 1 else many)
    if good := good_anchors(anchors, today):
        status.done.append(f"{len(good)} of {len(anchors)} anchors are good")
        rater = shlex.quote(pairs.raters[0]) if pairs.raters else "NAME"
        status.then("let a rater warm up", f"calibrate practice S --rater {rater}")
    else:
        status.then("keep an anchor set", "calibrate anchors S --keep --card card.pdf")
    if len(pairs.raters) > 1:
        status.then("see how the hands stand", "calibrate check S --all")
    status.then("make the tables", "calibrate table S")
    status.then("put the season on one page", "calibrate report S --out report.html")
