"""Forces of a CSV in newtons: from a column force_N, or force and unit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibrate.data.codedsheet import CodedSheet
from gauge.errors import UnknownUnitError
from gauge.units import Unit, newtons, parse_unit


def read_forces(sheet: CodedSheet, *, blank: bool = False) -> NDArray[np.float64]:
    r"""Read `force_N`, or else `force` in its `unit`.

    Parameters
    ----------
    sheet : CodedSheet
        With one of them.
    blank : bool
        Whether a cell may be empty; it is NaN then.

    Returns
    -------
    ndarray of float, shape (rows,)
        Newtons.

    Raises
    ------
    BadTableError
        If a cell is no number or no unit of force.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "berries.csv")
    ...     _ = path.write_text("force,unit\n1,kgf\n2,N\n")
    ...     read_forces(CodedSheet(path, "berries")).tolist()
    [9.80665, 2.0]
    """

    def number(text: str) -> float:
        return float("nan") if blank and not text else sheet.number(text)

    if "force_N" in sheet.header:
        return sheet.values("force_N", number)
    force = sheet.values("force", number)
    unit, shown = sheet.column("unit"), sheet.column("force")
    for at, of in enumerate(sheet.parsed("unit", _unit)):
        mine = np.flatnonzero((unit.code == at) & np.isfinite(force))
        # As written and in its unit, so that the conversion is exact to the last digit.
        known = np.zeros(len(shown.labels))
        for label in np.unique(shown.code[mine]).tolist():
            text = shown.labels[label]
            known[label] = newtons(text.replace(",", ".") if sheet.comma else text, of)
        force[mine] = known[shown.code[mine]]
    return force


def _unit(text: str) -> Unit:
    try:
        return parse_unit(text)
    except UnknownUnitError as error:
        raise ValueError(error.what.rstrip(".")) from None
