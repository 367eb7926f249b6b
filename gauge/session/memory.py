"""What the next session on this machine goes on with: one small file beside no season.

It holds nothing that a season needs; a broken or older one is as good as none.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from gauge.outfile import write_whole
from gauge.port.serialport import PortInfo

_FILE = "last-session.json"


@dataclass(frozen=True, kw_only=True, slots=True)
class LastSession:
    """Where the last session was, with what and by whom."""

    port: str
    format_name: str
    season: str
    usb: tuple[int, int, str | None] | None = None
    gauge: str | None = None
    gauge_serial: str | None = None
    operator: str | None = None
    raters: tuple[str, ...] = ()
    blind: bool = False
    head_mm: float | None = None
    capacity_newton: float | None = None


def load(folder: Path) -> LastSession | None:
    """Return what was remembered; None if nothing was, or it cannot be read."""
    try:
        values = json.loads((folder / _FILE).read_text("utf-8"))
        known = {field.name: values[field.name] for field in fields(LastSession)}
        usb = known["usb"]
        return LastSession(
            **known | {"usb": tuple(usb) if usb else None, "raters": tuple(known["raters"])}
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def store(folder: Path, last: LastSession) -> None:
    """Remember a session."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return  # logging goes on without
    write_whole(folder / _FILE, [json.dumps(asdict(last), indent=1), "\n"])


def find_port(last: LastSession, ports: list[PortInfo]) -> tuple[str, str | None]:
    """Return the name that the port bears now, and what is odd about it.

    Examples
    --------
    >>> last = LastSession(port="/dev/ttyUSB0", format_name="f", season="s", usb=(1, 2, "A"))
    >>> moved = PortInfo(port="/dev/ttyUSB3", description="", usb_vendor=1, usb_product=2,
    ...                  usb_serial="A")
    >>> find_port(last, [moved])
    ('/dev/ttyUSB3', None)
    """
    if last.usb is None:
        return last.port, None
    ours = [info.port for info in ports if info.identity == last.usb]
    if ours:
        return (last.port if last.port in ours else ours[0]), None
    name = last.gauge or "the gauge of the last session"
    others = [info.port for info in ports if info.identity is not None]
    if others:
        return others[0], f"Another gauge is plugged in on {others[0]}; {name} is not."
    return last.port, f"{name} is not plugged in."
