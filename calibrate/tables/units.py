"""The units of a table: clamshells (or replicates, or single berries) with their sums.

A million berries become some ten thousand clamshells here; all later statistics work on those.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibrate.cuts.calibration import Calibration
from calibrate.data.clamshell import Clamshell
from calibrate.data.levels import Level, combined
from calibrate.tables.pooling import Pool
from gauge.errors import NoSuchRecordError

Floats = NDArray[np.float64]
UnitName = Literal["clamshell", "replicate", "berry"]
# A unit never spans two of these.
_WITHIN = (
    "season", "site", "selection", "plot", "harvest_date", "storage_day", "storage_temp_c",
    "replicate",
)  # fmt: skip
_CHUNK = 65536


@dataclass(frozen=True, kw_only=True)
class Units:
    """Sums over the berries of each unit, m of them.

    Attributes
    ----------
    name : str
        clamshell, replicate or berry.
    levels : dict of str to Level
        Of each unit.
    n : ndarray of float, shape (m,)
        Berries with a peak.
    mean_newton, ss_n2 : ndarray of float, shape (m,)
        Their mean force, and the sum of squares about it; NaN and 0 without a peak.
    mean_h : ndarray of float, shape (m,)
        Mean on the scale of the calibration (log newtons); the mean force without one.
    scores : ndarray of float, shape (m, scores), or None
        Berries at each score. A berry scored several times is shared equally.
    predicted : ndarray of float, shape (m, scores), or None
        Berries expected at each score, from force by the calibration.
    predicted_soft : ndarray of float, shape (m, 3), or None
        Berries expected beyond the sale limit by the cut, its lower and its upper end.
    sheets : tuple of Clamshell
        When the units come from sheets, one each.
    """

    name: str
    levels: dict[str, Level]
    n: Floats
    mean_newton: Floats
    ss_n2: Floats
    mean_h: Floats
    scores: Floats | None = None
    predicted: Floats | None = None
    predicted_soft: Floats | None = None
    sheets: tuple[Clamshell, ...] = ()

    def label(self, level: str, unit: int) -> str | None:
        """What a unit's level is called; None where it has none.

        Examples
        --------
        >>> from calibrate.data.scale import RASPBERRY
        >>> one = Clamshell(sample="T1", scale=RASPBERRY, counts=(18, 2))
        >>> sheet_units([one]).label("sample", 0)
        'T1'
        """
        if level not in self.levels:
            return None
        code = int(self.levels[level].code[unit])
        return None if code < 0 else self.levels[level].labels[code]


def choose_unit(pool: Pool) -> tuple[UnitName, str]:
    """Choose the largest thing that berries were drawn in, and say why if it is the berry.

    Examples
    --------
    >>> import numpy as np
    >>> level = Level(code=np.zeros(2, np.int32), labels=("R-114",))
    >>> none = np.zeros(0, int)
    >>> berries = Pool(sources=("a.csv",), force_newton=np.array([1.2, 1.3]), scale=None,
    ...                levels={"selection": level}, score_at=none, rank=none)
    >>> choose_unit(berries)[0]
    'berry'
    """
    if any(name in pool.levels and pool.levels[name].complete for name in ("clamshell", "sample")):
        return "clamshell", ""
    if "replicate" in pool.levels and pool.levels["replicate"].complete:
        return "replicate", ""
    return (
        "berry",
        "no clamshell, sample or replicate is named for every berry, so the single berry is the "
        "unit: berries of one clamshell are alike, and true intervals are wider",
    )


def berry_units(
    pool: Pool,
    unit: UnitName,
    *,
    calibration: Calibration | None = None,
    extra: Sequence[str] = (),
) -> Units:
    """Sum the berries of each unit.

    Parameters
    ----------
    pool : Pool
    unit : {"clamshell", "replicate", "berry"}
    calibration : Calibration, optional
        Predicts scores from force.
    extra : sequence of str
        Further levels that a unit must not span.

    Raises
    ------
    NoSuchRecordError
        If the berries name no such unit.

    Examples
    --------
    >>> from calibrate.tables.poolpart import Part
    >>> from calibrate.tables.pooling import join
    >>> part = Part(source="a.csv", force_newton=np.array([1.0, 1.5, 2.0, 2.5]), levels={
    ...     "selection": ["R-114"] * 4, "clamshell": ["1", "1", "2", "2"]})
    >>> berry_units(join([part]), "clamshell").mean_newton.tolist()
    [1.25, 2.25]
    """
    n = pool.n
    own = {"clamshell": ("clamshell", "sample"), "replicate": ("replicate",), "berry": ()}[unit]
    if own and not any(name in pool.levels for name in own):
        raise NoSuchRecordError(
            f"No source names a {unit}.", todo="Add the column, or choose another --unit."
        )
    if unit == "berry":
        code = np.arange(n, dtype=np.int64)
    else:
        names = [name for name in (*_WITHIN, *own, *extra) if name in pool.levels]
        code = combined([pool.levels[name].code for name in dict.fromkeys(names)], n)
    m = int(code.max(initial=-1)) + 1
    first = np.zeros(m, np.int64)
    first[code[::-1]] = np.arange(n - 1, -1, -1)
    levels = {
        name: Level(code=level.code[first], labels=level.labels)
        for name, level in pool.levels.items()
        if name != "number"
    }
    pressed = np.isfinite(pool.force_newton)
    at, force = code[pressed], pool.force_newton[pressed]
    count = np.bincount(at, minlength=m).astype(float)
    with np.errstate(invalid="ignore"):
        mean = np.bincount(at, force, minlength=m) / count
        ss = np.bincount(at, (force - mean[at]) ** 2, minlength=m).astype(float)
        mean_h = mean
        if calibration is not None:
            mean_h = np.bincount(at, calibration.h(force), minlength=m) / count
    predicted, soft = (None, None)
    if calibration is not None:
        predicted, soft = _predict(calibration, at, force, m)
    return Units(
        name=unit,
        levels=levels,
        n=count,
        mean_newton=mean,
        ss_n2=ss,
        mean_h=mean_h,
        scores=_scores(pool, code, m),
        predicted=predicted,
        predicted_soft=soft,
    )


def _scores(pool: Pool, code: NDArray[np.int64], m: int) -> Floats | None:
    if pool.scale is None or not pool.rank.size:
        return None
    k = len(pool.scale.labels)
    share = 1.0 / np.bincount(pool.score_at, minlength=pool.n)[pool.score_at]
    cell = code[pool.score_at] * k + pool.rank
    return np.bincount(cell, share, minlength=m * k).astype(float).reshape(m, k)


def _predict(
    calibration: Calibration, at: NDArray[np.int64], force: Floats, m: int
) -> tuple[Floats, Floats | None]:
    """Expected berries at each score, and beyond the sale limit; in chunks, to spare memory."""
    from scipy.special import expit

    k = len(calibration.scale.labels)
    expected = np.zeros((m, k))
    boundary = calibration.scale.sale_boundary
    cuts: list[float] = []
    if boundary is not None and calibration.cuts_newton[boundary] is not None:
        ends = (calibration.cuts_newton, calibration.low_newton, calibration.high_newton)
        # An open side adds nothing to the interval; the calibration itself warned of it.
        cuts = [
            float(calibration.h(end[boundary] or calibration.cuts_newton[boundary] or 1.0))
            for end in ends
        ]
    soft = np.zeros((m, len(cuts)))
    for begin in range(0, force.size, _CHUNK):
        part, unit = force[begin : begin + _CHUNK], at[begin : begin + _CHUNK]
        probability = calibration.probabilities(part)
        for score in range(k):
            expected[:, score] += np.bincount(unit, probability[:, score], minlength=m)
        for column, cut in enumerate(cuts):
            beyond = expit((cut - calibration.h(part)) / calibration.spread)
            soft[:, column] += np.bincount(unit, beyond, minlength=m)
    return expected, soft if cuts else None


def sheet_units(clamshells: Sequence[Clamshell]) -> Units | None:
    """Make one unit of each clamshell sheet; None without sheets.

    Examples
    --------
    >>> from calibrate.data.scale import RASPBERRY
    >>> one = Clamshell(sample="T1", scale=RASPBERRY, counts=(18, 2),
    ...                 levels={"selection": "R-114"})
    >>> units = sheet_units([one])
    >>> units.scores.tolist(), units.label("selection", 0)
    ([[18.0, 2.0]], 'R-114')
    """
    if not clamshells:
        return None
    m = len(clamshells)
    levels: dict[str, Level] = {}
    for name in dict.fromkeys(key for one in clamshells for key in ("sample", *one.levels)):
        texts = [one.sample if name == "sample" else one.levels.get(name) for one in clamshells]
        place = {text: i for i, text in enumerate(dict.fromkeys(t for t in texts if t))}
        code = np.array([-1 if not t else place[t] for t in texts], np.int32)
        levels[name] = Level(code=code, labels=tuple(place))
    return Units(
        name="clamshell",
        levels=levels,
        n=np.zeros(m),
        mean_newton=np.full(m, np.nan),
        ss_n2=np.zeros(m),
        mean_h=np.full(m, np.nan),
        scores=np.array([one.counts for one in clamshells], dtype=float),
        sheets=tuple(clamshells),
    )
