"""The methods paragraph of a season: what was recorded, in sentences, and what was not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING, Any

from calibrate.cuts.calibration import Calibration
from calibrate.data.conditions import conditions_in
from calibrate.data.labels import format_newton, in_unit, unit, with_unit
from gauge.package import __version__
from gauge.plaintext import plural
from gauge.pressprotocol import PARTS
from gauge.season.checks import peak_flags

if TYPE_CHECKING:
    from gauge.season.file import SeasonFile
    from gauge.season.rows import BerryRow

NOT_RECORDED = "not recorded"


@dataclass(frozen=True, kw_only=True, slots=True)
class Methods:
    """The sentences of the paragraph, and what a reader will miss in them."""

    sentences: tuple[str, ...]
    not_recorded: tuple[str, ...]

    @property
    def text(self) -> str:
        """The paragraph, closed by what was not recorded."""
        missing = ", ".join(self.not_recorded)
        last = [f"Not recorded: {missing}."] if missing else []
        return " ".join([*self.sentences, *last])


class _Missing(list[str]):
    """Gathers what was not recorded, and says so where it is asked for."""

    def said(self, what: str, value: object) -> str:
        """Return a value in words, or that it was not recorded."""
        if value is None or value == "":
            self.append(what)
            return f"{what} {NOT_RECORDED}"
        return f"{what} {value}"


def methods(file: SeasonFile) -> Methods:
    """Write how a season was measured, scored and computed, from what it holds."""
    missing = _Missing()
    berries = [berry for berry in file.berries() if berry.void is None and berry.peak_newton]
    sentences = [
        _fruit(file, berries, missing),
        _gauge(file, berries, missing),
        _checks(file, missing),
        _pressing(file, missing),
        _doubts(file, berries),
        _scores(file, berries, missing),
        _calibration(file, missing),
        f"Computed with firmhand {__version__}; digest of the season file {file.digest}.",
    ]
    return Methods(sentences=tuple(filter(None, sentences)), not_recorded=tuple(missing))


def _span(values: Iterable[float | None], unit_: str) -> str:
    """Write the range of what was recorded, and of how much where some lack it."""
    listed = list(values)
    known = [value for value in listed if value is not None]
    if not known:
        return ""
    low, high = min(known), max(known)
    span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    part = f" (recorded for {len(known)} of {len(listed)})" if len(known) < len(listed) else ""
    return f"{span} {unit_}{part}"


def _days(days: Iterable[str | None]) -> str:
    """Write the first and the last of some days."""
    known = sorted(filter(None, days))
    return " to ".join(dict.fromkeys((known[0], known[-1]))) if known else ""


def _listed(values: Iterable[object]) -> str:
    return ", ".join(str(value) for value in dict.fromkeys(values) if value is not None)


def _fruit(file: SeasonFile, berries: list[BerryRow], missing: _Missing) -> str:
    used = {berry.sample for berry in berries}
    samples = [row.sample for row in file.samples() if row.sample.code in used]
    by_code = {sample.code: sample for sample in samples}
    if not berries:
        missing.append("berries")
        return ""
    crop = file.crop or _listed(sample.crop for sample in samples)
    selections = {sample.selection for sample in samples} - {None}
    of = f" of {plural(len(selections), 'selection')}" if selections else ""
    stored = sorted({s.storage_day for s in samples if s.storage_day is not None})
    store = [f"stored {_listed(f'{day:g}' for day in stored)} days"] if stored else []
    cold = _span((s.storage_temp_c for s in samples), "°C")
    if store:
        store.append(f"at {cold}" if cold else missing.said("temperature of the store", ""))
    fruit = [
        berry.fruit_temp_c if berry.fruit_temp_c is not None else by_code[berry.sample].fruit_temp_c
        for berry in berries
    ]
    parts = [
        missing.said("harvest", _days(sample.harvest_date for sample in samples)),
        (" " if cold else "; ").join(store) or missing.said("storage", ""),
        missing.said("temperature of the fruit", _span(fruit, "°C")),
        missing.said("time out of the store", _span((s.out_of_store_h for s in samples), "h")),
        missing.said("diameter of the berries", _span((b.size_mm for b in berries), "mm")),
    ]
    what = f"{crop + ' ' if crop else ''}{plural(len(berries), 'berry').split(' ', 1)[1]}"
    pressed = file.press_days()
    days = _days(str(pressed[b.berry_id]) for b in berries if b.berry_id in pressed)
    parts.append(missing.said("day of pressing", days))
    return (
        f"{len(berries)} {what} in {plural(len(used), 'sample')}{of} ({'; '.join(parts)}) were "
        "pressed."
    )


def _gauge(file: SeasonFile, berries: list[BerryRow], missing: _Missing) -> str:
    pressed = {berry.session_id for berry in berries}
    sessions = [row.session for row in file.sessions() if row.session_id in pressed]
    capacity = sorted({s.capacity_newton for s in sessions if s.capacity_newton})
    parts = [
        missing.said("gauge", _listed(s.gauge for s in sessions)),
        missing.said("serial number", _listed(s.gauge_serial for s in sessions)),
        missing.said("capacity", _listed(with_unit(n, short=True) for n in capacity)),
        missing.said("operator", _listed(s.operator for s in sessions)),
    ]
    # A peak of a sheet has no reading before its press: nobody knows how it was taken.
    n_imported = sum(berry.baseline_newton is None for berry in berries)
    if n_imported == len(berries):
        missing.append("how peaks were taken")
        return f"Peak forces were imported as written on a sheet ({'; '.join(parts)})."
    derived = {s.detector for s in sessions} - {None}
    how = f" by detector version {', '.join(sorted(map(str, derived)))}" if derived else ""
    but = f"; of {plural(n_imported, 'berry')} it was imported from a sheet" if n_imported else ""
    return (
        f"The largest reading of each press, as shown, was taken as its peak force{how}{but} "
        f"({'; '.join(parts)})."
    )


def _checks(file: SeasonFile, missing: _Missing) -> str:
    rows = file.verifications()
    gauges = {(row.gauge, row.gauge_serial) for row in rows}
    held = [one for gauge in gauges or {(None, None)} for one in file.certificates(*gauge)]
    certificates = missing.said("certificates", "; ".join(dict.fromkeys(r.words() for r in held)))
    if not rows:
        missing.append("check with weights")
        return f"A check of the gauge with weights was {NOT_RECORDED}; {certificates}."
    passed = [row for row in rows if row.passed]
    masses = _listed(weight["mass"] for row in rows for weight in row.result["weights"])
    limits = _listed(f"{row.tolerance_pct:g} %" for row in rows)
    sure = passed[-1].result.get("uncertainty") if passed else None
    parts = [
        missing.said("loading", _listed(row.result.get("loading") for row in rows)),
        missing.said(
            "class of the weights", _listed(row.result.get("weight_class") for row in rows)
        ),
        f"gravity {rows[-1].gravity_from}",
    ]
    return (
        f"The gauge was checked {plural(len(rows), 'time')} "
        f"({_days(row.at[:10] for row in rows)}) with weights of {masses} ({'; '.join(parts)}) and "
        f"was within {limits} {plural(len(passed), 'time')}; "
        f"{missing.said('expanded uncertainty of a peak', _uncertainty(sure))}; {certificates}."
    )


def _uncertainty(sure: Mapping[str, Any] | None) -> str:
    """Write the expanded uncertainty that a check gave; nothing where it gave none."""
    if sure is None:
        return ""
    wide = [
        f"{in_unit(peak['U_N']):#.2g} {unit()} at {with_unit(peak['force_N'])}"
        for peak in sure["peaks"]
    ]
    # Without the words in brackets, which say how to get them in.
    missing = [name.partition(" (")[0] for name in sure["missing"]]
    left_out = f", without {', '.join(missing)}" if missing else ""
    return f"{', '.join(wide)} (k = {sure['k']:g}, {sure['method']}{left_out})"


def _pressing(file: SeasonFile, missing: _Missing) -> str:
    found = conditions_in(file).protocols.values()
    common = conditions_in(file).protocol
    parts = []
    for name, part in PARTS.items():
        stated = list(dict.fromkeys(filter(None, (one.said(name) for one in found))))
        mixed = f"mixed: {', '.join(stated)}" if len(stated) > 1 else ""
        if name != "fruit_c":  # what the fruit had is said with the fruit
            parts.append(missing.said(part.called, common.said(name) or mixed))
    return f"How berries were pressed: {'; '.join(parts)}."


def _doubts(file: SeasonFile, berries: list[BerryRow]) -> str:
    flags = peak_flags(file)
    kinds = Counter(flag for berry in berries for flag in flags.get(berry.berry_id, ()))
    void = sum(berry.void is not None for berry in file.berries())
    n = sum(bool(flags.get(berry.berry_id)) for berry in berries)
    which = f" ({', '.join(f'{flag} {count}' for flag, count in kinds.items())})" if kinds else ""
    return f"Void: {plural(void, 'berry')}; flagged: {plural(n, 'peak')}{which}."


def _scores(file: SeasonFile, berries: list[BerryRow], missing: _Missing) -> str:
    marks = [mark for berry in berries for mark in berry.scores]
    if not marks:
        missing.append("finger scores")
        return ""
    raters = sorted({mark.rater for mark in marks})
    scored = [berry for berry in berries if berry.scores]
    ordered = any(mark.squeeze_order for mark in marks)
    again = sum(mark.occasion > 1 for mark in marks)
    twice = f"; {plural(again, 'score')} were repeated" if again else ""
    order = missing.said("order of squeezes", "recorded" if ordered else "")
    return (
        f"{plural(len(raters), 'rater')} ({', '.join(raters)}) scored {len(scored)} of the berries "
        f"by finger on the scale {', '.join(file.labels)}, firmest first, "
        f"{fmean(len(berry.scores) for berry in scored):.2g} scores a berry ({order}{twice})."
    )


def _calibration(file: SeasonFile, missing: _Missing) -> str:
    name = file.setting("calibration")
    stored = {row.name: row for row in file.calibrations()}
    if name not in stored:
        missing.append("calibration")
        return ""
    kept = Calibration.from_document(stored[name].document)
    panel = kept.hand_sd is not None
    scored = {mark.rater for berry in file.berries() if not berry.void for mark in berry.scores}
    whose = f" ({', '.join(kept.raters)})" if {*kept.raters} not in (set(), scored) else ""
    model = (
        "a cumulative logistic model with random effects of rater and berry"
        if panel
        else "a cumulative logistic model"
    )
    cuts = [
        f"{'/'.join(pair)} {format_newton(cut.value, missing='unknown')} "
        f"({format_newton(cut.low)} to {format_newton(cut.high)})"
        for pair, cut in zip(kept.scale.boundaries, kept.cuts, strict=True)
    ]
    force = "force" if kept.force_scale == "linear" else "log force"
    return (
        "Cut points, the forces at which a berry is as likely to get the firmer score of a pair, "
        f"or a firmer one, as a softer one, were estimated from {kept.n} scores{whose} by {model} "
        f"on {force}: {', '.join(cuts)} {unit()} ({kept.level:.0%} intervals; calibration {name} "
        f"of {stored[name].at[:10]}, firmhand {stored[name].version}, "
        f"data {kept.fingerprint[:12]})."
    )
