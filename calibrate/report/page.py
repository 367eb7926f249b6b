"""Sections become one page of HTML; names that a season holds are a stranger's, and escaped."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from gauge.plaintext import printable
from gauge.printed import Printed

_LONGEST_GIST = 240  # signs
_SVG = "http://www.w3.org/2000/svg"
ET.register_namespace("", _SVG)
ET.register_namespace("xlink", "http://www.w3.org/1999/xlink")


@dataclass(frozen=True, kw_only=True)
class Section:
    """One section: what was printed for it, by which commands, and what to do where it is empty."""

    title: str
    lead: str
    printed: Printed
    commands: Sequence[str] = ()
    missing: str = ""

    @property
    def gist(self) -> str:
        """What stands beside the title in the summary: its first sentence, where that is short."""
        first = next(iter(self.printed.sentences), self.missing)
        return f": {first}" if 0 < len(first) <= _LONGEST_GIST else ""

    @property
    def name(self) -> str:
        """Where links go."""
        return re.sub(r"\W+", "-", self.title.lower()).strip("-")


def render(title: str, about: Iterable[str], sections: Sequence[Section]) -> str:
    """Make the page; `about` stands below its title."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["plain"] = _plain
    drawn = {
        section.name: [
            _svg(figure, f"{name}. Picture {n} of {section.title}.", f"{section.name}-{n}-")
            for n, (name, figure) in enumerate(section.printed.pictures, 1)
        ]
        for section in sections
    }
    template = environment.get_template("page.html")
    return template.render(title=title, about=list(about), sections=sections, drawn=drawn)


def _plain(text: str) -> str:
    """Undo the line ends of a terminal."""
    return printable(" ".join(text.split()), keep="")


def _svg(figure: Any, label: str, prefix: str) -> str:
    """Draw a figure as SVG that stands in a page: named, and with ids of its own."""
    from calibrate.plots.style import save_svg

    drawn = io.BytesIO()
    save_svg(figure, drawn)
    root = ET.fromstring(drawn.getvalue())
    for child in root.findall(f"{{{_SVG}}}metadata"):
        root.remove(child)
    for size in ("width", "height"):
        del root.attrib[size]
    root.attrib |= {"role": "img", "aria-label": printable(label)}
    text = ET.tostring(root, encoding="unicode")
    return re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{prefix}", text)
