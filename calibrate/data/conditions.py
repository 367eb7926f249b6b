"""Under which conditions seasons were measured, and where these differ."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from gauge.outfile import is_database
from gauge.pressprotocol import PARTS, PressProtocol, mismatches
from gauge.season.file import SeasonFile, open_season
from gauge.season.rows import PadPressRow

# C; cut points move with fruit temperature; a difference above this is worth a warning
# (common practice, no source).
TEMPERATURE_STEP_C = 3.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Conditions:
    """What a season file says of its own measurements.

    `protocols` are by session, `stated` is the season's own, `gauges` are names and serial numbers,
    `fruit_c` is the temperature of each berry that counts, `verified` whether the last check was
    passed. None is what is not known; of a CSV nothing but the raters is.
    """

    name: str
    protocols: Mapping[int, PressProtocol] = field(default_factory=dict)
    stated: PressProtocol = field(default_factory=PressProtocol)
    gauges: frozenset[str] = frozenset()
    raters: frozenset[str] = frozenset()
    fruit_c: tuple[float | None, ...] = ()
    verified: bool | None = None
    pads: tuple[PadPressRow, ...] | None = None

    @property
    def protocol(self) -> PressProtocol:
        """What its sessions state alike."""
        return PressProtocol.common(self.protocols.values())

    @property
    def known_c(self) -> list[float]:
        """The temperatures of the fruit that were taken."""
        return [c for c in self.fruit_c if c is not None]

    @property
    def pads_c(self) -> list[float]:
        """The temperatures of the pads that were taken."""
        return [row.temp_c for row in self.pads or () if row.temp_c is not None]


def conditions_of(path: Path, raters: Iterable[str] = ()) -> Conditions:
    """Read a season file's conditions; of a CSV only the raters (those of its pairs) are known."""
    if not is_database(path):
        return Conditions(name=path.name, raters=frozenset(raters))
    with open_season(path, read_only=True) as season:
        return conditions_in(season, raters)


def conditions_in(season: SeasonFile, raters: Iterable[str] = ()) -> Conditions:
    """Read the conditions of an open season."""
    sessions = [row.session for row in season.sessions() if row.session.purpose == "berries"]
    verifications = season.verifications()
    view = season.columns("berry", ("fruit_temp_c", "void"))
    return Conditions(
        name=season.path.name,
        protocols=season.press_protocols(),
        stated=season.protocol,
        gauges=frozenset(" ".join(filter(None, (s.gauge, s.gauge_serial))) for s in sessions)
        - {""},
        raters=frozenset(raters),
        fruit_c=tuple(c for c, void in zip(*view.values(), strict=True) if void is None),
        verified=verifications[-1].passed if verifications else None,
        pads=tuple(season.pad_presses()),
    )


def common_pads(
    first: Conditions, second: Conditions
) -> tuple[dict[str, list[float]], dict[str, list[float]]]:
    """Find the forces in newtons of the pads of two seasons; of another batch it is another pad."""
    seasons = [season.pads or () for season in (first, second)]
    batches = [{row.pad: row.batch for row in rows if row.batch} for rows in seasons]
    found: tuple[dict[str, list[float]], dict[str, list[float]]] = ({}, {})
    for rows, forces in zip(seasons, found, strict=True):
        for row in rows:
            known = {row.batch, *(of.get(row.pad) for of in batches)} - {None}
            if len(known) < 2:
                forces.setdefault(row.pad, []).append(row.force_newton)
    return found


def within(*seasons: Conditions) -> list[str]:
    """Say how presses and fruit differ that are taken together, and what is not known of some.

    Examples
    --------
    >>> within(Conditions(name="a", fruit_c=(4.0, 20.0, None)))[0]
    'Fruit of 4 to 20 °C is taken together: cold fruit is firmer.'
    """
    named: dict[str, PressProtocol] = {}
    for season in seasons:
        of = f"{season.name}, " if len(seasons) > 1 else ""
        own = {f"{of}session {i}": one for i, one in season.protocols.items()}
        if own:
            own = {f"{of}the season's protocol": season.stated, **own}
        named |= own if mismatches(own) or not of else {season.name: season.protocol}
    found = mismatches(named)
    known = [c for season in seasons for c in season.known_c]
    n = sum(len(season.fruit_c) for season in seasons)
    if known and max(known) - min(known) > TEMPERATURE_STEP_C:
        span = f"{min(known):.0f} to {max(known):.0f} °C"
        found.append(f"Fruit of {span} is taken together: cold fruit is firmer.")
    if 0 < len(known) < n:
        found.append(f"The temperature of {n - len(known)} of {n} berries is not recorded.")
    return found


def differences(first: Conditions, second: Conditions) -> list[str]:
    """Say which conditions of two seasons differ, each with what it may do to the cut points.

    Examples
    --------
    >>> a, b = (Conditions(name=n, protocols={1: PressProtocol(head_mm=mm)})
    ...         for n, mm in (("a", 8.0), ("b", 10.0)))
    >>> differences(a, b)[0][:55]
    'The diameter of the head differs (8 mm, then 10 mm): ne'
    """
    found = []
    for name, part in PARTS.items():
        one, two = (_values(season, name) for season in (first, second))
        if one and two and one != two:
            found.append(
                f"The {part.called} differs ({', '.join(one)}, then {', '.join(two)}): newtons "
                "of the two seasons are not the same thing."
            )
    gauges = [", ".join(sorted(season.gauges)) for season in (first, second)]
    if all(gauges) and gauges[0] != gauges[1]:
        found.append(
            f"The gauge differs ({gauges[0]}, then {gauges[1]}): trust the shift only as far as "
            "check weights and pads do."
        )
    for season in (first, second):
        found += [f"{season.name}: {what}" for what in within(season)]
        if season.verified is False:
            found.append(f"{season.name}: the last check with weights was not passed.")
        if season.verified is None and season.pads is not None:
            found.append(f"{season.name}: the gauge was never checked with weights.")
        if season.fruit_c and not season.known_c:
            found.append(f"{season.name}: the temperature of the fruit was not recorded.")
    for what, before, after, effect in (
        ("Fruit was", first.known_c, second.known_c, "cold fruit is firmer"),
        ("Pads were", first.pads_c, second.pads_c, "cold pads are stiffer"),
    ):
        if before and after:
            one_c, two_c = (sum(known) / len(known) for known in (before, after))
            if abs(one_c - two_c) > TEMPERATURE_STEP_C:
                found.append(f"{what} at {one_c:.0f} °C, then at {two_c:.0f} °C: {effect}.")
    if first.raters and second.raters and first.raters != second.raters:
        gone, come = first.raters - second.raters, second.raters - first.raters
        changes = {"left": sorted(gone), "new": sorted(come)}
        parts = [f"{how}: {', '.join(names)}" for how, names in changes.items() if names]
        found.append(f"The panel differs ({'; '.join(parts)}): hands, not fruit, may have moved.")
    return list(dict.fromkeys(found))  # a season may be compared with itself


def _values(season: Conditions, name: str) -> list[str]:
    """Return what the sessions of a season state of one part of the protocol, in words."""
    stated = {one.said(name) for one in season.protocols.values()}
    return sorted(stated - {""}, key=lambda text: (len(text), text))
