"""Pairs of force and finger score from a CSV or a season file: the input of every calibration."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibrate.data.oddrows import doubtful, impossible
from calibrate.data.scale import Scale
from calibrate.data.squeezes import PressOnly, softening_known, squeezes_to_press
from gauge.csvsheet import name_key
from gauge.errors import BadTableError, InvalidValueError, NoSuchRaterError, UnreadableFileError
from gauge.outfile import is_database, refuse_irregular
from gauge.plaintext import plural
from gauge.season.rows import RaterRow

# Berries that a hand must have scored to count in a panel: fewer say next to nothing of it, and a
# name typed wrong is such a hand. Common practice, no source.
LEAST_BERRIES = 5
_FEW = f"{{}} scored fewer than {LEAST_BERRIES} berries"
_ARRAYS = ("force_newton", "rank", "count", "rater", "berry")


@dataclass(frozen=True, kw_only=True)
class Pairs:
    """Rows of force, score, rater and berry, as parallel arrays of length n.

    Attributes
    ----------
    scale : Scale
    force_newton : ndarray of float, shape (n,)
        Peak force in newtons, finite.
    rank : ndarray of int, shape (n,)
        Score as a position on the scale, 0 for the firmest.
    count : ndarray of float, shape (n,)
        How many such rows each row stands for (above zero).
    rater, berry : ndarray of int, shape (n,)
        Positions in `raters` and `berries`; all zero when the source names none.
    raters, berries : tuple of str
        Names. Empty when the source has no such column.
    extra : mapping of str to ndarray of object, shape (n,)
        Other columns as text or number (selection, lot, storage_day, fruit_temp_c, size_mm,
        occasion, scored_at, session ...); None where empty.
    source : str
        File name, for messages.
    doubts : tuple of str
        Rows that look wrong, in words.
    squeezes : ndarray of float, shape (n,), or None
        From each finger to the press, its own included; see `calibrate.data.squeezes`.
    press_only : PressOnly or None
        What squeezing took, from berries that were pressed without a squeeze.
    apart : tuple of RaterRow
        Raters in training or suspended, who do not count in a panel.
    """

    scale: Scale
    force_newton: NDArray[np.float64]
    rank: NDArray[np.int64]
    count: NDArray[np.float64]
    rater: NDArray[np.int64]
    berry: NDArray[np.int64]
    raters: tuple[str, ...] = ()
    berries: tuple[str, ...] = ()
    extra: Mapping[str, NDArray[np.object_]] = field(default_factory=dict)
    source: str = "data"
    doubts: tuple[str, ...] = ()
    squeezes: NDArray[np.float64] | None = None
    press_only: PressOnly | None = None
    apart: tuple[RaterRow, ...] = ()

    def __post_init__(self) -> None:
        n = self.force_newton.shape[0]
        for name in ("rank", "count", "rater", "berry"):
            if getattr(self, name).shape != (n,):
                raise InvalidValueError(f"{self.source}: '{name}' has not one value a row")
        if n and not np.isfinite(self.force_newton).all():
            raise InvalidValueError(f"{self.source}: a force is not finite")
        if n and (self.rank.min() < 0 or self.rank.max() >= len(self.scale.labels)):
            raise InvalidValueError(f"{self.source}: a score lies outside the scale")
        if n and not (self.count > 0).all():
            raise InvalidValueError(f"{self.source}: a count is not above zero")

    @property
    def n(self) -> int:
        """Number of observations, counts added up."""
        return round(float(self.count.sum()))

    def rater_named(self, typed: str) -> str:
        """Return a rater's name as the source spells it, whatever the case and blanks typed.

        One that the source does not name is a NoSuchRaterError, here and in what follows.
        """
        for name in self.raters:
            if name_key(name) == name_key(typed):
                return name
        names = f"names {', '.join(self.raters)}" if self.raters else "has no rater column"
        raise NoSuchRaterError(f"{self.source} has no rater '{typed}'.", todo=f"It {names}.")

    def of_raters(self, names: Sequence[str]) -> Pairs:
        """Keep rows of the named raters only; all berries stay in the name list."""
        own = {self.rater_named(name) for name in names}
        chosen = [i for i, name in enumerate(self.raters) if name in own]
        kept = self.rows(np.isin(self.rater, chosen))
        return replace(
            kept,
            rater=np.searchsorted(chosen, kept.rater).astype(np.int64),
            raters=tuple(self.raters[i] for i in chosen),
        )

    def felt(self, share: float | None) -> Pairs:
        """Put forces as fingers felt them in place of the pressed ones: a squeeze takes a share."""
        if not share or self.squeezes is None:
            return self
        return replace(self, force_newton=self.force_newton * (1.0 - share) ** -self.squeezes)

    def rows(self, rows: NDArray[np.bool_] | NDArray[np.int64]) -> Pairs:
        """Keep some rows, or put them in an order; all names stay."""
        return replace(
            self,
            **{name: getattr(self, name)[rows] for name in _ARRAYS},
            squeezes=None if self.squeezes is None else self.squeezes[rows],
            extra={name: column[rows] for name, column in self.extra.items()},
        )

    @property
    def squeeze_order(self) -> NDArray[np.float64]:
        """When in the row of squeezes the rater came, shape (n,); NaN where not recorded."""
        return self.extra.get("squeeze_order", np.full(self.rank.size, None)).astype(float)

    @property
    def squeeze_recorded(self) -> NDArray[np.bool_]:
        """Which rows say when in the row of squeezes the rater came, shape (n,)."""
        return np.isfinite(self.squeeze_order)

    @property
    def softening(self) -> tuple[float, float] | None:
        """What is known beforehand of the log force that a squeeze takes, where it can be known."""
        if self.squeezes is None or len(self.raters) < 2:
            return None
        return softening_known(self.squeezes, self.squeeze_recorded, self.rater, self.press_only)

    @property
    def flags(self) -> list[frozenset[str]]:
        """The flags of each row's berry, none where the source says nothing of them."""
        return [flag_names(text) for text in self.extra.get("flags", [None] * self.rank.size)]

    @property
    def order_is_constant(self) -> bool:
        """Whether raters always squeezed at the same places, as far as is recorded."""
        several = len(self.raters) > 1 and self.squeezes is not None
        return several and bool(self.squeeze_recorded.any()) and self.softening is None

    @property
    def n_flagged(self) -> int:
        """Number of berries with a flag; of rows, where berries have no names."""
        rows = np.array([bool(one) for one in self.flags], bool)
        return len(np.unique(self.berry[rows])) if self.berries else int(rows.sum())

    def without_flags(self, names: Sequence[str]) -> Pairs:
        """Leave out the berries that have one of these flags."""
        return self.rows(np.array([one.isdisjoint(names) for one in self.flags], bool))

    def without_raters(self, names: Sequence[str]) -> Pairs:
        """Leave out raters, whatever the case and blanks typed."""
        gone = {self.rater_named(name) for name in names}
        return self.of_raters([name for name in self.raters if name not in gone]) if gone else self

    def panel(self, but: str | None = None) -> tuple[Pairs, tuple[str, ...]]:
        """Leave out hands in training, suspended, or with too few berries, but one; also who.

        A panel counts a hand from `LEAST_BERRIES` berries on, where any hand has as many.
        """
        apart = {row.name: row for row in self.apart if row.name != but}
        berries = np.bincount(self.rater, self.count, minlength=len(self.raters))
        few = [
            name
            for name, n in zip(self.raters, berries, strict=False)
            if name in apart or (n < LEAST_BERRIES and name != but)
        ]
        if self.raters and apart.keys() >= set(self.raters):
            alone = "and counts: there is nobody else"
            return self, tuple(f"{apart[name].about}, {alone}" for name in few)
        if not few or len(few) == len(self.raters):
            return self, ()
        warnings = tuple(
            f"{apart[name].about if name in apart else _FEW.format(name)} and does not count in "
            "the panel"
            for name in few
        )
        return self.of_raters([name for name in self.raters if name not in few]), warnings


