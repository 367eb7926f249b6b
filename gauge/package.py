"""What a package shows of itself: its version, and public names imported when first used."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Mapping

__version__ = "0.2.0"


def public_names(
    package: str, homes: Mapping[str, str]
) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    """Make the `__getattr__` and `__dir__` of a package (PEP 562), so that importing it is cheap.

    `homes` has the module of each public name. For type checkers, import the same names under
    `TYPE_CHECKING`.
    """

    def get(name: str) -> object:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(importlib.import_module(homes[name]), name)
        setattr(sys.modules[package], name, value)
        return value

    def names() -> list[str]:
        return sorted({*vars(sys.modules[package]), *homes})

    return get, names
