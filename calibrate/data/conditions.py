"""Under which conditions a season was measured, and how two seasons' conditions differ."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from calibrate.data.pairs import looks_like_season
from gauge.season.file import open_season

# C; cut points move with fruit temperature; a difference above this is worth a warning
# (common practice, no source).
TEMPERATURE_STEP_C = 3.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Conditions:
    """What a season file says of its own measurements.

    Attributes
    ----------
    name : str
    heads_mm, gauges : frozenset
        Of sessions that logged berries; gauges as name and serial number.
    raters : frozenset of str
    temperature_c : float or None
        Mean fruit temperature, or storage temperature where none was taken.
    verified : bool or None
        Whether the last verification was passed; None without any.
    pads : dict of str to list of float, or None
        Forces of durable pads, newtons; None of a CSV.
    """

    name: str
    heads_mm: frozenset[float] = frozenset()
    gauges: frozenset[str] = frozenset()
    raters: frozenset[str] = frozenset()
    temperature_c: float | None = None
    verified: bool | None = None
    pads: dict[str, list[float]] | None = None


def conditions_of(path: Path, raters: Iterable[str] = ()) -> Conditions:
    """Read a season file's conditions; of a CSV only the raters (those of its pairs) are known."""
    if not looks_like_season(path):
        return Conditions(name=path.name, raters=frozenset(raters))
    with open_season(path, read_only=True) as season:
        sessions = [row.session for row in season.sessions() if row.session.purpose == "berries"]
        verifications = season.verifications()
        view = season.columns("berry", ("fruit_temp_c", "storage_temp_c"))
        pads: dict[str, list[float]] = {}
        for press in season.pad_presses():
            pads.setdefault(press.pad, []).append(press.force_newton)
    temperatures = zip(view["fruit_temp_c"], view["storage_temp_c"], strict=True)
    known = [c for c in (store if c is None else c for c, store in temperatures) if c is not None]
    return Conditions(
        name=path.name,
        heads_mm=frozenset(s.head_mm for s in sessions if s.head_mm is not None),
        gauges=frozenset(" ".join(filter(None, (s.gauge, s.gauge_serial))) for s in sessions)
        - {""},
        raters=frozenset(raters),
        temperature_c=sum(known) / len(known) if known else None,
        verified=verifications[-1].passed if verifications else None,
        pads=pads,
    )


def differences(first: Conditions, second: Conditions) -> list[str]:
    """Say which conditions differ, each with what it may do to the cut points.

    Examples
    --------
    >>> differences(Conditions(name="a", heads_mm=frozenset({8.0})),
    ...             Conditions(name="b", heads_mm=frozenset({10.0})))
    ['The head differs (8 mm, then 10 mm): newtons of the two seasons are not the same thing.']
    """
    found = []
    heads = [[f"{mm:g} mm" for mm in sorted(season.heads_mm)] for season in (first, second)]
    gauges = [sorted(season.gauges) for season in (first, second)]
    for what, (one, two), effect in (
        ("head", heads, "newtons of the two seasons are not the same thing."),
        ("gauge", gauges, "trust the shift only as far as check weights and pads do."),
    ):
        if one and two and one != two:
            found.append(f"The {what} differs ({', '.join(one)}, then {', '.join(two)}): {effect}")
    for season in (first, second):
        if season.verified is False:
            found.append(f"{season.name}: the last check with weights was not passed.")
        if season.verified is None and season.pads is not None:
            found.append(f"{season.name}: the gauge was never checked with weights.")
    before, after = first.temperature_c, second.temperature_c
    if before is not None and after is not None and abs(before - after) > TEMPERATURE_STEP_C:
        found.append(f"Fruit was at {before:.0f} C, then at {after:.0f} C: cold fruit is firmer.")
    if first.raters and second.raters and first.raters != second.raters:
        gone, come = first.raters - second.raters, second.raters - first.raters
        changes = {"left": sorted(gone), "new": sorted(come)}
        parts = [f"{how}: {', '.join(names)}" for how, names in changes.items() if names]
        found.append(f"The panel differs ({'; '.join(parts)}): hands, not fruit, may have moved.")
    return found
