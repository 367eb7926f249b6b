"""The rooms of the code: contracts that cannot be slipped past, and what each room is for."""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("gauge", "calibrate")
RUN = "from importlinter.cli import lint_imports_command; lint_imports_command()"
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"][
    "contracts"
]
LIBRARIES = [
    contract
    for contract in CONTRACTS
    if contract["type"] == "forbidden" and not contract["forbidden_modules"][0].startswith(PACKAGES)
]
# Who may import a library: what its contract does not name.
MAY_IMPORT = {
    "click": {
        "gauge.cli",
        "gauge.clikit",
        "gauge.commands",
        "gauge.printed",
        "calibrate.cli",
        "calibrate.commands",
    },
    "serial": {"gauge.port"},
    "sqlite3": {"gauge.season"},
    "matplotlib": {"gauge.verify.chart", "gauge.sheets.planpdf", "calibrate.plots"},
    "jinja2": {"calibrate.report"},
    "openpyxl": {"gauge.sheetfile"},
    "textual": {"gauge.screens", "gauge.forms"},
    "rich": {"gauge.printed", "gauge.screens", "gauge.commands", "calibrate.commands"},
}
# One import a contract that it must find, as (contract, file, line).
PLANTED = [
    ("rooms of gauge", "gauge/protocol/__init__.py", "import gauge.session"),
    ("rooms of calibrate", "calibrate/stats/__init__.py", "import calibrate.model"),
    ("gauge never imports calibrate", "gauge/verify/mass.py", "import calibrate.data"),
    (
        "calibrate sees only gauge's top and gauge.season",
        "calibrate/data/__init__.py",
        "import gauge.verify",
    ),
]
PLANTED += [
    (
        contract["name"],
        "calibrate/stats/__init__.py",
        f"import {library}",
    )
    for contract in LIBRARIES
    for library in contract["forbidden_modules"]
]


def names_of(folder: Path) -> set[str]:
    """Return the modules and rooms directly in a folder, with dots."""
    return {
        ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for path in folder.iterdir()
        if (path.suffix == ".py" and path.name != "__init__.py")
        or (path.is_dir() and (path / "__init__.py").is_file())
    }


ROOMS = sorted(
    name
    for package in PACKAGES
    for name in names_of(ROOT / package)
    if (ROOT / name.replace(".", "/")).is_dir()
)


def lint(folder: Path) -> str:
    """Return what lint-imports prints in a folder, without its cache."""
    found = subprocess.run(
        [sys.executable, "-c", RUN, "--no-cache"],
        cwd=folder, env=os.environ | {"PYTHONPATH": str(folder), "COLUMNS": "200"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return re.sub(r"\x1b\[\d*m", "", found.stdout + found.stderr)


def test_every_contract_finds_an_import_that_breaks_it(tmp_path: Path) -> None:
    for package in PACKAGES:
        shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("*.pyc"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    assert {name for name, _, _ in PLANTED} == {contract["name"] for contract in CONTRACTS}
    whole = lint(tmp_path)
    assert f"{len(CONTRACTS)} kept, 0 broken" in whole, whole
    for _, file, line in PLANTED:
        with (tmp_path / file).open("a", encoding="utf-8") as module:
            module.write(f"\n{line}\n")
    printed = lint(tmp_path)
    for contract in CONTRACTS:
        assert f"{contract['name']} BROKEN" in printed, printed


def test_no_contract_ignores_an_import() -> None:
    assert not [contract["name"] for contract in CONTRACTS if "ignore_imports" in contract]


@pytest.mark.parametrize("contract", LIBRARIES, ids=lambda contract: contract["name"])
def test_a_library_is_kept_from_every_room_that_may_not_import_it(contract: dict) -> None:
    [library] = contract["forbidden_modules"]
    allowed = MAY_IMPORT[library]
    named = set(contract["source_modules"])
    for package in PACKAGES:
        if package in named:
            continue
        for name in names_of(ROOT / package):
            parts = {name}
            if any(one.startswith(f"{name}.") for one in allowed):
                parts = names_of(ROOT / name.replace(".", "/"))
            for part in parts:
                assert (part in named) != (part in allowed), part
    for name in named | allowed:
        path = ROOT / name.replace(".", "/")
        assert path.is_dir() or path.with_suffix(".py").is_file(), f"{name} is no room"


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_says_what_it_is_for_what_comes_in_and_what_goes_out(room: str) -> None:
    tree = ast.parse((ROOT / room.replace(".", "/") / "__init__.py").read_text("utf-8"))
    docstring = ast.get_docstring(tree) or ""
    assert docstring.splitlines()[0].endswith("."), docstring
    assert "\nIn: " in docstring, docstring
    assert "\nOut: " in docstring, docstring


def public_modules(room: str) -> list[str]:
    """Return the modules of a room that its `__all__` opens to the others."""
    tree = ast.parse((ROOT / room.replace(".", "/") / "__init__.py").read_text("utf-8"))
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return ast.literal_eval(node.value)
    return []


def imports_of(path: Path) -> set[str]:
    """Return the modules that a file imports, those below an `if` or in a function too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return found


def test_other_rooms_use_only_the_modules_that_a_room_opens_and_all_of_them() -> None:
    opened = {room: public_modules(room) for room in ROOMS if not room.endswith(".commands")}
    used: dict[str, set[str]] = {room: set() for room in opened}
    for package in PACKAGES:
        for path in (ROOT / package).rglob("*.py"):
            own = ".".join(path.relative_to(ROOT).parts[:2])
            for name in imports_of(path):
                room, _, part = name.rpartition(".")
                if room in opened and room != own:
                    is_module = (ROOT / name.replace(".", "/")).with_suffix(".py").is_file()
                    used[room] |= {part} if is_module or part in opened[room] else set()
    assert {room: sorted(parts) for room, parts in used.items()} == opened
