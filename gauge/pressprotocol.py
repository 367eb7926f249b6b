"""How berries are pressed: what a season's presses have in common, as far as it was stated."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

from gauge.errors import InvalidValueError
from gauge.plaintext import plural
from gauge.records import Session

_END = re.compile(r"(\d+(?:[.,]\d+)?) ?(mm|%)|yield")
BY_HAND = "by hand"


class Part(NamedTuple):
    """A part of the protocol: its name and unit, how it is typed, and within which bounds."""

    called: str
    unit: str
    typed: str
    within: tuple[float, float] | None = None


PARTS = {
    "head_mm": Part("diameter of the head", "mm", "in mm", (0.1, 100.0)),
    "head_shape": Part("shape of the head", "", "such as flat or round"),
    "speed": Part(
        "speed of the head", "mm/s", "in mm/s, or hand where a hand lowers it", (0.001, 1000.0)
    ),
    "end": Part("end of a press", "", "so many mm, % of the diameter, or yield"),
    "orientation": Part("orientation of berries", "", "such as calyx down"),
    "fruit_c": Part("temperature of the fruit", "°C", "in °C, as it should be", (-10.0, 60.0)),
}
_MOST_NAMED = 8  # sessions; more are counted


@dataclass(frozen=True, kw_only=True, slots=True)
class PressProtocol:
    """How berries are pressed, each part as in `PARTS`; None is what nobody stated.

    A press ends at "5 mm" of travel, "30 %" of the berry's diameter, or "yield". `fruit_c` is the
    temperature that the fruit should have; what it had is a fact of the sample.

    Examples
    --------
    >>> PressProtocol().with_typed(["head_mm=8", "speed=hand"]).words()
    'head 8 mm, lowered by hand'
    """

    head_mm: float | None = None
    head_shape: str | None = None
    speed: float | str | None = None
    end: str | None = None
    orientation: str | None = None
    fruit_c: float | None = None

    @classmethod
    def of(cls, session: Session, usual: PressProtocol) -> PressProtocol:
        """Return how berries of a session were pressed: as usual, where it says nothing else."""
        own = cls(**json.loads(session.protocol or "{}"))
        return usual.but(replace(own, head_mm=session.head_mm or own.head_mm))

    @property
    def stated(self) -> dict[str, Any]:
        """What is stated."""
        return {name: value for name, value in asdict(self).items() if value is not None}

    def but(self, other: PressProtocol) -> PressProtocol:
        """Return this protocol with what the other one states."""
        return replace(self, **other.stated)

    def with_typed(self, typed: Iterable[str]) -> PressProtocol:
        """Return this protocol with parts as they are typed, KEY=VALUE; no value clears one."""
        changes: dict[str, Any] = {}
        for text in typed:
            name, equals, value = (part.strip() for part in text.partition("="))
            if not equals or name not in PARTS:
                raise InvalidValueError(
                    f"'{text}' is no part of how berries are pressed.",
                    todo=f"Write KEY=VALUE; the keys are {', '.join(PARTS)}.",
                )
            changes[name] = _part(name, value) if value else None
        return replace(self, **changes)

    @classmethod
    def common(cls, found: Iterable[PressProtocol]) -> PressProtocol:
        """Return what is stated alike by all that state it."""
        stated = [one.stated for one in found]
        values = {name: {one[name] for one in stated if name in one} for name in PARTS}
        return cls(**{name: of.pop() for name, of in values.items() if len(of) == 1})

    def said(self, name: str) -> str:
        """Write one part with its unit; nothing where it is not stated."""
        value = getattr(self, name)
        if value is None or isinstance(value, str):
            share = name == "end" and (value or "").endswith("%")
            return f"{value} of the diameter" if share else value or ""
        return f"{value:g} {PARTS[name].unit}"

    def words(self) -> str:
        """Say in a line what is stated; nothing where nothing is."""
        return ", ".join(self.phrases())

    def phrases(self) -> tuple[str, ...]:
        """Say in words what is stated, a phrase a part."""
        head = ", ".join(filter(None, map(self.said, ("head_mm", "head_shape"))))
        lowered = f"lowered {'' if self.speed == BY_HAND else 'at '}{self.said('speed')}"
        parts = (
            head and f"head {head}",
            lowered if self.speed else "",
            f"to {self.said('end')}" if self.end else "",
            self.orientation or "",
            "" if self.fruit_c is None else f"fruit at {self.said('fruit_c')}",
        )
        return tuple(filter(None, parts))


def _part(name: str, text: str) -> float | str:
    """Read one part as it is typed."""
    if name == "speed" and text.casefold() in {"hand", BY_HAND}:
        return BY_HAND
    part = PARTS[name]
    if part.within is not None:
        number = re.sub(r"\s*(mm/s|mm|°?C)$", "", text).replace(",", ".")
        try:
            value = float(number)
        except ValueError:
            value = math.nan
        if not part.within[0] <= value <= part.within[1]:
            raise InvalidValueError(f"'{text}' is no {part.called}.", todo=f"Type it {part.typed}.")
        return value
    if name == "end":
        found = _END.fullmatch(text.casefold())
        if found is None:
            raise InvalidValueError(
                f"'{text}' does not say what ends a press.", todo="Write 5 mm, 30 % or yield."
            )
        return text.casefold() if found[1] is None else f"{found[1].replace(',', '.')} {found[2]}"
    return " ".join(text.split())


def mismatches(found: Mapping[str, PressProtocol]) -> list[str]:
    """Say in which parts named sessions differ, and which differ from most; a line a part.

    Examples
    --------
    >>> eight, twelve = PressProtocol(head_mm=8.0), PressProtocol(head_mm=12.0)
    >>> mismatches({"session 1": eight, "session 2": eight, "session 3": twelve})[0][:66]
    'The diameter of the head differs: 8 mm, but 12 mm in session 3: th'
    """
    lines = []
    for name, part in PARTS.items():
        values = {who: one.said(name) for who, one in found.items() if one.said(name)}
        counted = Counter(values.values()).most_common()
        if len(counted) < 2:
            continue
        usual, *others = (value for value, _ in counted)
        odd = [f"{other} in {_listed(values, other)}" for other in others]
        lines.append(
            f"The {part.called} differs: {usual}, but {', '.join(odd)}: their newtons "
            "are not the same thing."
        )
    return lines


def _listed(values: Mapping[str, str], value: str) -> str:
    names = [who for who, one in values.items() if one == value]
    more = len(names) - _MOST_NAMED
    return ", ".join(names[:_MOST_NAMED]) + (f" and {plural(more, 'other')}" if more > 0 else "")
