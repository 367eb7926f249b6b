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
    pads : dict of str to tuple of float
        Forces of durable pads, newtons.
    """

    name: str
    heads_mm: frozenset[float] = frozenset()
    gauges: frozenset[str] = frozenset()
    raters: frozenset[str] = frozenset()
    temperature_c: float | None = None
    verified: bool | None = None
    pads: dict[str, tuple[float, ...]] | None = None


def conditions_of(path: Path, raters: Iterable[str] = ()) -> Conditions:
    """Read a season file's conditions; of a CSV only the raters (those of its pairs) are known."""
    if not looks_like_season(path):
        return Conditions(name=path.name, raters=frozenset(raters))
    with open_season(path, read_only=True) as season:
        sessions = [row.session for row in season.sessions() if row.session.purpose == "berries"]
        verifications = season.verifications()
        view = season.columns("berry", ("fruit_temp_c", "storage_temp_c"))
        pads: dict[str, tuple[float, ...]] = {}
        for press in season.pad_presses():
            pads[press.pad] = (*pads.get(press.pad, ()), press.force_newton)
    temperatures = [
        fruit if fruit is not None else store
        for fruit, store in zip(view["fruit_temp_c"], view["storage_temp_c"], strict=True)
    ]
    known = [t for t in temperatures if t is not None]
    return Conditions(
        name=path.name,
        heads_mm=frozenset(s.head_mm for s in sessions if s.head_mm is not None),
        gauges=frozenset(
            " ".join(filter(None, (s.gauge, s.gauge_serial)))
            for s in sessions
            if s.gauge or s.gauge_serial
        ),
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
    if first.heads_mm and second.heads_mm and first.heads_mm != second.heads_mm:
        found.append(
            f"The head differs ({_mm(first)}, then {_mm(second)}): newtons of the two seasons are "
            "not the same thing."
        )
    if first.gauges and second.gauges and first.gauges != second.gauges:
        found.append(
            f"The gauge differs ({_list(first.gauges)}, then {_list(second.gauges)}): trust the "
            "shift only as far as check weights and pads do."
        )
    for season in (first, second):
        if season.verified is False:
            found.append(f"{season.name}: the last check with weights was not passed.")
        if season.verified is None and season.pads is not None:
            found.append(f"{season.name}: the gauge was never checked with weights.")
    if (
        first.temperature_c is not None
        and second.temperature_c is not None
        and abs(first.temperature_c - second.temperature_c) > TEMPERATURE_STEP_C
    ):
        found.append(
            f"Fruit was at {first.temperature_c:.0f} C, then at {second.temperature_c:.0f} C: cold "
            "fruit is firmer."
        )
    if first.raters and second.raters and first.raters != second.raters:
        gone, come = first.raters - second.raters, second.raters - first.raters
        parts = [f"left: {_list(gone)}"] * bool(gone) + [f"new: {_list(come)}"] * bool(come)
        found.append(f"The panel differs ({'; '.join(parts)}): hands, not fruit, may have moved.")
    return found


def _mm(season: Conditions) -> str:
    return ", ".join(f"{mm:g} mm" for mm in sorted(season.heads_mm))


def _list(names: Iterable[str]) -> str:
    return ", ".join(sorted(names))
