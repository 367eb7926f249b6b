"""Where berries are logged, with what and by whom, remembered from one session to the next.

One small file, which no season needs; a broken or older one is as good as none.
"""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from gauge.errors import CannotWriteError
from gauge.outfile import write_whole
from gauge.port.serialport import PortInfo
from gauge.records import Session

_FILE = "last-session.json"
OF_SESSION = ("gauge", "gauge_serial", "operator", "head_mm", "capacity_newton", "protocol")


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """A port with its gauge, a season, and people; `usb` is the identity of the port's adapter."""

    port: str
    format_name: str
    season: str
    usb: tuple[int, int, str | None] | None = None
    gauge: str | None = None
    gauge_serial: str | None = None
    operator: str | None = None
    head_mm: float | None = None
    capacity_newton: float | None = None
    protocol: str | None = None
    raters: tuple[str, ...] = ()
    blind: bool = False

    @property
    def session(self) -> Session:
        """A session at this place, of which only the beginning is open."""
        return Session(started_at="", **{name: getattr(self, name) for name in OF_SESSION})


def load(folder: Path) -> Place | None:
    """Return what was remembered; None if nothing was, or it cannot be read."""
    try:
        values = json.loads((folder / _FILE).read_text("utf-8"))
        usb = values["usb"] and tuple(values["usb"])
        return Place(**values | {"usb": usb, "raters": tuple(values["raters"])})
    except (OSError, ValueError, KeyError, TypeError):
        return None


def store(folder: Path, place: Place, ports: list[PortInfo]) -> None:
    """Remember a place, by full paths and by the identity of its port."""
    usb = next((info.identity for info in ports if info.port == place.port), place.usb)
    kept = {"season": str(Path(place.season).absolute()), "usb": usb}
    for name in ("port", "format_name"):
        path = Path(getattr(place, name))
        kept[name] = str(path.absolute() if path.exists() else getattr(place, name))
    with suppress(OSError, CannotWriteError):  # logging goes on without
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(folder / _FILE, [json.dumps(asdict(place) | kept, indent=1), "\n"])


def found(place: Place, ports: list[PortInfo]) -> tuple[Place, str | None]:
    """Return a place with the name that its port bears now, and what is odd about it.

    Examples
    --------
    >>> place = Place(port="/dev/ttyUSB0", format_name="f", season="s", usb=(1, 2, "A"))
    >>> moved = PortInfo(port="/dev/ttyUSB3", description="", usb_vendor=1, usb_product=2,
    ...                  usb_serial="A")
    >>> found(place, [moved])[0].port
    '/dev/ttyUSB3'
    """
    ours = [info.port for info in ports if info.identity == place.usb]
    if place.usb is None or place.port in ours:
        return place, None
    if ours:
        return replace(place, port=ours[0]), None
    name = place.gauge or "The gauge of the last session"
    others = [info.port for info in ports if info.identity is not None]
    if not others:
        return place, f"{name} is not plugged in."
    # A name and a serial number are those of a gauge that is plugged in, or of none.
    other = replace(place, port=others[0], usb=None, gauge=None, gauge_serial=None)
    return other, f"{name} is not plugged in; another gauge is, on {others[0]}."
