"""What happens while berries are logged, as one small record each. Shown by the screens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from gauge.records import Compression, CutPress, FingerScore, Gap


@dataclass(frozen=True, kw_only=True, slots=True)
class BerryLogged:
    """A berry is stored: now, and not before, it may be shown, rung and printed."""

    number: int
    berry_id: int | None
    press: Compression
    scores: tuple[FingerScore, ...] = ()

    def document(self) -> dict[str, Any]:
        """The berry as the JSON line of `gauge log` and `gauge replay`."""
        return {
            "berry": self.number,
            "peak": self.press.peak,
            "unit": self.press.peak_unit.value,
            "peak_N": self.press.peak_newton,
            "flags": [flag.value for flag in self.press.flags],
        }


@dataclass(frozen=True, kw_only=True, slots=True)
class PressCut:
    """A press that was seen in part: no berry, press again."""

    cut: CutPress


@dataclass(frozen=True, kw_only=True, slots=True)
class ScoresWanted:
    """A berry was pressed whose finger scores are not all in; its force stays hidden."""

    missing: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PressRefused:
    """A whole press that is not taken for a berry, and why."""

    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class LineLost:
    """The line is down since `t_ns`."""

    t_ns: int
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class LineGap:
    """A gap is over, and stored."""

    gap: Gap


@dataclass(frozen=True, kw_only=True, slots=True)
class Silence:
    """Nothing that the line format can read for `seconds`; `heard` if other bytes came."""

    seconds: float
    heard: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class StoreDelayed:
    """The season file is locked by another program; the berry waits and is tried again."""

    reason: str


Event = (
    BerryLogged | PressCut | ScoresWanted | PressRefused | LineLost | LineGap | Silence
    | StoreDelayed
)  # fmt: skip