def flag_names(text: str | None) -> frozenset[str]:
    """Read the flags of a cell, as `gauge readings` writes them or as a JSON list.

    Examples
    --------
    >>> sorted(flag_names("overload; zero off")), sorted(flag_names('["overload"]'))
    (['overload', 'zero off'], ['overload'])
    """
    names = (name.strip(' "[]').casefold() for name in re.split("[;,]", text or ""))
    return frozenset(filter(None, names))


def flagged_note(n: int) -> tuple[str, ...]:
    """Say how many flagged berries are used, where any are."""
    if not n:
        return ()
    of_them = f"{plural(n, 'berry')} {'is' if n == 1 else 'are'} flagged and used"
    return (f"{of_them}; 'gauge readings' shows the flags, --without-flag leaves them out",)


def load_pairs(
    source: Path | str,
    *,
    firmest: str = "first",
    scale: Scale | None = None,
    raters: Sequence[str] | None = None,
    positive: bool = False,
    as_typed: bool = False,
) -> Pairs:
    r"""Read pairs from a season file or a CSV.

    Parameters
    ----------
    source : path
        A season file, or a CSV (see `gauge.csvsheet`) with a header: ``force_N`` (or ``force_lbf``,
        ``force_kgf``, or ``force`` and ``unit``), ``score``, and optionally ``rater``, ``berry``,
        ``sample``, ``count`` and any others.
    firmest : {'first', 'last'}
        Whether the first (lowest) score of the source's own order is the firmest. Used when no
        `scale` is given.
    scale : Scale, optional
        Declared scale, firmest first. By default that of the season file; of a CSV 1 to 5, or firm
        and soft.
    raters : sequence of str, optional
        Keep only these.
    positive : bool
        Refuse a force of zero in any case (the log scale needs it).
    as_typed : bool
        Take rows that cannot be right as they are; they are named in `doubts`.

    Raises
    ------
    UnreadableFileError, BadTableError, NotASeasonError, NoSuchRaterError
        A bad cell is named by file, row (the header is row 1) and column.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "scores.csv")
    ...     _ = path.write_text("force,unit,score\n0.2,kgf,1\n1.2,N,4\n")
    ...     pairs = load_pairs(path)
    >>> pairs.force_newton.round(3).tolist(), pairs.rank.tolist(), pairs.scale.labels
    ([1.961, 1.2], [0, 3], ('1', '2', '3', '4', '5'))
    """
    from calibrate.data.pairsources import from_csv, from_season

    path = Path(source)
    if looks_like_season(path):
        pairs, where = from_season(path, firmest, scale)
    else:
        pairs, where = from_csv(path, firmest, scale, positive)
    wrong = tuple(impossible(pairs, where))
    if wrong and not as_typed:
        raise BadTableError(
            f"{path}: {'; '.join(wrong)}.",
            todo="Correct them (in a season: gauge void, gauge scores --correct), or take them as "
            "they are by --as-typed.",
        )
    pairs = replace(
        pairs,
        doubts=(*wrong, *doubtful(pairs, where), *pairs.doubts),
        squeezes=squeezes_to_press(pairs.berry, pairs.squeeze_order, bool(pairs.berries)),
    )
    # Who is asked for by name counts.
    return replace(pairs.of_raters(raters), apart=()) if raters else pairs


def looks_like_season(path: Path) -> bool:
    """Detect a season file; a file that cannot be read at all is an UnreadableFileError."""
    try:
        refuse_irregular(path)
        path.open("rb").close()
        return is_database(path)
    except OSError as error:
        raise UnreadableFileError(
            f"{path} cannot be read: {error.strerror or error}.",
            todo="Give a season file or a CSV.",
        ) from None
