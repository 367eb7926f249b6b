"""Count lines, lines of code and docstring lines in each room of gauge and calibrate.

`python tests/bench/size.py [FOLDER]` counts the checkout that it stands in, or another one. Every
text file counts: of Python files, a line of code is one that holds a token other than a comment or
a docstring; of other files, one that is not blank. Also named: functions of more than 60 lines of
code, rooms of more than 12 modules and files of more than 300 lines.
"""

from __future__ import annotations

import ast
import io
import sys
import tokenize
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

PACKAGES = ("gauge", "calibrate")
LONGEST_FUNCTION = 60  # lines of code
MOST_MODULES = 12  # in a room
LONGEST_FILE = 300  # lines
_NO_CODE = {
    tokenize.COMMENT,
    tokenize.NL,
    tokenize.NEWLINE,
    tokenize.INDENT,
    tokenize.DEDENT,
    tokenize.ENDMARKER,
    tokenize.ENCODING,
}


@dataclass(kw_only=True)
class Count:
    """Lines of a file or a room, and what of it is longer than it should be."""

    modules: int = 0
    lines: int = 0
    code: int = 0
    docstrings: int = 0
    long_functions: list[tuple[int, str]] = field(default_factory=list)


def docstring_lines(tree: ast.AST) -> set[int]:
    """Return the numbers of all lines that belong to docstrings."""
    numbers: set[int] = set()
    kinds = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    for node in ast.walk(tree):
        if isinstance(node, kinds) and ast.get_docstring(node, clean=False) is not None:
            text = node.body[0]
            numbers.update(range(text.lineno, (text.end_lineno or text.lineno) + 1))
    return numbers


def code_lines(text: str, documentation: set[int]) -> set[int]:
    """Return the numbers of all lines that hold code."""
    numbers: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in _NO_CODE:
            numbers.update(range(token.start[0], token.end[0] + 1))
    return numbers - documentation


def count_python(path: Path) -> Count:
    """Count one Python file."""
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    documentation = docstring_lines(tree)
    code = code_lines(text, documentation)
    found = Count(
        modules=int(path.name != "__init__.py"),
        lines=len(text.splitlines()),
        code=len(code),
        docstrings=len(documentation),
    )
    for node in ast.walk(tree):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            length = len(code & set(range(node.lineno, (node.end_lineno or 0) + 1)))
            if length > LONGEST_FUNCTION:
                found.long_functions.append((length, f"{path}:{node.name}"))
    return found


def count_text(path: Path) -> Count:
    """Count a text file that is not Python; one that is no text counts as nothing."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except UnicodeDecodeError:
        return Count()
    return Count(lines=len(lines), code=sum(bool(line.strip()) for line in lines))


def room_of(path: Path) -> str:
    """Return the room of a file: package and first folder, or the package's top."""
    return "/".join(path.parts[:2]) if len(path.parts) > 2 else f"{path.parts[0]} (top)"


def count_rooms(root: Path) -> tuple[dict[str, Count], list[tuple[int, str]]]:
    """Count all rooms below a folder; also return the files that are too long."""
    rooms: dict[str, Count] = defaultdict(Count)
    long_files = []
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*")):
            if not path.is_file() or "__pycache__" in path.parts:
                continue
            name = path.relative_to(root)
            one = count_python(path) if path.suffix == ".py" else count_text(path)
            room = rooms[room_of(name)]
            room.modules += one.modules
            room.lines += one.lines
            room.code += one.code
            room.docstrings += one.docstrings
            room.long_functions += one.long_functions
            if one.lines > LONGEST_FILE:
                long_files.append((one.lines, str(name)))
    return rooms, long_files


def main(folder: str | None = None) -> None:
    """Print the count."""
    root = Path(folder) if folder else Path(__file__).resolve().parents[2]
    rooms, long_files = count_rooms(root)
    print(f"{'room':<24} modules   lines    code  docstrings")
    total = Count()
    for name, room in rooms.items():
        print(f"{name:<24} {room.modules:7} {room.lines:7} {room.code:7} {room.docstrings:11}")
        for key in ("modules", "lines", "code", "docstrings"):
            setattr(total, key, getattr(total, key) + getattr(room, key))
    print(f"{'all':<24} {total.modules:7} {total.lines:7} {total.code:7} {total.docstrings:11}")
    for name, room in rooms.items():
        if room.modules > MOST_MODULES and not name.endswith("/commands"):
            print(f"{name} has more than {MOST_MODULES} modules: {room.modules}")
    functions = sorted((x for room in rooms.values() for x in room.long_functions), reverse=True)
    for length, where in functions:
        print(f"{length} lines of code in {where}")
    for length, where in sorted(long_files, reverse=True):
        print(f"{length} lines in {where}")


if __name__ == "__main__":
    main(*sys.argv[1:2])
