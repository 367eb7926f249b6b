"""Print the lowest versions of the runtime libraries that pyproject.toml allows, for pip."""

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def main() -> None:
    """Print one constraint a line."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    for requirement in project["dependencies"]:
        name, lowest = re.fullmatch(r"([\w-]+)>=([\d.]+)", requirement).groups()
        print(f"{name}=={lowest}")


if __name__ == "__main__":
    main()
