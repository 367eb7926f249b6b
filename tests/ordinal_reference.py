"""Reads the published ordinal data sets of tests/reference as columns."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

FOLDER = Path(__file__).parent / "reference"


def columns(name: str) -> dict[str, list[str]]:
    """Columns of text of ordinal_NAME.csv; its first line states the source."""
    lines = (FOLDER / f"ordinal_{name}.csv").read_text().splitlines()
    assert lines[0].startswith("# Source:")
    rows = list(csv.DictReader(lines[1:]))
    return {key: [row[key] for row in rows] for key in rows[0]}


def numbers(name: str, column: str) -> np.ndarray:
    return np.array([float(cell) for cell in columns(name)[column]])


def dummies(name: str, column: str, *levels: str) -> np.ndarray:
    """One 0/1 column for each named level."""
    cells = np.array(columns(name)[column])
    return np.stack([(cells == level).astype(float) for level in levels], axis=1)
