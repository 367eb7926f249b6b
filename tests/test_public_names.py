"""The public names of a package, for users of Python: they work and cost nothing until used."""

from __future__ import annotations

import importlib
import subprocess
import sys

import pytest

PACKAGES = ["gauge", "calibrate"]


@pytest.mark.parametrize("package", PACKAGES)
def test_every_public_name_is_there(package: str) -> None:
    module = importlib.import_module(package)
    for name in module.__all__:
        assert getattr(module, name) is not None
        assert name in dir(module)
    with pytest.raises(AttributeError, match=f"'{package}' has no attribute 'kiwi'"):
        _ = module.kiwi


@pytest.mark.parametrize("package", PACKAGES)
def test_importing_the_package_imports_none_of_its_rooms(package: str) -> None:
    printed = subprocess.run(
        [sys.executable, "-c", f"import sys, {package}; print(*sys.modules)"],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    ours = {name for name in printed.split() if name.split(".")[0] in ("gauge", "calibrate")}
    assert ours == {package, "gauge", "gauge.package"}
