"""Where a table takes its calibration from: a name in a season file, or a file of `calibrate fit`.

What a calibration is, is in calibration; fitting is elsewhere.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from calibrate.cuts.calibration import Calibration
from calibrate.data.scale import parse_scale
from gauge.errors import (
    BadTableError,
    CannotCompareError,
    FirmhandError,
    NoSuchRecordError,
    UnreadableFileError,
)


def read_cuts(path: Path, *, sale_limit: str | None = None) -> Calibration:
    """Read the JSON that `calibrate fit --json` prints, or a stored calibration's document.

    Parameters
    ----------
    path : Path
    sale_limit : str, optional
        Of the scale; by default the one of 1-5 and of firm, soft, or the document's own.

    Raises
    ------
    UnreadableFileError
        If the file cannot be read.
    BadTableError
        If it holds no cut points.
    InvalidValueError
        If the cut points or the sale limit are impossible.

    Examples
    --------
    >>> import tempfile
    >>> text = ('{"scores": ["firm", "soft"], "spread": 0.2, "cuts": [{"between": ["firm", "soft"],'
    ...         ' "force_N": 1.5, "low_N": 1.4, "high_N": 1.6}]}')
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = Path(folder, "cuts.json").write_text(text)
    ...     read_cuts(Path(folder, "cuts.json")).cuts_newton
    (1.5,)
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UnreadableFileError(f"{path} cannot be read: {error.strerror or error}.") from None
    except ValueError as error:
        raise BadTableError(
            f"{path} is not JSON: {error}.", todo="Write it with 'calibrate fit ... --json'."
        ) from None
    try:
        found = (
            Calibration.from_document(document)
            if "cuts_n" in document
            else _from_fit(document, str(path))
        )
    except FirmhandError:
        raise
    except (KeyError, TypeError, ValueError) as error:
        raise BadTableError(
            f"{path} holds no cut points ({error!r}).",
            todo="Write it with 'calibrate fit ... --json'.",
        ) from None
    return with_limit(found, sale_limit)


def with_limit(calibration: Calibration, sale_limit: str | None) -> Calibration:
    """The same calibration with a declared sale limit.

    Examples
    --------
    >>> from calibrate.data.scale import BLACKBERRY
    >>> cuts = (4.0, 3.0, 2.0, 1.0)
    >>> one = Calibration(scale=BLACKBERRY, force_scale="linear", cuts_newton=cuts, low_newton=cuts,
    ...                   high_newton=cuts, spread=0.2)
    >>> with_limit(one, "2").scale.sale_boundary
    1
    """
    if sale_limit is None:
        return calibration
    return replace(calibration, scale=replace(calibration.scale, sale_limit=sale_limit))


def _from_fit(document: dict[str, Any], source: str) -> Calibration:
    labels = [_label(score) for score in document["scores"]]
    by_pair = {frozenset(map(_label, cut["between"])): cut for cut in document["cuts"]}
    ordered = [by_pair[frozenset(pair)] for pair in itertools.pairwise(labels)]
    known = [cut["force_N"] for cut in ordered if cut["force_N"] is not None]
    # A fit whose last score is the firmest lists scores and cuts the other way round.
    if known and known[0] < known[-1]:
        labels, ordered = labels[::-1], ordered[::-1]
    scale = parse_scale(",".join(labels))
    columns = {
        name: tuple(cut.get(name) for cut in ordered) for name in ("force_N", "low_N", "high_N")
    }
    return Calibration(
        scale=scale,
        force_scale=document.get("force_scale", "linear"),
        cuts_newton=columns["force_N"],
        low_newton=columns["low_N"],
        high_newton=columns["high_N"],
        spread=float(document["spread"]),
        n=int(document.get("n", 0)),
        level=float(document.get("level", 0.95)),
        hand_sd=document.get("hand_sd"),
        source=source,
    )


def _label(score: object) -> str:
    return str(int(score)) if isinstance(score, float) and score.is_integer() else str(score)


def stored(sources: Sequence[Path], name: str, *, sale_limit: str | None = None) -> Calibration:
    """Find a stored calibration in the first season file that holds it.

    Parameters
    ----------
    sources : sequence of Path
        CSVs among them are passed over.
    name : str
    sale_limit : str, optional

    Raises
    ------
    NoSuchRecordError
        If none holds it.
    CannotCompareError
        If two hold different calibrations of that name.

    Examples
    --------
    >>> stored([], "panel")
    Traceback (most recent call last):
    gauge.errors.NoSuchRecordError: No source holds a calibration 'panel'. Store one with ...
    """
    from calibrate.data.pairs import looks_like_season
    from gauge.season.file import open_season

    found: list[tuple[Path, dict[str, Any], str]] = []
    for path in sources:
        if not looks_like_season(path):
            continue
        with open_season(path, read_only=True) as season:
            found += [
                (path, row.document, row.fingerprint)
                for row in season.calibrations()
                if row.name == name
            ]
    if not found:
        raise NoSuchRecordError(
            f"No source holds a calibration '{name}'.",
            todo="Store one with 'calibrate store', or give --cuts FILE.json.",
        )
    if len({fingerprint for _, _, fingerprint in found}) > 1:
        raise CannotCompareError(
            f"{found[0][0]} and {found[1][0]} hold different calibrations '{name}'.",
            todo="Give one of them as --cuts FILE.json.",
        )
    return with_limit(Calibration.from_document(found[0][1]), sale_limit)
